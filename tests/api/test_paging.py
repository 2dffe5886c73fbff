import pytest

from tests.api.refusals import admin, refused, send
from tests.shop import SIMPLE_LIMITS


def pages(shop, address):
    """Every page of a list by following `next`; `next` and the Link header must agree."""
    found = []
    while address:
        answer = shop.client.get(address, headers=admin(shop))
        assert 200 == answer.status_code, answer.get_data(as_text=True)
        body = answer.get_json()
        link = f'<{body["next"]}>; rel="next"' if body["next"] else None
        assert link == answer.headers.get("Link")
        found.append([item["id"] for item in body["items"]])
        address = body["next"]
    return found


@pytest.fixture
def suppliers(shop):
    """Seven suppliers."""
    return [shop.supplier(f"S{n}")["id"] for n in range(7)]


def test_pages_cover_everything_once(shop, suppliers):
    """For any page size `next` leads to every row once, in order, without an empty page."""
    for limit in range(1, 9):
        found = pages(shop, f"/v1/suppliers?limit={limit}")
        assert suppliers == [number for page in found for number in page], limit
        assert [limit] * (len(found) - 1) == [len(page) for page in found[:-1]]
        assert 1 <= len(found[-1]) <= limit


def test_a_list_that_fits_its_page_exactly_has_no_next(shop, suppliers):
    """The last full page has no `next`."""
    assert [suppliers] == pages(shop, "/v1/suppliers?limit=7")


def test_an_empty_list_is_one_page(shop):
    """A list without rows is an empty page."""
    assert [[]] == pages(shop, "/v1/loads?limit=1")


