"""Pictures over HTTP: sent on request, from the same figures as the JSON answer."""

import pytest

from lots.api.http import roles
from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.color_values import Lab
from tests.api.pictures.seen import SVG, picture
from tests.api.refusals import refused
from tests.api.test_queries import asked
from tests.journeys.supply import COLOR, DIAMETER, judged, whites
from tests.shop import FULL_LIMITS, SIMPLE_LIMITS
from tests.tolerances import COORDINATES, LEAST_SQUARES, ON_THE_LIMIT, SAME_SUM

# What may be seen of a lot.
PATHS = ("color-map", "diameter-profile", "shrinkage-picture", "bond-picture")


@pytest.fixture
def engine():
    """SQLite alone: a picture uses an answer that other tests check on both engines."""
    return "sqlite"


def path_of(shop, **query):
    """The comparison of suppliers, one of them with lots."""
    return "/supplier-comparison?" + "&".join(f"{name}={value}" for name, value in query.items())


def test_suppliers_compared_are_drawn_from_the_same_figures(shop):
    """The picture has the count of the JSON answer, and few lots are named."""
    grade, (old, new) = shop.grade(limits=DIAMETER), (shop.supplier("QWT"), shop.supplier("NBK"))
    judged(old, grade, "AAAAAR")
    judged(new, grade, "AA", prefix="N")
    seen = picture(shop, "purchasing", path_of(shop, grade_id=grade["id"]))
    assert {"5 of 6", "2 of 2", "too few lots", "Supplier QWT"} <= set(seen.words)
    assert "Suppliers compared: PLA-HW-175, at least one use" == seen.title


def test_bias_and_scatter_of_one_grade_are_drawn(shop):
    """Three lots 0.3 yellower than the reference have that bias."""
    grade, supplier = shop.grade(limits=COLOR), shop.supplier()
    whites(supplier, grade, [0.3, 0.3, 0.3])
    assert "bias +0.30" in picture(shop, "purchasing", path_of(shop, grade_id=grade["id"])).said
    assert "bias +0.30" not in picture(shop, "purchasing", path_of(shop)).said


def test_nothing_received_is_said_in_words(shop):
    """A grade without lots has a picture with a text."""
    assert (
        "No lots of PLA-HW-175 yet. Log a delivery first."
        in picture(shop, "purchasing", f"/supplier-comparison?grade_id={shop.grade()['id']}").said
    )


@pytest.mark.parametrize("accept", ["application/json", "*/*", "text/html", f"application/json, {SVG};q=0.5"])
def test_whoever_does_not_ask_for_a_picture_gets_figures(shop, accept):
    """A path answers JSON unless a picture is preferred."""
    headers = {"Authorization": f"Bearer {shop.tokens['purchasing']}", "Accept": accept}
    answer = shop.client.get("/v1/supplier-comparison", headers=headers)
    assert ("application/json", "Accept") == (answer.mimetype, answer.headers["Vary"])


def measured(shop, limits, colors, lot='<b>&"x"', **more):
    """The number of a lot with one colour reading of each of its spools."""
    grade = shop.grade(limits=limits, **more)
    came = shop.receive(shop.supplier(), grade, lot, spools=len(colors))
    for spool, lab in zip(came["spools"], colors, strict=True):
        shop.color(spool["code"], lab)
    return came["lot_id"]


def test_a_lot_is_mapped_about_its_reference(shop):
    """With spools 0.4 and 0.8 yellower the lot is 0.6 yellower, in figures and words (by hand)."""
    number = measured(shop, SIMPLE_LIMITS, [[95.0, -0.8, 1.9], [95.0, -0.8, 2.3]])
    found = shop.get("purchasing", f"/lots/{number}/color-map")
    assert [0.4, 0.6, 0.8] == pytest.approx(
        [found["spools"][0]["db"], found["lot"]["db"], found["spools"][1]["db"]], abs=COORDINATES
    )
    assert (2, 2, "yellower") == (found["lot"]["spools"], found["lot"]["readings"], found["lot"]["direction"])
    assert [180, 180] == [len(found["outline"]), len(found["outline_at_lot"])]
    assert "Within the limit of 1." in found["says"]
    assert found["lot"]["delta_e"] == pytest.approx(
        delta_e(Lab(*found["reference"]["lab"]), Lab(*found["lot"]["lab"])), abs=COORDINATES
    )


