import pytest

from tests.api.refusals import refused
from tests.shop import SIMPLE_LIMITS


@pytest.fixture
def supplier(shop):
    """A supplier, and its address."""
    return f"/suppliers/{shop.supplier()['id']}"


def etag(shop, path):
    """The present ETag of a resource."""
    return shop.call("admin", "GET", path).headers["ETag"]


def test_every_single_resource_carries_an_etag(shop):
    """Every single resource has an ETag."""
    delivery = shop.good_lot()
    code = delivery["spools"][0]["code"]
    shop.load(code)
    for path in ("/suppliers/1", "/shades/1", "/grades/1", "/lots/1", "/machines/1", f"/spools/{code}"):
        answer = shop.call("admin", "GET", path)
        assert answer.get_etag()[0], path
        again = shop.call("admin", "GET", path, If_None_Match=answer.headers["ETag"])
        assert (304, b"") == (again.status_code, again.get_data()), path
        assert answer.headers["ETag"] == again.headers["ETag"]
        assert 200 == shop.call("admin", "GET", path, If_None_Match='"other"').status_code


def test_the_etag_of_a_lot_follows_its_spools(shop):
    """Loading a spool changes the lot's ETag, though its status is the same."""
    delivery = shop.good_lot()
    spool = delivery["spools"][0]["code"]
    before = {path: etag(shop, path) for path in ("/lots/1", f"/spools/{spool}")}
    shop.load(spool)
    for path, old in before.items():
        assert old != etag(shop, path)
        assert 200 == shop.call("admin", "GET", path, If_None_Match=old).status_code


def test_a_made_resource_tells_its_etag_and_place(shop):
    """A created resource has its ETag and address, so that it can be changed at once."""
    for path, body in (
        ("/suppliers", {"code": "A", "name": "A"}),
        (
            "/grades",
            {
                "code": "A",
                "polymer": "PLA",
                "color_name": "W",
                "nominal_diameter_mm": 1.75,
                "density_g_cm3": 1.24,
            },
        ),
    ):
        made = shop.call("admin", "POST", path, body)
        place = made.headers["Location"].removeprefix("/v1")
        assert f"{path}/{made.get_json()['id']}" == place
        assert etag(shop, place) == made.headers["ETag"]


def test_a_change_needs_the_etag(shop, supplier):
    """A PATCH without If-Match is refused with 428 and changes nothing."""
    for headers in ({}, {"If_Match": ""}):
        answer = shop.call("purchasing", "PATCH", supplier, {"name": "New"}, **headers)
        assert "If-Match" in refused(answer, 428, "needs-if-match", [])["detail"]
    assert "Supplier QWT" == shop.get("purchasing", supplier)["name"]


def test_a_change_on_the_etag_is_made_and_raises_the_version(shop, supplier):
    """A PATCH with the present ETag changes the resource and returns the new one."""
    old = etag(shop, supplier)
    answer = shop.call("purchasing", "PATCH", supplier, {"name": "New"}, If_Match=old)
    assert (200, "New", 2) == (answer.status_code, answer.get_json()["name"], answer.get_json()["version"])
    assert answer.headers["ETag"] == etag(shop, supplier)
    assert old != answer.headers["ETag"]
    assert answer.get_json() == shop.get("purchasing", supplier)


def test_a_stale_etag_is_refused(shop, supplier):
    """Of two changes based on one version the second is refused with 412 and the first remains."""
    old = etag(shop, supplier)
    shop.call("purchasing", "PATCH", supplier, {"name": "First"}, If_Match=old)
    for stale in (old, '"other"', '"supplier-1-v3"', "W/" + etag(shop, supplier), '"*"', "nonsense"):
        answer = shop.call("purchasing", "PATCH", supplier, {"name": "Second"}, If_Match=stale)
        assert 412 == answer.status_code, stale
        refused(answer, 412, "stale", [])
    assert "First" == shop.get("purchasing", supplier)["name"]


@pytest.mark.parametrize("match", ["*", '"other", {}', "{}, W/{}", "{}"])
def test_any_of_several_etags_will_do(shop, supplier, match):
    """If-Match accepts several ETags and a star."""
    named = match.replace("{}", etag(shop, supplier))
    assert 200 == shop.call("purchasing", "PATCH", supplier, {"name": "New"}, If_Match=named).status_code


