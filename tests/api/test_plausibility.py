"""Typing errors of unit, sign and field over HTTP, each answered with its probable cause."""

import pytest

from tests.api.refusals import hints, refused
from tests.shop import CONDITIONS, MEASURED, PATHS, RECEIVED, SIMPLE_LIMITS, WHITE
from tests.store.rows import counts


@pytest.fixture
def engine():
    """SQLite alone: plausibility does not depend on the engine."""
    return "sqlite"


@pytest.fixture
def spool(shop):
    """A spool of 1.75 mm white in an unmeasured lot."""
    return shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))["spools"][0]["code"]


def slip(shop, kind, body, pointers):
    """The hints of a refused reading; nothing is stored."""
    before = counts()
    answer = shop.call("quality", "POST", PATHS[kind], {"measured_at": MEASURED, **body})
    said = refused(answer, 422, "invalid", pointers)
    assert before == counts()
    return hints(said)


@pytest.mark.parametrize(
    ("d1", "hint"),
    [
        (0.0689, "looks like inches: 0.0689 in is 1.750 mm"),
        (1750, "looks like micrometres: 1750 um is 1.750 mm"),
        (0.175, "looks like centimetres"),
        (68.9, "looks like thousandths of an inch"),
        (17.5, "did you mean 1.75?"),
        (175, "did you mean 1.75?"),
        (2.85, "looks like 2.85 mm filament"),
        ("1,75", "Write 1.75, with a decimal point, not a comma, and without quotes"),
        ("1.75", "Write 1.75, without quotes"),
        (0, "Measure again"),
        (-1.75, "Measure again"),
    ],
)
def test_a_diameter_in_another_unit_is_refused_with_what_it_looks_like(shop, spool, d1, hint):
    """The micrometer's other unit, a comma, a missing point and the wrong reel are recognised."""
    assert hint in slip(shop, "diameter", {"spool_code": spool, "d1_mm": d1, "d2_mm": 1.75}, ["/d1_mm"])


def test_both_axes_are_looked_at(shop, spool):
    """Two errors in one reading are both reported."""
    slip(shop, "diameter", {"spool_code": spool, "d1_mm": 0.0689, "d2_mm": 2.85}, ["/d1_mm", "/d2_mm"])


def test_a_diameter_is_plausible_for_its_own_grade(shop):
    """A plausible diameter depends on the grade: an error on 1.75 mm filament is a reading on 2.85 mm, and the reverse."""
    delivery = shop.receive(shop.supplier(), shop.grade("PLA-285", nominal_diameter_mm=2.85))
    spool = delivery["spools"][0]["code"]
    shop.diameter(spool, 2.85, 2.84)
    assert "looks like 1.75 mm filament" in slip(
        shop, "diameter", {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 2.85}, ["/d1_mm"]
    )


SHRINK = {"axis": "x", "feature": "outside", "age_h": 24}


@pytest.mark.parametrize(
    ("designed", "measured", "pointer", "hint"),
    [
        (100, 3.921, "/measured_mm", "looks like inches: 3.921 in is 99.593 mm"),
        (4, 101.3, "/designed_mm", "designed length looks like inches"),
        (100, 9.97, "/measured_mm", "looks like centimetres"),
        (100, 0.3, "/measured_mm", "measured length itself, not the shrinkage"),
        (50, 100, "/measured_mm", "Check both lengths"),
        ("100", 99.7, "/designed_mm", "Write 100, without quotes"),
    ],
)
def test_lengths_that_are_no_coupon_are_refused(shop, spool, designed, measured, pointer, hint):
    """Inches on one side, the shrinkage for the length, and lengths of two features are refused at their field."""
    body = {"spool_code": spool, "designed_mm": designed, "measured_mm": measured, **SHRINK}
    assert hint in slip(shop, "shrinkage", body, [pointer])