@pytest.mark.parametrize("formula", ["CIE76", "CIE94", "CMC", "CIEDE2000"])
def test_the_outline_is_that_of_the_grades_own_formula(shop, formula):
    """Each point of both outlines is at the limit in the formula of the grade's limits."""
    limits = {**SIMPLE_LIMITS, "color": {"formula": formula, "lot_max": 0.9}}
    number = measured(shop, limits, [[94.8, -0.8, 1.5]])
    found = shop.get("quality", f"/lots/{number}/color-map")
    reference = Lab(*found["reference"]["lab"])
    for ring, dL in ((found["outline"], 0.0), (found["outline_at_lot"], found["lot"]["dL"])):
        assert 180 == len(ring)
        for da, db in ring:
            sample = Lab(reference.L + dL, reference.a + da, reference.b + db)
            assert pytest.approx(0.9, abs=ON_THE_LIMIT) == delta_e(reference, sample, formula)


@pytest.mark.parametrize("role", roles.ALL)
def test_every_desk_may_see_the_map(shop, role):
    """Every role can see the picture, with the lot number as text."""
    number = measured(shop, SIMPLE_LIMITS, [[95.0, -0.8, 1.9]])
    seen = picture(shop, role, f"/lots/{number}/color-map")
    assert 'Colour of lot <b>&"x" against its reference' == seen.title
    assert "Do not judge colour on a screen" in seen.said


def test_only_readings_that_count_are_mapped(shop):
    """Screening and voided readings are omitted; readings under other conditions are omitted with a note."""
    number = measured(shop, SIMPLE_LIMITS, [[95.0, -0.8, 1.9]])
    code = shop.get("quality", f"/lots/{number}")["spools"][0]["code"]
    shop.color(code, [95.0, -0.8, 9.9], screening=True)
    shop.void(shop.color(code, [95.0, -0.8, 9.9])["id"])
    found = shop.get("quality", f"/lots/{number}/color-map")
    assert (1, pytest.approx(0.4, abs=COORDINATES)) == (found["lot"]["readings"], found["lot"]["db"])


def test_a_lot_that_nobody_measured_says_so(shop):
    """For an unmeasured lot only reference and limit are drawn."""
    lot = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))["lot_id"]
    found = shop.get("receiving", f"/lots/{lot}/color-map")
    assert (None, [], 180) == (found["lot"], found["spools"], len(found["outline"]))
    assert "has no valid colour reading" in picture(shop, "receiving", f"/lots/{lot}/color-map").said


def test_a_grade_without_a_shade_has_no_map(shop):
    """For a grade without a shade there is a text."""
    lot = shop.receive(shop.supplier(), shop.grade(shade_id=None))["lot_id"]
    assert "no approved reference" in picture(shop, "quality", f"/lots/{lot}/color-map").said


def test_a_spool_past_its_own_limit_is_named(shop):
    """A spool over its own limit, in a lot within its limit, is named."""
    limits = {**SIMPLE_LIMITS, "color": {"lot_max": 2.0, "spool_max": 1.0}}
    number = measured(shop, limits, [[95.0, -0.8, 1.5], [95.0, -0.8, 3.5]])
    assert "outside the limit of 1 for one spool" in shop.get("quality", f"/lots/{number}/color-map")["says"]


@pytest.mark.parametrize("path", PATHS)
def test_a_lot_that_is_not_there_has_no_picture(shop, path):
    """An unknown lot is 404 with the remedy, in every form."""
    headers = {"Authorization": f"Bearer {shop.tokens['quality']}", "Accept": SVG}
    answer = shop.client.get(f"/v1/lots/77/{path}", headers=headers)
    assert "See the list of lots." in refused(answer, 404, "not-found")["detail"]


@pytest.mark.parametrize("path", PATHS)
def test_a_picture_takes_as_many_queries_for_many_readings_as_for_one(shop, path):
    """The figures of a picture need a fixed number of statements, the token's included."""
    supplier, grade = shop.supplier(), shop.grade(limits=FULL_LIMITS)
    spools = [spool["code"] for spool in shop.receive(supplier, grade, "A", spools=4)["spools"]]
    counts = []
    for _ in range(2):
        for spool in spools:
            shop.color(spool, [95.0, -0.8, 1.6])
            shop.diameter(spool)
            shop.measure("bond", {"spool_code": spool, "stress_mpa": 25.0, "control": False})
            coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}
            shop.measure("shrinkage", {"spool_code": spool, **coupon})
        counts.append(len(asked(shop, "quality", "GET", f"/lots/1/{path}")))
        shop.receive(supplier, grade, "B", spools=1)
    assert counts[0] == counts[1] <= 6