def test_a_page_has_50_rows_when_nobody_says(shop):
    """The default page size is 50."""
    shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS), spools=1)
    spool = shop.get("quality", "/lots/1")["spools"][0]["code"]
    shop.measure("diameter", [{"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75}] * 51)
    assert [50, 1] == [len(page) for page in pages(shop, "/v1/lots/1/readings")]


def test_rows_added_between_pages_shift_nothing(shop, suppliers):
    """Rows added between pages neither repeat nor hide rows, and come last."""
    seen, address = [], "/v1/suppliers?limit=2"
    while address:
        body = shop.client.get(address, headers=admin(shop)).get_json()
        seen += [item["id"] for item in body["items"]]
        address = body["next"]
        if len(seen) <= 6:
            suppliers.append(shop.supplier(f"NEW{len(seen)}")["id"])
    assert suppliers == seen


def test_a_filter_travels_with_the_pages(shop):
    """`next` keeps the filters and the page size."""
    supplier, other, grade = shop.supplier("A"), shop.supplier("B"), shop.grade(limits=SIMPLE_LIMITS)
    mine = [shop.receive(who, grade, f"L{n}", spools=1)["lot_id"] for n in range(4) for who in (supplier, other)][::2]
    found = pages(shop, f"/v1/lots?supplier_id={supplier['id']}&limit=3&received_from=2026-01-01T01:00:00%2B01:00")
    assert [mine[:3], mine[3:]] == found


@pytest.fixture
def lots(shop):
    """Lots by name: of two suppliers, two grades, two dates and two statuses."""
    a, b = shop.supplier("A"), shop.supplier("B")
    white, black = shop.grade("W", limits=SIMPLE_LIMITS), shop.grade("K", limits=SIMPLE_LIMITS)
    return {
        "good": shop.good_lot(a, white, "L-1", received_at="2026-11-01T10:00:00Z")["lot_id"],
        "new": shop.receive(a, black, "L-2", received_at="2026-11-10T10:00:00Z")["lot_id"],
        "same number": shop.receive(b, white, "L-1", received_at="2026-11-20T10:00:00+02:00")["lot_id"],
    }


# Query -> names of the lots it finds.
FILTERS = (
    ("", {"good", "new", "same number"}),
    ("standing=released", {"good"}),
    ("standing=quarantined", {"new", "same number"}),
    ("standing=scrapped", set()),
    ("supplier_id=1", {"good", "new"}),
    ("grade_id=2", {"new"}),
    ("supplier_lot=L-1", {"good", "same number"}),
    ("supplier_lot=l-1", {"good", "same number"}),
    ("supplier_lot=L1", set()),
    ("supplier_lot=L-1&supplier_id=2", {"same number"}),
    ("received_from=2026-11-10T10:00:00Z", {"new", "same number"}),
    ("received_from=2026-11-10T10:00:00.000001Z", {"same number"}),
    ("received_to=2026-11-10T10:00:00Z", {"good", "new"}),
    ("received_to=2026-11-10T09:59:59.999999Z", {"good"}),
    ("received_from=2026-11-20T08:00:00Z&received_to=2026-11-20T08:00:00Z", {"same number"}),
    ("received_from=2026-11-20T00:00:00Z&received_to=2026-11-01T00:00:00Z", set()),
    ("standing=quarantined&supplier_id=1&grade_id=2&supplier_lot=L-2", {"new"}),
)


def test_lots_are_filtered(shop, lots):
    """Filters work singly and together; both ends of a time are included, with any offset."""
    for query, names in FILTERS:
        found = {item["id"] for item in shop.get("production", f"/lots?{query}")["items"]}
        assert {lots[name] for name in names} == found, query


def test_loads_are_filtered(shop):
    """Loads can be filtered by spool, machine, job, and whether they have ended."""
    first, second = (spool["code"] for spool in shop.good_lot(spools=2)["spools"])
    ended = shop.load(first, machine="P1", job="J-1")
    shop.unload(ended["id"], 900)
    going = shop.load(second, machine="P2", job="J-1")
    for query, numbers in {
        "open=true": [going["id"]],
        "open=false": [ended["id"]],
        f"spool_code={first}": [ended["id"]],
        "machine=P2": [going["id"]],
        "job=J-1": [ended["id"], going["id"]],
        "job=J-1&open=true&machine=P1": [],
        "job=j-1&machine=p2": [going["id"]],
        "job=J1": [],
        f"spool_code={first.lower()}": [ended["id"]],
    }.items():
        assert numbers == [item["id"] for item in shop.get("production", f"/loads?{query}")["items"]], query


def test_readings_and_deliveries_are_filtered(shop):
    """Readings can be filtered by kind, deliveries by lot."""
    delivery = shop.good_lot()
    lot_id = delivery["lot_id"]
    more = shop.receive({"id": 1}, {"id": 1}, "Q-71", spools=1)
    other = shop.receive({"id": 1}, {"id": 1}, "other")
    assert lot_id == more["lot_id"]
    assert ["diameter"] == [
        item["kind"] for item in shop.get("quality", f"/lots/{lot_id}/readings?kind=diameter")["items"]
    ]
    assert [] == shop.get("quality", f"/lots/{lot_id}/readings?kind=bond")["items"]
    of_lot = shop.get("receiving", f"/deliveries?lot_id={lot_id}")["items"]
    assert [delivery["id"], more["id"]] == [item["id"] for item in of_lot]
    assert [other["id"]] == [
        item["id"] for item in shop.get("receiving", f"/deliveries?lot_id={other['lot_id']}")["items"]
    ]


@pytest.mark.parametrize("path", ["lots", "deliveries"])
def test_the_newest_first_is_the_same_list_from_its_other_end(shop, path):
    """The newest first order has every row once for any page size, without rows added meanwhile."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    made = [shop.receive(supplier, grade, f"L{n}", spools=1)["id"] for n in range(7)]
    for limit in range(1, 9):
        found = pages(shop, f"/v1/{path}?order=newest&limit={limit}")
        assert made[::-1] == [number for page in found for number in page], limit
    assert made == [number for page in pages(shop, f"/v1/{path}?order=oldest&limit=3") for number in page]
    first = send(shop, "GET", f"/v1/{path}?order=newest&limit=4").get_json()
    shop.receive(supplier, grade, "late", spools=1)
    rest = send(shop, "GET", first["next"]).get_json()["items"]
    assert made[2::-1] == [item["id"] for item in rest]


def test_a_cursor_belongs_to_its_order(shop):
    """A cursor of the other order is refused, because it would hide rows."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    for number in range(3):
        shop.receive(supplier, grade, f"L{number}", spools=1)
    for order, other in (("newest", "oldest"), ("oldest", "newest")):
        following = send(shop, "GET", f"/v1/lots?order={order}&limit=1").get_json()["next"]
        turned = following.replace(f"order={order}", f"order={other}")
        assert "Use `next`" in refused(send(shop, "GET", turned), 422, "invalid", ["cursor"])["errors"][0]["hint"]
    refused(send(shop, "GET", "/v1/lots?order=latest"), 422, "invalid", ["order"])


@pytest.mark.usefixtures("lots")
def test_deliveries_are_filtered_by_when_they_were_received(shop):
    """Both ends of a time are included, with any offset; a lot and a time combine."""
    by_lot = {lot["supplier_lot"] + str(lot["supplier_id"]): lot["id"] for lot in shop.get("quality", "/lots")["items"]}
    for query, names in {
        "received_from=2026-11-10T10:00:00Z": ["L-21", "L-12"],
        "received_from=2026-11-10T10:00:00.000001Z": ["L-12"],
        "received_to=2026-11-10T10:00:00Z": ["L-11", "L-21"],
        "received_to=2026-11-10T09:59:59.999999Z": ["L-11"],
        "received_from=2026-11-20T08:00:00Z&received_to=2026-11-20T09:00:00%2B01:00": ["L-12"],
        "received_from=2026-11-20T00:00:00Z&received_to=2026-11-01T00:00:00Z": [],
        "received_from=2026-11-10T00:00:00Z&order=newest": ["L-12", "L-21"],
        f"received_from=2026-11-10T00:00:00Z&lot_id={by_lot['L-21']}": ["L-21"],
    }.items():
        found = [item["lot_id"] for item in shop.get("receiving", f"/deliveries?{query}")["items"]]
        assert [by_lot[name] for name in names] == found, query


def test_a_cursor_leads_on_from_its_row(shop, suppliers):
    """A cursor can be used later, with another page size."""
    first = send(shop, "GET", "/v1/suppliers?limit=2").get_json()
    cursor = first["next"].partition("cursor=")[2]
    again = send(shop, "GET", f"/v1/suppliers?cursor={cursor}&limit=500").get_json()
    assert suppliers[2:] == [item["id"] for item in again["items"]]


def test_a_list_is_only_paged_by_its_own_parameters(shop):
    """Offsets and page numbers are unknown parameters."""
    for name in ("offset", "page", "per_page", "order"):
        refused(send(shop, "GET", f"/v1/suppliers?{name}=1"), 422, "invalid", [name])
