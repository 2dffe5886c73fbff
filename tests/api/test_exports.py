import json

import pytest

from tests.api.bodies import Furnished
from tests.api.refusals import refused
from tests.files import export, rows, take
from tests.shop import CONDITIONS, FULL_LIMITS, MEASURED, RECEIVED, WHITE

SPOOL = "=S-1"
# Answers that are no page of a list and have rows.
REPORTS = {
    "/certificate-comparison",
    "/drift",
    "/forecast",
    "/lots/{number}/exposure",
    "/next-order",
    "/purchasing-summary",
    "/stock",
    "/supplier-comparison",
}
# A spectrum has no light of its own.
BARE = {name: said for name, said in CONDITIONS.items() if name not in ("illuminant", "observer_deg")}
READINGS = {
    "diameter": [
        {"position_m": 3, "d1_mm": 1.7480000000000002, "d2_mm": 1.75},
        {"d1_mm": 1.75, "d2_mm": 1.75, "note": "-5, äöü\n=x"},
    ],
    "color": [
        {"lab": [95.02, -0.79, 1.48], "conditions": {**CONDITIONS, "backing": "white"}, "plaque": "@P1"},
        {"lab": WHITE, "conditions": CONDITIONS, "screening": True},
        {"spectrum": {"start_nm": 380, "step_nm": 20, "values": [0.8712345678901234] * 19}, "conditions": BARE},
    ],
    "shrinkage": [
        {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24, "printer": "P1"},
        {"axis": "z", "feature": "inside", "designed_mm": 50, "measured_mm": 49.9, "age_h": 24.5},
    ],
    "bond": [{"break_force_n": 901.3, "area_mm2": 40.1}, {"stress_mpa": 22.5, "control": True, "printer": "'P"}],
    "surface": [{"specks": 1, "area_dm2": 2.5}],
    "gloss": [{"geometry_deg": 60, "gloss_gu": 41.3}, {"geometry_deg": 85, "gloss_gu": 70}],
    "opacity": [{"over_black": [94.81, -0.8, 1.5], "over_white": WHITE}],
    "moisture": [{"moisture_percent": 0.0213, "method": "+oven"}, {"moisture_percent": 0.02}],
}
OWN = {"id", "recorded_at", "recorded_by", "lot_id"}


@pytest.fixture
def at(shop):
    """A shop with a lot of two spools whose codes look like formulas."""
    grade = shop.grade("PLA-HW-175", FULL_LIMITS)
    body = {"supplier_id": shop.supplier()["id"], "grade_id": grade["id"], "received_at": RECEIVED, "net_mass_g": 1000}
    spools = {"spools": [{"code": SPOOL}, {"code": "S-2"}]}
    shop.lot_id = shop.post("receiving", "/deliveries", {**body, "supplier_lot": "+71", **spools})["lot_id"]
    return shop


def readings(shop, kind):
    """The readings of a kind, without the fields that differ with each storing."""
    items = shop.get("quality", f"/lots/{shop.lot_id}/readings?kind={kind}&limit=500")["items"]
    return [{name: value for name, value in item.items() if name not in OWN} for item in items]


@pytest.mark.parametrize("kind", READINGS)
def test_exported_readings_are_read_back_as_they_were(at, kind):
    """The CSV of a list, imported, gives the same readings to the last digit."""
    at.measure(kind, [{"spool_code": SPOOL, **fields} for fields in READINGS[kind]])
    before = readings(at, kind)
    answer = export(at, f"/lots/{at.lot_id}/readings?kind={kind}")
    done = take(at, kind, answer.get_data())
    assert len(before) == done["items"]
    assert [*before, *before] == readings(at, kind)


def test_voided_readings_of_an_export_are_left_out_and_counted(at):
    """Readings that do not count are left out of an import and counted."""
    made = at.measure("diameter", [{"spool_code": SPOOL, "d1_mm": d1, "d2_mm": 1.75} for d1 in (1.74, 1.75, 1.76)])
    at.void(made["items"][1]["id"], "=slipped")
    exported = export(at, f"/lots/{at.lot_id}/readings?kind=diameter")
    assert ["", "'=slipped", ""] == [row["voided.reason"] for row in rows(exported)]
    done = take(at, "diameter", exported.get_data())
    assert (3, 2, 1) == (done["rows"], done["items"], done["skipped_voided"])
    assert ["1 voided reading was left out."] == done["notes"]
    for reading in readings_ids(at):
        at.void(reading)
    take(at, "diameter", export(at, f"/lots/{at.lot_id}/readings?kind=diameter").get_data(), 422)