def test_swapped_lengths_are_a_shrinkage_that_shows(shop, spool):
    """Exchanged lengths are a plausible growth, stored as a negative shrinkage."""
    shop.measure("shrinkage", {"spool_code": spool, "designed_mm": 99.7, "measured_mm": 100, **SHRINK})
    lot = shop.get("quality", "/lots")["items"][0]
    assert lot["shrinkage_percent"]["x"] < 0


@pytest.mark.parametrize("axis", ["x", "y", "z"])
@pytest.mark.parametrize("ends", [[0.001, 0.005], [-0.002, 0.003], [0, 0.004]])
def test_limits_on_shrinkage_that_look_like_fractions_are_refused(shop, axis, ends):
    """Shrinkage limits of 0.001 to 0.005 are refused as fractions of 0.1 to 0.5 %."""
    grade = shop.grade()
    body = {"shrinkage": {f"{axis}_percent": ends}}
    answer = shop.call("quality", "POST", f"/grades/{grade['id']}/limits", body)
    said = refused(answer, 422, "invalid", [f"/shrinkage/{axis}_percent"])
    assert "Write percent, such as 0.3 for 0.3 %." == hints(said)
    assert [] == shop.get("quality", f"/grades/{grade['id']}/limits")["items"]


@pytest.mark.parametrize(
    ("percent", "hint"),
    [
        (250, "looks like ppm: 250 ppm is 0.025 %"),
        (0.00025, "looks like a fraction: 0.00025 is 0.025 %"),
        (60_000, "Enter percent by mass"),
        ("0,02", "Write 0.02"),
    ],
)
def test_moisture_in_another_unit_is_refused(shop, spool, percent, hint):
    """Parts per million and fractions are recognised."""
    assert hint in slip(shop, "moisture", {"spool_code": spool, "moisture_percent": percent}, ["/moisture_percent"])


@pytest.mark.parametrize(
    ("body", "pointer", "hint"),
    [
        ({"stress_mpa": 12_100_000}, "/stress_mpa", "looks like pascals: 12.1 MPa"),
        ({"stress_mpa": 3_200}, "/stress_mpa", "looks like psi"),
        ({"break_force_n": 90_000, "area_mm2": 40}, "/break_force_n", "newtons"),
        ({"break_force_n": 900}, "/area_mm2", "cross-section"),
        ({}, "/stress_mpa", "the force with the cross-section"),
        ({"stress_mpa": 20, "break_force_n": 800, "area_mm2": 40}, "/stress_mpa", "either"),
    ],
)
def test_a_bond_in_another_unit_or_given_by_halves_is_refused(shop, spool, body, pointer, hint):
    """Pascals, psi, a force without its section, and a stress given twice are refused."""
    assert hint in slip(shop, "bond", {"spool_code": spool, **body}, [pointer])


@pytest.mark.parametrize(("mass", "hint"), [(1.0, "Enter grams. 1 kg is 1000 g"), (0.75, "750 g"), (1e6, "grams")])
def test_a_net_mass_in_kilograms_is_refused(shop, mass, hint):
    """A net mass of 1.0 g is refused as a probable kilogram, in either form of a delivery."""
    body = {
        "supplier_id": shop.supplier()["id"],
        "grade_id": shop.grade()["id"],
        "supplier_lot": "Q-71",
        "received_at": RECEIVED,
    }
    counted = shop.call("receiving", "POST", "/deliveries", {**body, "spool_count": 3, "net_mass_g": mass})
    assert hint in hints(refused(counted, 422, "invalid", ["/net_mass_g"]))
    spools = [{"net_mass_g": 1000}, {"net_mass_g": mass}]
    listed = shop.call("receiving", "POST", "/deliveries", {**body, "spools": spools})
    assert hint in hints(refused(listed, 422, "invalid", ["/spools/1/net_mass_g"]))
    assert [] == shop.get("receiving", "/lots")["items"]


