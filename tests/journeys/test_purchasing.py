"""Purchasing: changes suppliers, reads lots, and is refused elsewhere."""

import pytest


def test_a_supplier_is_added_and_changed_by_whoever_read_it_last(shop):
    """A change needs the present version: 428 without, 412 with a stale one; a code is unique."""
    made = shop.supplier("QWT", contact="Odile, 555-0100")
    path = f"/suppliers/{made['id']}"
    taken = shop.post("purchasing", "/suppliers", {"code": "QWT", "name": "Another"}, 409)
    assert made["id"] == taken["existing_id"]

    read = shop.call("purchasing", "GET", path)
    change = {"name": "Quillwort Extrusion"}
    blind = shop.call("purchasing", "PATCH", path, change)
    assert 428 == blind.status_code
    assert "If-Match" in blind.get_json()["detail"]
    done = shop.call("purchasing", "PATCH", path, change, If_Match=read.headers["ETag"])
    assert (200, "Quillwort Extrusion") == (done.status_code, done.get_json()["name"])
    assert done.headers["ETag"] != read.headers["ETag"]
    late = shop.call("purchasing", "PATCH", path, {"contact": None}, If_Match=read.headers["ETag"])
    assert 412 == late.status_code
    assert "Read it again" in late.get_json()["detail"]
    assert "Odile, 555-0100" == shop.get("purchasing", path)["contact"]
    again = shop.call("purchasing", "PATCH", path, {"contact": None}, If_Match=done.headers["ETag"])
    assert (200, None) == (again.status_code, again.get_json()["contact"])
    moved = shop.call("purchasing", "PATCH", path, {"code": "QX"}, If_Match=again.headers["ETag"])
    assert 422 == moved.status_code


def test_suppliers_are_listed_page_by_page(shop):
    """`next` leads to every supplier once, in the order of creation."""
    codes = ["QWT", "NBK", "TTH"]
    for code in codes:
        shop.supplier(code)
    seen, path = [], "/suppliers?limit=2"
    while path:
        page = shop.get("purchasing", path)
        seen += [row["code"] for row in page["items"]]
        path = page["next"] and page["next"].removeprefix("/v1")
    assert codes == seen


def stocked(shop):
    """Two suppliers: one with a released and a blocked lot, one with a lot in quarantine."""
    quillwort, ninebark = shop.supplier("QWT"), shop.supplier("NBK")
    good = shop.good_lot(quillwort)
    grade = {"id": good["grade_id"]}
    bad = shop.receive(quillwort, grade, "Q-72", received_at="2026-11-21T08:00:00Z")
    shop.diameter(bad["spools"][0]["code"], 1.84, 1.66)
    waiting = shop.receive(ninebark, grade, "N-1", received_at="2026-11-22T08:00:00Z")
    return quillwort, ninebark, good, bad, waiting


def test_lots_are_found_by_supplier_standing_and_date(shop):
    """Lots are found by supplier, status and date."""
    quillwort, ninebark, *_ = stocked(shop)
    asked = {
        "": ["Q-71", "Q-72", "N-1"],
        f"?supplier_id={quillwort['id']}": ["Q-71", "Q-72"],
        f"?supplier_id={quillwort['id']}&standing=blocked": ["Q-72"],
        f"?supplier_id={ninebark['id']}&standing=released": [],
        "?standing=quarantined": ["N-1"],
        "?supplier_lot=Q-71": ["Q-71"],
        "?received_from=2026-11-21T08:00:00Z": ["Q-72", "N-1"],
        "?received_from=2026-11-21T00:00:00Z&received_to=2026-11-21T23:00:00Z": ["Q-72"],
    }
    for query, lots in asked.items():
        assert lots == [lot["supplier_lot"] for lot in shop.get("purchasing", f"/lots{query}")["items"]], query
    unknown = shop.get("purchasing", "/lots?standing=rejected", 422)
    assert "quarantined" in unknown["errors"][0]["hint"]
    shop.get("purchasing", "/lots?suplier_id=1", 422)


def test_purchasing_reads_why_a_lot_was_refused(shop):
    """The assessment of a blocked lot has value, limit, margin and sentence for its supplier."""
    *_, bad, _ = stocked(shop)
    said = shop.get("purchasing", f"/lots/{bad['lot']['id']}/assessment")
    failing = [finding for finding in said["findings"] if finding["verdict"] == "fail"]
    assert {"diameter.ovality", "diameter.reading"} == {finding["code"] for finding in failing}
    for finding in failing:
        assert finding["margin"] < 0
        assert "limit" in finding["message"]
    assert 1 == len(shop.get("purchasing", f"/lots/{bad['lot']['id']}/readings")["items"])


@pytest.mark.parametrize(
    ("method", "path", "who"),
    [
        ("POST", "/deliveries", "receiving"),
        ("POST", "/diameter-readings", "receiving"),
        ("POST", "/color-readings", "quality"),
        ("POST", "/shrink-tests", "quality"),
        ("POST", "/readings/1/void", "quality"),
        ("POST", "/lots/1/decisions", "quality"),
        ("POST", "/lots/1/reassess", "quality"),
        ("POST", "/grades", "quality"),
        ("POST", "/grades/1/limits", "quality"),
        ("POST", "/shades", "quality"),
        ("POST", "/loads", "production"),
        ("GET", "/spools/L1-S001/clearance?use=cosmetic", "production"),
    ],
)
def test_what_is_not_for_purchasing_names_who_may(shop, method, path, who):
    """403 names the required role, whatever the body, and nothing is stored."""
    stocked(shop)
    before = shop.get("purchasing", "/lots")["items"]
    answer = shop.call("purchasing", method, path, {} if method == "POST" else None)
    assert 403 == answer.status_code
    assert "purchasing" in answer.get_json()["detail"]
    assert who in answer.get_json()["detail"]
    assert before == shop.get("purchasing", "/lots")["items"]


@pytest.mark.parametrize("role", ["receiving", "production"])
def test_suppliers_are_for_purchasing_and_quality_to_change(shop, role):
    """Another role is refused with the right one, and a request for the list refers to the directory."""
    made = shop.supplier("QWT")
    refused = shop.post(role, "/suppliers", {"code": "NBK", "name": "Ninebark Polymer"}, 403)
    assert f"{role} person has the role {role}. This requires purchasing or quality or admin." == refused["detail"]
    for path, sent in (("/suppliers", True), (f"/suppliers/{made['id']}", False)):
        assert sent is shop.get(role, path, 403)["detail"].endswith("can read numbers and codes at /v1/directory.")
    assert [made["id"]] == [entry["id"] for entry in shop.get(role, "/directory")["suppliers"]]


def test_without_a_token_nobody_learns_anything(shop):
    """A request without a token, or with a wrong one, is 401."""
    stocked(shop)
    for headers in ({}, {"Authorization": "Bearer not-a-token"}):
        answer = shop.call("nobody", "GET", "/lots", **headers)
        assert 401 == answer.status_code
        assert "Bearer" in answer.get_json()["detail"]