def test_diameters_are_told_along_the_spool(shop):
    """Positions come in order of length, whatever the order of reading, compared with the grade's limits."""
    spools = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))["spools"]
    for position, d1, d2 in ((9.0, 1.75, 1.75), (3.0, 1.81, 1.79), (6.0, 1.79, 1.73)):
        shop.diameter(spools[0]["code"], d1, d2, position_m=position)
    found = shop.get("production", "/lots/1/diameter-profile")
    (spool,) = found["spools"]
    assert [(3.0, True, False), (6.0, False, True), (9.0, False, False)] == [
        (point["position_m"], point["outside"], point["too_oval"]) for point in spool["points"]
    ]
    assert ([1.7, 1.8], None, 0.05, 2) == (
        found["reading_limit_mm"],
        found["mean_limit_mm"],
        found["ovality_max_mm"],
        spool["outside"],
    )
    assert "distance from the free end, m" in picture(shop, "production", "/lots/1/diameter-profile").words


def test_a_spool_with_one_place_unknown_is_told_in_the_order_of_reading(shop):
    """A spool with one unknown position is shown in the order of reading."""
    code = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))["spools"][0]["code"]
    shop.diameter(code, position_m=9.0)
    shop.diameter(code, 1.76, 1.76)
    (spool,) = shop.get("quality", "/lots/1/diameter-profile")["spools"]
    assert (False, [1.75, 1.76]) == (spool["positions_noted"], [point["d1_mm"] for point in spool["points"]])


def test_shrinkage_stands_beside_the_lots_before_it(shop):
    """Shrinkage is beside the supplier's earlier lots of the grade, in order, this one last and without later ones."""
    supplier, grade = shop.supplier(), shop.grade(limits=FULL_LIMITS)
    for number, length in enumerate((99.7, 99.6, 99.8), start=1):
        came = shop.receive(supplier, grade, f"Q-{number}", received_at=f"2026-11-{10 + number}T08:00:00Z")
        coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": length, "age_h": 24}
        shop.measure("shrinkage", {"spool_code": came["spools"][0]["code"], **coupon})
    along_x, along_y, _ = shop.get("purchasing", "/lots/2/shrinkage-picture")["axes"]
    assert [("Q-1", False), ("Q-2", True)] == [(lot["supplier_lot"], lot["this"]) for lot in along_x["lots"]]
    assert [0.3, 0.4] == pytest.approx([lot["percent"] for lot in along_x["lots"]], abs=LEAST_SQUARES)
    assert ([0.1, 0.5], []) == (along_x["limit_percent"], along_y["lots"])
    assert "Along X: 0.400 % from 1 spool" in picture(shop, "purchasing", "/lots/2/shrinkage-picture").words


def test_bond_shows_every_bar_and_the_floors(shop):
    """Specimens of the lot come first, then controls, with means and ratio as assessed."""
    code = shop.receive(shop.supplier(), shop.grade(limits=FULL_LIMITS))["spools"][0]["code"]
    for stress, control in ((30.0, True), (22.0, False), (20.0, False)):
        shop.measure("bond", {"spool_code": code, "stress_mpa": stress, "control": control})
    found = shop.get("quality", "/lots/1/bond-picture")
    assert [(22.0, False), (20.0, False), (30.0, True)] == [(b["stress_mpa"], b["control"]) for b in found["bars"]]
    assert (21.0, 20.0, 30.0, 20.0, 14.0) == tuple(
        found[name] for name in ("mean_mpa", "weakest_mpa", "control_mean_mpa", "mean_min_mpa", "single_min_mpa")
    )
    assert pytest.approx(0.7, abs=SAME_SUM) == found["control_ratio"]
    assert "control mean 30.0" in picture(shop, "quality", "/lots/1/bond-picture").words