@pytest.mark.parametrize("kind", PATHS)
def test_a_reading_from_the_future_is_refused(shop, spool, kind):
    """A reading from the future is refused with a hint on its offset."""
    bodies = {
        "diameter": {"d1_mm": 1.75, "d2_mm": 1.75},
        "color": {"lab": WHITE, "conditions": CONDITIONS},
        "shrinkage": {"designed_mm": 100, "measured_mm": 99.7, **SHRINK},
        "bond": {"stress_mpa": 22},
        "surface": {"specks": 1, "area_dm2": 2},
        "moisture": {"moisture_percent": 0.02},
        "gloss": {"geometry_deg": 60, "gloss_gu": 40},
        "stringing": {"hairs": 1, "gaps": 20},
        "opacity": {"over_black": WHITE, "over_white": WHITE},
    }
    body = {"spool_code": spool, **bodies[kind], "measured_at": "2199-01-01T00:00:00Z"}
    assert "offset" in slip(shop, kind, body, ["/measured_at"])


def test_a_delivery_or_a_check_from_the_future_is_refused(shop):
    """A delivery or a check from the future is refused."""
    supplier, grade = shop.supplier(), shop.grade()
    body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": "Q", "spool_count": 1}
    later = {**body, "net_mass_g": 1000, "received_at": "2199-01-01T00:00:00Z"}
    refused(shop.call("receiving", "POST", "/deliveries", later), 422, "invalid", ["/received_at"])
    tool = shop.post("quality", "/instruments", {"code": "M", "kind": "micrometer", "check_interval_days": 30})
    check = {"checked_at": "2199-01-01T00:00:00Z", "result": "pass"}
    answer = shop.call("quality", "POST", f"/instruments/{tool['id']}/checks", check)
    refused(answer, 422, "invalid", ["/checked_at"])


@pytest.mark.parametrize(
    ("lab", "slip"),
    [
        ([95.0, 3.0, -0.8], "a* and b* may be swapped"),
        ([95.0, 0.8, 3.0], "a* may have lost its minus sign"),
        ([95.0, -0.8, -3.0], "b* may have gained a minus sign"),
        ([95.0, 0.8, -3.0], "a* and b* may both have the wrong sign"),
    ],
)
def test_swapped_and_sign_lost_coordinates_are_stored_with_a_warning(shop, lab, slip):
    """A colour that agrees with its lot after undoing an exchange or a sign is stored with a warning."""
    white = [95.0, -0.8, 3.0]
    shade = shop.shade("W", lab=white)
    spool = shop.receive(shop.supplier(), shop.grade(shade_id=shade["id"]))["spools"][0]["code"]
    assert [] == shop.color(spool, white)["warnings"]
    stored = shop.color(spool, lab)
    assert [slip in warning["detail"] for warning in stored["warnings"]] == [True]
    assert "lab" == stored["warnings"][0]["field"]
    assert "void it" in stored["warnings"][0]["hint"]
    assert lab == stored["lab"]


def test_a_slip_within_one_list_is_warned_of(shop, spool):
    """Readings of one list are compared with each other: only the deviating one has a warning, and waits."""
    body = [
        {"spool_code": spool, "lab": lab, "conditions": CONDITIONS} for lab in ([95, -3, 1], [95, -3, 1.1], [95, 3, 1])
    ]
    stored = shop.measure("color", body)
    assert [[], [], [None, False]] == [[one.get("helps") for one in item["warnings"]] for item in stored["items"]]
    assert "a* may have lost its minus sign" in stored["items"][2]["warnings"][0]["detail"]
    assert stored["items"][2]["to_confirm"]


def test_lightness_above_100_is_believed_only_with_uv(shop):
    """A lightness above 100 is accepted only for readings with ultraviolet."""
    shade = shop.shade("W", conditions={**CONDITIONS, "uv": "included"}, lab=[99, 0, 0])
    spool = shop.receive(shop.supplier(), shop.grade(shade_id=shade["id"]))["spools"][0]["code"]
    body = {"spool_code": spool, "lab": [101, 0, 0]}
    cut = {**body, "conditions": CONDITIONS}
    assert "UV included" in slip(shop, "color", cut, ["/conditions/uv", "/lab"])
    unsaid = {**body, "conditions": {name: said for name, said in CONDITIONS.items() if name != "uv"}}
    slip(shop, "color", unsaid, ["/conditions/uv", "/lab"])
    shop.measure("color", {**body, "conditions": {**CONDITIONS, "uv": "included"}})