def readings_ids(shop):
    """Numbers of the counted readings."""
    items = shop.get("quality", f"/lots/{shop.lot_id}/readings?kind=diameter")["items"]
    return [item["id"] for item in items if item["voided"] is None]


def test_an_export_of_another_kind_is_refused_row_by_row(at):
    """An export of another kind is refused row by row."""
    at.measure("moisture", {"spool_code": SPOOL, "moisture_percent": 0.02})
    exported = export(at, f"/lots/{at.lot_id}/readings?kind=moisture")
    said = take(at, "diameter", exported.get_data(), 422)
    assert (2, "kind", "This is a moisture reading.") in [(e["row"], e["column"], e["detail"]) for e in said["errors"]]


def test_text_that_looks_like_a_formula_is_guarded_and_numbers_are_not(at):
    """Text that looks like a formula is guarded, and numbers are not."""
    at.measure("color", {"spool_code": SPOOL, "lab": WHITE, "conditions": CONDITIONS, "note": "-1"})
    row = rows(export(at, f"/lots/{at.lot_id}/readings?kind=color"))[0]
    assert ("'=S-1", "'-1", "[95.0, -0.8, 1.5]") == (row["spool_code"], row["note"], row["lab"])
    assert "'+71" == rows(export(at, "/lots"))[0]["supplier_lot"]


@pytest.mark.parametrize(
    ("path", "role"),
    [
        ("/suppliers", "purchasing"),
        ("/shades", "quality"),
        ("/shades/1/revisions", "quality"),
        ("/grades", "quality"),
        ("/grades/1/limits", "quality"),
        ("/instruments", "quality"),
        ("/deliveries", "receiving"),
        ("/lots", "production"),
        ("/lots/1/readings", "purchasing"),
        ("/lots/1/decisions", "quality"),
        ("/loads", "production"),
        ("/load-refusals", "production"),
        ("/imports", "receiving"),
    ],
)
def test_every_list_is_the_same_as_json_and_as_csv(shop, path, role):
    """JSON and CSV of a list have the same rows in order: fields of objects as columns, lists and maps as JSON text."""
    at = Furnished(shop)
    at.load()
    shop.load(at.spool, "flexing", 409)
    take(shop, "diameter", f"spool_code,d1_mm,d2_mm\r\n{at.spool},1.75,1.75\r\n")
    page, answer = shop.get(role, path), export(shop, path, role)
    assert (200, "text/csv") == (answer.status_code, answer.mimetype)
    assert "Accept" in answer.headers["Vary"]
    assert answer.get_data(as_text=True).endswith("\r\n")
    exported = rows(answer)
    assert len(page["items"]) == len(exported) > 0
    for item, row in zip(page["items"], exported, strict=True):
        assert str(item["id"]) == row["id"]
        for column, cell in row.items():
            value = item
            for name in column.split("."):
                value = value.get(name) if isinstance(value, dict) else None
            assert (
                "" if value is None else value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
            ) == cell


def test_columns_do_not_depend_on_what_is_on_the_page(at):
    """All pages, empty ones included, have the same header, so that they can be concatenated."""
    path = f"/lots/{at.lot_id}/readings?kind=diameter"
    empty = export(at, path).get_data(as_text=True)
    at.measure("diameter", {"spool_code": SPOOL, "d1_mm": 1.75, "d2_mm": 1.75})
    at.measure("diameter", {"spool_code": SPOOL, "d1_mm": 1.75, "d2_mm": 1.75, "position_m": 1})
    first = export(at, f"{path}&limit=1")
    assert 'rel="next"' in first.headers["Link"]
    following = export(at, first.headers["Link"].partition("<")[2].partition(">")[0].removeprefix("/v1"))
    assert {empty.strip()} == {answer.get_data(as_text=True).splitlines()[0] for answer in (first, following)}
    assert "Link" not in following.headers
    assert "1" == rows(following)[0]["position_m"].removesuffix(".0")


def test_readings_of_all_kinds_have_all_columns(at):
    """Without a kind the export has the columns of all kinds, and with one its own alone."""
    every = export(at, f"/lots/{at.lot_id}/readings").get_data(as_text=True).strip().split(",")
    one = export(at, f"/lots/{at.lot_id}/readings?kind=moisture").get_data(as_text=True).strip().split(",")
    assert {"d1_mm", "lab", "nm400", "conditions.uv", "specks", "contrast_ratio", "moisture_percent"} <= set(every)
    assert {"d1_mm", "lab", "nm400", "conditions.uv", "specks", "contrast_ratio"} & set(one) == set()
    assert {"moisture_percent", "method", "screening", "note"} <= set(one)