@pytest.mark.parametrize("path", PATHS)
def test_every_picture_of_a_lot_without_readings_or_limits_says_so(shop, path):
    """Without readings or limits every picture has a text, the lot's number as text and no error."""
    lot = shop.receive(shop.supplier(), shop.grade(shade_id=None), '<b>&"x"')["lot_id"]
    seen = picture(shop, "quality", f"/lots/{lot}/{path}")
    assert '<b>&"x"' in seen.title
    assert any(word in seen.said for word in (" has no valid ", "no approved reference"))
    assert [] == seen.marks("circle")


def test_an_exposure_is_drawn_from_the_same_figures(shop):
    """An open load is in the picture as in the answer; the lot's number is text."""
    delivery = shop.good_lot(lot='<b>&"x"')
    shop.load(delivery["spools"][0]["code"], machine="P7", job="J-4")
    path = f"/lots/{delivery['lot_id']}/exposure"
    seen = picture(shop, "production", path)
    assert {"P7", "→ still loaded: J-4", "for cosmetic"} <= set(seen.words)
    assert shop.get("production", path)["says"] in seen.said
    assert 'Machines and jobs of lot <b>&"x"' == seen.title


def test_a_lot_that_was_never_loaded_is_said_to_be_so(shop):
    """A lot without loads has a picture without a bar."""
    delivery = shop.good_lot()
    assert "was ever loaded" in picture(shop, "quality", f"/lots/{delivery['lot_id']}/exposure").said


def test_which_lots_match_is_drawn(shop):
    """Two lots 0.4 apart match at 0.5 and not at 0.2, and without a limit the match is unknown."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    for name, b in (("<i>A</i>", 1.5), ("B", 1.9)):
        spool = shop.receive(supplier, grade, name, spools=1)["spools"][0]["code"]
        shop.diameter(spool)
        shop.color(spool, [95.0, -0.8, b])
    table = f"/match-table?grade_id={grade['id']}"
    assert "<i>A</i> matches B." in picture(shop, "production", f"{table}&max=0.5").words
    assert "<i>A</i> matches no other lot." in picture(shop, "production", f"{table}&max=0.2").words
    assert "A match with B is unknown." in picture(shop, "production", table).said


def test_the_findings_of_an_assessment_are_drawn_from_the_same_figures(shop):
    """Each finding of an assessment has a row, and the answer names the end of each limit."""
    lot = shop.receive(shop.supplier(), shop.grade(limits=FULL_LIMITS), spools=1)
    shop.diameter(lot["spools"][0]["code"], 1.85, 1.85)
    told = shop.assessment(lot["lot_id"])["findings"]
    seen = picture(shop, "production", f"/lots/{lot['lot_id']}/assessment")
    assert len(told) == sum(words.startswith(("✖", "≈", "?", "✔")) for words in seen.words)
    assert seen.description.startswith(f"{len(told)} findings: ")
    kinds = {finding["code"]: finding["limit_kind"] for finding in told}
    assert ("at least", "at most", "between") == tuple(
        kinds[code] for code in ("bond.mean", "color.lot_delta_e", "diameter.spool_mean")
    )


@pytest.mark.parametrize("measured_lots", [0, 3])
def test_drift_is_drawn_as_every_picture_is(shop, measured_lots):
    """The picture of drift follows the common rules, with and without lots."""
    grade, supplier = shop.grade(limits=COLOR), shop.supplier()
    whites(supplier, grade, [0.1] * measured_lots)
    path = f"/drift?supplier_id={supplier['id']}&grade_id={grade['id']}&characteristic=color.component_b"
    seen = picture(shop, "purchasing", path)
    assert ("lots" in seen.said) if measured_lots else ("No measured lots of this supplier" in seen.said)


def test_lots_of_one_moment_stand_in_the_order_they_were_recorded(shop):
    """Of two lots received at once the second has the first before it, in the order of recording."""
    supplier, grade = shop.supplier(), shop.grade(limits=FULL_LIMITS)
    for name in ("Q-1", "Q-2"):
        came = shop.receive(supplier, grade, name)
        coupon = {"axis": "z", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}
        shop.measure("shrinkage", {"spool_code": came["spools"][0]["code"], **coupon})
    for number, names in ((1, ["Q-1"]), (2, ["Q-1", "Q-2"])):
        along_z = shop.get("quality", f"/lots/{number}/shrinkage-picture")["axes"][2]
        assert names == [lot["supplier_lot"] for lot in along_z["lots"]]