@pytest.mark.parametrize("observer", [5, 0, "10", 2.5, 1, 11])
def test_an_observer_that_is_none_is_refused(shop, spool, observer):
    """Observers other than 2 and 10 degrees are refused (CIE)."""
    body = {"spool_code": spool, "lab": WHITE, "conditions": {**CONDITIONS, "observer_deg": observer}}
    answer = shop.call("quality", "POST", "/color-readings", body)
    said = refused(answer, 422, "invalid")
    assert all(error["pointer"].startswith("/conditions") for error in said["errors"])


@pytest.mark.parametrize(
    ("condition", "value"), [("illuminant", "A"), ("observer_deg", 2), ("geometry", "45/0"), ("specular", "excluded")]
)
def test_a_colour_under_other_conditions_is_refused_with_the_ones_asked_for(shop, spool, condition, value):
    """A colour under other conditions is refused with the required ones, and the way to store it as screening."""
    body = {"spool_code": spool, "lab": WHITE, "conditions": {**CONDITIONS, condition: value}}
    hint = slip(shop, "color", body, [f"/conditions/{condition}"])
    assert str(CONDITIONS[condition]) in hint
    assert "store the reading for information only" in hint
    shop.measure("color", {**body, "screening": True})


@pytest.mark.parametrize("lab", [[950, 0, 0], [-1, 0, 0], [50, 151, 0], [50, 0, -151], [255, 255, 255]])
def test_numbers_that_are_no_colour_are_refused(shop, spool, lab):
    """RGB, a missing point and impossible values are refused, in a reading, a reference and a comparison."""
    body = {"spool_code": spool, "lab": lab, "conditions": CONDITIONS}
    assert "not RGB" in slip(shop, "color", body, ["/lab"])
    approval = {"readings": [WHITE, lab], "conditions": CONDITIONS, "approved_by": "Wilhelmina"}
    refused(shop.call("quality", "POST", "/shades/1/revisions", approval), 422, "invalid", ["/readings/1"])
    pairs = {"pairs": [{"reference": WHITE, "sample": WHITE}, {"reference": WHITE, "sample": lab}]}
    refused(shop.call("quality", "POST", "/color-differences", pairs), 422, "invalid", ["/pairs/1/sample"])


@pytest.mark.parametrize(("nominal", "hint"), [(0.069, "looks like inches"), (175, "1.75 and 2.85"), (0, "1.75")])
def test_a_nominal_diameter_in_another_unit_is_refused(shop, nominal, hint):
    """A nominal diameter of 0.069 mm is refused as inches."""
    body = {"code": "G", "polymer": "PLA", "color_name": "W", "nominal_diameter_mm": nominal, "density_g_cm3": 1.24}
    said = refused(shop.call("quality", "POST", "/grades", body), 422, "invalid", ["/nominal_diameter_mm"])
    assert hint in hints(said)


def test_a_list_is_told_everything_at_once(shop, spool):
    """All errors of a list, of form and plausibility, are reported at their place, and nothing is stored."""
    one = {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED}
    body = [one, {**one, "d2_mm": "1,751"}, {**one, "d1_mm": 0.0689, "d2_mm": 0.0689}, {**one, "spool_code": "X-9"}, 7]
    refused = shop.post("quality", "/diameter-readings", body, 422)
    told = {fault["pointer"] for fault in refused["errors"]}
    assert {"/1/d2_mm", "/2/d1_mm", "/2/d2_mm", "/3/spool_code", "/4"} == told
    assert [] == shop.get("quality", "/lots/1/readings")["items"]