@pytest.mark.parametrize(
    ("accept", "mimetype"),
    [
        ("text/csv", "text/csv"),
        ("application/json", "application/json"),
        ("*/*", "application/json"),
        ("text/*", "text/csv"),
        ("text/html", "application/json"),
        ("text/csv;q=0.5, application/json", "application/json"),
        ("text/csv, application/json;q=0.5", "text/csv"),
        ("text/csv;q=0", "application/json"),
        ("", "application/json"),
    ],
)
def test_who_asks_for_csv_gets_it(at, accept, mimetype):
    """JSON is the default, and CSV is sent on request; an answer without rows refuses a client that accepts only CSV."""
    headers = {"Authorization": f"Bearer {at.tokens['quality']}", "Accept": accept}
    assert mimetype == at.client.get("/v1/lots", headers=headers).mimetype
    answer = at.client.get(f"/v1/lots/{at.lot_id}", headers=headers)
    at.contract.check("GET", f"/v1/lots/{at.lot_id}", answer)
    assert ((406, "application/problem+json") if accept == "text/csv" else (200, "application/json")) == (
        answer.status_code,
        answer.mimetype,
    )


@pytest.mark.parametrize(
    ("path", "known"),
    [
        ("/shop", "application/json"),
        ("/lots/{}", "application/json"),
        ("/lots/{}/assessment", "application/json or image/svg+xml"),
        ("/lots/{}/record", "application/json, text/html or application/pdf"),
    ],
)
@pytest.mark.parametrize("accept", ["text/csv", "text/csv; header=present", "text/csv, text/plain"])
def test_an_answer_without_rows_refuses_csv_and_names_its_types(at, path, known, accept):
    """An answer without rows refuses CSV with 406 and its types; the record serves text/html for text/csv beside text/html."""
    headers = {"Authorization": f"Bearer {at.tokens['quality']}", "Accept": accept}
    answer = at.client.get(f"/v1{path}".format(at.lot_id), headers=headers)
    said = refused(answer, 406, "no-csv")["detail"]
    assert f"It is available as {known}." in said
    headers["Accept"] = f"{accept}, application/json;q=0.1"
    assert "application/json" == at.client.get(f"/v1{path}".format(at.lot_id), headers=headers).mimetype


def test_a_post_is_never_refused_for_the_form_of_its_answer(at):
    """A POST is answered as JSON, whatever is accepted."""
    body = {"spool_code": SPOOL, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED}
    headers = {"Authorization": f"Bearer {at.tokens['quality']}", "Accept": "text/csv"}
    answer = at.client.post("/v1/diameter-readings", json=body, headers=headers)
    assert (201, "application/json") == (answer.status_code, answer.mimetype)


def test_an_unchanged_export_is_not_sent_again(at):
    """The ETag of the CSV differs from that of the JSON."""
    first = export(at, "/lots")
    headers = {"Authorization": f"Bearer {at.tokens['quality']}", "If-None-Match": first.headers["ETag"]}
    assert 304 == at.client.get("/v1/lots", headers={**headers, "Accept": "text/csv"}).status_code
    assert 200 == at.client.get("/v1/lots", headers=headers).status_code


def test_a_refusal_is_a_problem_document_also_to_who_asks_for_csv(at):
    """An error is a problem document also for a client that accepts CSV."""
    answer = export(at, "/lots?standing=lost")
    assert (422, "application/problem+json") == (answer.status_code, answer.mimetype)
    assert 403 == export(at, "/suppliers", "production").status_code


def test_the_document_names_csv_for_lists_and_reports_and_nothing_else(at):
    """The document names CSV for lists and reports alone, and the way to send a file."""
    for path, item in at.contract.document["paths"].items():
        shown = item.get("get", {}).get("responses", {}).get("200", {}).get("content", {})
        reference = json.dumps(shown.get("application/json", {}))
        assert ("text/csv" in shown) == ("Page" in reference or path.removeprefix("/v1") in REPORTS), path
    form = at.contract.document["paths"]["/v1/imports"]["post"]["requestBody"]["content"]["multipart/form-data"][
        "schema"
    ]
    fields = at.contract.document["components"]["schemas"][form["$ref"].rpartition("/")[2]]
    assert {"kind", "file"} == set(fields["required"])
    assert "binary" == fields["properties"]["file"]["format"]


def test_measured_times_of_an_export_are_read_as_they_stand(at):
    """Times in UTC are exported and imported unchanged."""
    at.measure("diameter", {"spool_code": SPOOL, "d1_mm": 1.75, "d2_mm": 1.75})
    assert MEASURED == rows(export(at, f"/lots/{at.lot_id}/readings?kind=diameter"))[0]["measured_at"]