def test_a_refused_change_changes_nothing(shop, supplier):
    """A PATCH with an invalid field changes neither version nor ETag."""
    before = etag(shop, supplier)
    for body in ({"name": "New", "contact": 7}, {"code": "B"}, {"name": None}, {"version": 9}):
        refused(shop.call("purchasing", "PATCH", supplier, body, If_Match=before), 422, "invalid")
    assert before == etag(shop, supplier)


def test_an_empty_change_is_no_change(shop, supplier):
    """An empty PATCH keeps the version."""
    before = etag(shop, supplier)
    answer = shop.call("purchasing", "PATCH", supplier, {}, If_Match=before)
    assert (200, before) == (answer.status_code, answer.headers["ETag"])


def test_an_unknown_resource_is_404_before_it_is_428(shop):
    """An unknown resource is 404 before 428."""
    refused(shop.call("purchasing", "PATCH", "/suppliers/9", {"name": "N"}), 404, "not-found", [])


def change(shop, grade, **fields):
    """The answer to a change of a grade in its present version."""
    path = f"/grades/{grade['id']}"
    return shop.call("quality", "PATCH", path, fields, If_Match=etag(shop, path))


def test_what_lots_rest_on_is_settled(shop):
    """Nominal diameter and shade of a grade with a received lot are fixed, and its other fields are not."""
    grade, other = shop.grade(limits=SIMPLE_LIMITS), shop.shade("other")
    assert 200 == change(shop, grade, nominal_diameter_mm=2.85).status_code
    assert 200 == change(shop, grade, nominal_diameter_mm=1.75, shade_id=other["id"]).status_code
    shop.receive(shop.supplier(), grade)
    before = shop.get("quality", f"/grades/{grade['id']}")
    for settled in ({"nominal_diameter_mm": 2.85}, {"shade_id": grade["shade_id"]}, {"shade_id": None}):
        assert "another grade" in refused(change(shop, grade, **settled, finish="matte"), 409, "settled", [])["detail"]
    assert before == shop.get("quality", f"/grades/{grade['id']}")
    same = change(shop, grade, nominal_diameter_mm=1.75, shade_id=other["id"], cautions=["cosmetic only"])
    assert (200, ["cosmetic only"]) == (same.status_code, same.get_json()["cautions"])


def test_a_shade_may_still_be_given_to_a_grade_that_had_none(shop):
    """A grade with lots but without a shade can be given one."""
    grade = shop.grade(shade_id=None, limits=SIMPLE_LIMITS)
    shop.receive(shop.supplier(), grade)
    shade = shop.shade("late")
    assert shade["id"] == change(shop, grade, shade_id=shade["id"]).get_json()["shade_id"]
    refused(change(shop, grade, shade_id=None), 409, "settled", [])


def test_the_place_of_what_was_made_is_an_address(shop):
    """Location of a code with a blank is percent-encoded and readable."""
    delivery = shop.good_lot()
    body = {"parents": [{"spool_code": delivery["spools"][0]["code"], "mass_g": 5.0}], "code": "MIX 1"}
    place = shop.call("production", "POST", "/spools", body).headers["Location"]
    assert "/v1/spools/MIX%201" == place
    assert "MIX 1" == shop.get("production", place.removeprefix("/v1"))["code"]


def test_the_place_of_what_was_made_is_below_the_path_prefix(shop):
    """Behind a proxy with a path prefix, Location contains the prefix."""
    answer = shop.client.post(
        "/v1/suppliers",
        json={"code": "A", "name": "A"},
        headers={"Authorization": f"Bearer {shop.tokens['purchasing']}"},
        environ_overrides={"SCRIPT_NAME": "/filament"},
    )
    assert f"/filament/v1/suppliers/{answer.get_json()['id']}" == answer.headers["Location"]


def test_a_read_under_a_wrong_etag_is_a_problem_document(shop):
    """A GET whose If-Match names another version is a 412 problem document (RFC 9110, 13.1.1)."""
    answer = shop.call("quality", "GET", "/sampling-plan?lot_size=50&level=II&aql=1.0", If_Match='"other"')
    assert (412, "application/problem+json") == (answer.status_code, answer.mimetype)
    assert "/problems/stale" == answer.get_json()["type"]
