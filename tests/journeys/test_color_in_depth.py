"""Spectra, brightened whites and metameric pairs, from the plaque to the verdict.

Source: tests/reference/spectral_reference.json for colours and metamerism of spectra; limits are invented.
"""

import pytest

from tests.domain.builders import reference_json
from tests.shop import CONDITIONS, WHITE
from tests.store.rows import counts
from tests.tolerances import TABULATED_WEIGHTS_IN_LAB

REFERENCE = reference_json("spectral_reference.json")
PAIR, APART = REFERENCE["metamerism"]
# A spectrum has no light of its own, so neither have its conditions.
BARE = {name: said for name, said in CONDITIONS.items() if name not in ("illuminant", "observer_deg")}
ONE = {"sampling": {"fixed": 1}}
MATCH = {**ONE, "color": {"lot_max": 1.0, "metamerism_max": 0.5}}
GRAY = [0.5] * 31


def spectrum(values, start_nm=400, step_nm=10):
    """A spectrum as sent."""
    return {"start_nm": start_nm, "step_nm": step_nm, "values": values}


def curve(pair, name):
    """One curve of a pair of the reference file."""
    return spectrum(pair[name], 380)


def shade_of(shop, conditions=CONDITIONS, status=201, **color):
    """A shade approved by a spectrum or by L*, a*, b*, with the answer."""
    shade = shop.post("quality", "/shades", {"code": f"SH-{len(color)}", "name": "Shade"})
    body = {**color, "conditions": conditions, "approved_by": "Wilhelmina"}
    return shade["id"], shop.post("quality", f"/shades/{shade['id']}/revisions", body, status)


def lot_of(shop, limits, shade_id, spools=1, **grade):
    """A lot waiting for measurement: its number and its spools' codes."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits, shade_id=shade_id, **grade), spools=spools)
    return got["lot_id"], [spool["code"] for spool in got["spools"]]


def read(shop, spool, sent, status=201, conditions=BARE, **more):
    """One spectrum measured on a plaque of a spool."""
    return shop.measure("color", {"spool_code": spool, "spectrum": sent, "conditions": conditions, **more}, status)


def pointers(refused):
    """The pointers of a refusal."""
    return [fault["pointer"] for fault in refused["errors"]]


def found(shop, lot_id):
    """Findings of a lot by their codes."""
    return {finding["code"]: finding for finding in shop.assessment(lot_id)["findings"]}


@pytest.mark.parametrize("case", REFERENCE["curves"][:3], ids=lambda case: case["name"])
def test_a_spectrum_gets_its_colour_under_the_references_light_and_is_kept(shop, case):
    """A spectrum's Lab is that of the reference file for the reference's conditions, and GET returns the spectrum unchanged."""
    expected = next(one["Lab"] for one in case["results"] if (one["illuminant"], one["observer"]) == ("D50", "2"))
    conditions = {**CONDITIONS, "illuminant": "D50", "observer_deg": 2}
    shade, revision = shade_of(shop, conditions, lab=WHITE)
    assert revision["spectrum"] is None
    lot_id, (spool,) = lot_of(shop, {**ONE, "color": {"lot_max": 1.0}}, shade)
    sent = spectrum(case["reflectance"], 380)
    answer = read(shop, spool, sent)
    assert expected == pytest.approx(answer["lab"], abs=TABULATED_WEIGHTS_IN_LAB)
    (kept,) = shop.get("quality", f"/lots/{lot_id}/readings")["items"]
    assert (sent, conditions, answer["lab"]) == (kept["spectrum"], kept["conditions"], kept["lab"])


def test_a_reference_is_approved_by_its_spectrum(shop):
    """A reference by spectrum has its colour under its own conditions, and the revision lists both."""
    case = REFERENCE["curves"][0]
    sent = spectrum(case["reflectance"], 380)
    shade, revision = shade_of(shop, spectrum=sent)
    expected = next(one["Lab"] for one in case["results"] if (one["illuminant"], one["observer"]) == ("D65", "10"))
    assert expected == pytest.approx(revision["lab"], abs=TABULATED_WEIGHTS_IN_LAB)
    assert [sent] == [one["spectrum"] for one in shop.get("quality", f"/shades/{shade}/revisions")["items"]]


def test_a_pair_that_matches_in_daylight_and_parts_under_an_led_is_blocked(shop):
    """A pair without a difference under D65 is blocked by its index under the worse of A and LED-B3, as in the reference file."""
    shade, _ = shade_of(shop, spectrum=curve(PAIR, "curve_1"))
    lot_id, (spool,) = lot_of(shop, MATCH, shade)
    after = read(shop, spool, curve(PAIR, "curve_2"))["lot"]
    assert "blocked" == after["standing"]
    by_code = found(shop, lot_id)
    assert "pass" == by_code["color.lot_delta_e"]["verdict"]
    assert PAIR["reference"]["dE00"] == pytest.approx(
        by_code["color.lot_delta_e"]["value"], abs=TABULATED_WEIGHTS_IN_LAB
    )
    index = {one["illuminant"]: one["MI_dE00_corrected"] for one in PAIR["test"]}
    worst = max(("A", "LED-B3"), key=index.__getitem__)
    finding = by_code["color.metamerism"]
    assert ("fail", 1) == (finding["verdict"], finding["n"])
    assert index[worst] == pytest.approx(finding["value"], abs=TABULATED_WEIGHTS_IN_LAB)
    assert f"Under {worst}, corrected for a match under D65" in finding["message"]
    assert shop.ask_clearance(spool)["clear"] is False


@pytest.mark.parametrize(("by", "verdict"), [(0.0, "pass"), (1e-6, "pass"), (-1e-6, "fail")])
def test_metamerism_at_just_inside_and_just_outside_its_limit(shop, by, verdict):
    """A metamerism exactly at its limit passes."""
    shade, _ = shade_of(shop, spectrum=curve(APART, "curve_1"))
    wide = {**ONE, "color": {"lot_max": 10, "metamerism_max": 50}}
    lot_id, (spool,) = lot_of(shop, wide, shade)
    read(shop, spool, curve(APART, "curve_2"))
    value = found(shop, lot_id)["color.metamerism"]["value"]
    grade = shop.lot(lot_id)["grade_id"]
    shop.limit(grade, {**ONE, "color": {"lot_max": 10, "metamerism_max": value + by}})
    findings = shop.assessment(lot_id, "?limits_revision=2")["findings"]
    assert [verdict] == [one["verdict"] for one in findings if one["code"] == "color.metamerism"]


def test_metamerism_is_judged_on_the_worst_spool(shop):
    """Two spools on opposite sides of the reference average to it, but the worse one rejects the lot."""
    shade, _ = shade_of(shop, spectrum=spectrum(GRAY))
    lot_id, codes = lot_of(shop, {"sampling": {"fixed": 2}, "color": {"lot_max": 1.0, "metamerism_max": 0.5}}, shade, 2)
    ripple = [0.06 if place % 6 < 3 else -0.06 for place in range(31)]
    for code, sign in zip(codes, (1, -1), strict=True):
        for step in (1, 0.5, 0):
            read(shop, code, spectrum([0.5 + sign * (0.04 + step * 0.02) * wave / 0.06 for wave in ripple]))
    finding = found(shop, lot_id)["color.metamerism"]
    assert ("fail", 2) == (finding["verdict"], finding["n"])
    assert finding["subject"] in [f"worst, spool {code}" for code in codes]
    assert "The mean of 2 spools is" in finding["detail"]


def test_a_brightened_white_states_its_uv_and_is_compared_with_its_like_only(shop):
    """Reference and readings of a brightened grade must state UV, and readings without UV are not compared."""
    with_uv = spectrum([0.55, 0.8, 0.98, 1.04, 1.03, 0.99, 0.95, *[0.92] * 24])
    without = spectrum([0.55, 0.7, 0.82, 0.87, 0.89, 0.9, 0.91, *[0.92] * 24])
    mute = {name: said for name, said in CONDITIONS.items() if name != "uv"}
    included = {**CONDITIONS, "uv": "included"}
    shade = shop.post("quality", "/shades", {"code": "BW", "name": "Bright White"})["id"]
    limits = {**ONE, "color": {"lot_max": 1.0, "whiteness_min": 90, "tint": [-3, 1.5], "yellowness_max": 0}}
    lot_id, (spool,) = lot_of(shop, limits, shade, brightened=True)
    body = {"spectrum": with_uv, "conditions": mute, "approved_by": "Wilhelmina"}
    refused = shop.post("quality", f"/shades/{shade}/revisions", body, 422)
    assert ["/conditions/uv"] == pointers(refused)
    assert "State whether UV was included" in refused["errors"][0]["hint"]
    shop.post("quality", f"/shades/{shade}/revisions", {**body, "conditions": included})

    before = counts()
    bare = {name: said for name, said in BARE.items() if name != "uv"}
    assert ["/conditions/uv"] == pointers(read(shop, spool, with_uv, 422, bare))
    assert ["/conditions/uv"] == pointers(read(shop, spool, with_uv, 422, bare, screening=True))
    assert ["/conditions/uv"] == pointers(read(shop, spool, without, 422, {**BARE, "uv": "excluded"}))
    assert before == counts()
    assert "released" == read(shop, spool, with_uv, conditions={**BARE, "uv": "included"})["lot"]["standing"]
    by_code = found(shop, lot_id)
    assert by_code["color.whiteness"]["value"] > 100 > 0 > by_code["color.yellowness"]["value"]
    # Kept for looking at, the same plaque without UV is far off in blue, as any brightened white is (ISO 11475).
    trial = read(shop, spool, without, conditions={**BARE, "uv": "excluded"}, screening=True)
    assert trial["lab"][2] > shop.lot(lot_id)["lab"][2] + 4


def test_a_grade_is_not_brightened_on_a_reference_that_hides_its_uv(shop):
    """A grade becomes brightened only with a revision that states UV."""
    mute = {name: said for name, said in CONDITIONS.items() if name != "uv"}
    shade, _ = shade_of(shop, mute, lab=WHITE)
    grade = shop.grade(shade_id=shade)
    body = {"brightened": True}
    answer = shop.call("quality", "PATCH", f"/grades/{grade['id']}", body, If_Match="*")
    assert (422, ["/brightened"]) == (answer.status_code, pointers(answer.get_json()))
    shop.approve(shade, WHITE)
    assert 200 == shop.call("quality", "PATCH", f"/grades/{grade['id']}", body, If_Match="*").status_code
    assert shop.get("quality", f"/grades/{grade['id']}")["brightened"] is True


@pytest.mark.parametrize(
    ("sent", "pointer", "says"),
    [
        (spectrum(GRAY, 410), "/spectrum/start_nm", ""),
        (spectrum(GRAY, 395), "/spectrum/start_nm", "multiple of 10"),
        (spectrum(GRAY, 400, 15), "/spectrum/step_nm", "must be 10 or 20 nm"),
        (spectrum(GRAY[:30]), "/spectrum/values", "end at 690 nm"),
        (spectrum([*GRAY[:5], 2.6, *GRAY[6:]]), "/spectrum/values/5", "450 nm"),
        (spectrum([*GRAY[:5], -0.01, *GRAY[6:]]), "/spectrum/values/5", "450 nm"),
        (spectrum([50.0] * 31), "/spectrum/values/0", "percent"),
        (spectrum([2.0] * 31), "/spectrum", "L*"),
        (spectrum([1.05] * 31), "/spectrum", "above 100"),
        (spectrum(["0.5", *GRAY[1:]]), "/spectrum/values/0", "without quotes"),
        ({"start_nm": 400, "step_nm": 10}, "/spectrum/values", "required"),
        ({**spectrum(GRAY), "unit": "percent"}, "/spectrum/unit", "Unknown field"),
        (None, "/spectrum", "not null"),
    ],
    ids=["late", "odd", "step", "short", "high", "low", "percent", "glaring", "bright", "text", "none", "more", "null"],
)
def test_what_is_no_spectrum_is_refused_at_its_place_and_nothing_is_stored(shop, sent, pointer, says):
    """An invalid spectrum is refused at its place, for a reading and a reference, and nothing is stored."""
    shade, _ = shade_of(shop, lab=WHITE)
    _, (spool,) = lot_of(shop, MATCH, shade)
    before = counts()
    reference = {"spectrum": sent, "conditions": CONDITIONS, "approved_by": "Wilhelmina"}
    for refused in (
        read(shop, spool, sent, 422),
        shop.post("quality", f"/shades/{shade}/revisions", reference, 422),
    ):
        faults = {fault["pointer"]: f"{fault['detail']} {fault.get('hint', '')}" for fault in refused["errors"]}
        assert pointer in faults
        assert says in faults[pointer]
    listed = [{"spool_code": spool, "spectrum": one, "conditions": BARE} for one in (spectrum(GRAY), sent)]
    assert f"/1{pointer}" in pointers(shop.measure("color", listed, 422))
    assert before == counts()


@pytest.mark.parametrize(
    ("body", "wrong"),
    [
        ({"conditions": CONDITIONS}, ["/lab"]),
        ({"lab": WHITE, "spectrum": spectrum(GRAY), "conditions": BARE}, ["/spectrum"]),
        ({"lab": WHITE, "conditions": BARE}, ["/conditions/illuminant", "/conditions/observer_deg"]),
        (
            {"spectrum": spectrum(GRAY), "conditions": CONDITIONS},
            ["/conditions/illuminant", "/conditions/observer_deg"],
        ),
    ],
    ids=["neither", "both", "lab-without-light", "spectrum-with-light"],
)
def test_a_colour_is_given_once_with_the_light_that_belongs_to_it(shop, body, wrong):
    """L*, a*, b* need an illuminant and an observer, and a spectrum has neither."""
    shade, _ = shade_of(shop, lab=WHITE)
    _, (spool,) = lot_of(shop, MATCH, shade)
    assert wrong == pointers(shop.measure("color", {"spool_code": spool, **body}, 422))


def test_a_reference_is_given_once(shop):
    """A reference has exactly one of Lab, readings and spectrum."""
    body = {"lab": WHITE, "spectrum": spectrum(GRAY)}
    assert ["/lab"] == pointers(shade_of(shop, status=422, **body)[1])


def test_metamerism_without_spectra_is_missing_and_says_what_to_do(shop):
    """Metamerism is missing without a spectrum of the reading or the reference, and the lot stays open with the task."""
    shade, _ = shade_of(shop, spectrum=spectrum(GRAY))
    lot_id, (spool,) = lot_of(shop, MATCH, shade)
    gray = read(shop, spool, spectrum(GRAY), screening=True)["lab"]
    after = shop.color(spool, gray)["lot"]
    assert "quarantined" == after["standing"]
    assert [f"take 1 more spectral colour reading on spool {spool}"] == after["to_measure"]
    assert "missing" == found(shop, lot_id)["color.metamerism"]["verdict"]
    assert "released" == read(shop, spool, spectrum(GRAY))["lot"]["standing"]

    shop.approve(shade, gray)
    said = shop.post("quality", f"/lots/{lot_id}/reassess")
    assert "quarantined" == said["standing"]
    assert ["ask quality to approve a shade revision with a spectrum"] == said["to_measure"]


@pytest.mark.parametrize(
    ("lab", "light", "says"),
    [
        (WHITE, ("D50", 2), "is not defined for D50/2"),
        ([60.0, 0.0, 0.0], ("D65", 10), "the formula does not apply: whiteness 28.12 is not above 40"),
        ([95.0, 4.0, 1.5], ("D65", 10), "the formula does not apply"),
    ],
    ids=["light", "gray", "pink"],
)
def test_whiteness_where_it_means_nothing_is_missing_and_never_passes(shop, lab, light, says):
    """Y of L* 60 is 28.12 (ISO/CIE 11664-4), a grey's whiteness; CIE 15 defines it from 40 on, for C and D65, so it is missing."""
    conditions = {**CONDITIONS, "illuminant": light[0], "observer_deg": light[1]}
    shade, _ = shade_of(shop, conditions, lab=lab)
    lot_id, (spool,) = lot_of(shop, {**ONE, "color": {"lot_max": 1.0, "whiteness_min": 0, "tint": [-10, 10]}}, shade)
    after = shop.measure("color", {"spool_code": spool, "lab": lab, "conditions": conditions})["lot"]
    assert "quarantined" == after["standing"]
    by_code = found(shop, lot_id)
    assert "pass" == by_code["color.lot_delta_e"]["verdict"]
    for code in ("color.whiteness", "color.tint"):
        assert "missing" == by_code[code]["verdict"]
        assert says in by_code[code]["to_measure"]


@pytest.mark.parametrize(
    ("limit", "value"),
    [("whiteness_min", 80.8), ("yellowness_max", 2.26)],
)
def test_figures_of_a_white_at_and_just_beyond_their_limits(shop, limit, value):
    """Whiteness 80.8 and yellowness 2.26 of the white are those of CIE 15 and ASTM E313 by formula; the ends pass."""
    shade, _ = shade_of(shop, lab=WHITE)
    lot_id, (spool,) = lot_of(shop, {**ONE, "color": {"lot_max": 1.0, limit: value}}, shade)
    shop.color(spool, WHITE)
    code = f"color.{limit.partition('_')[0]}"
    exact = found(shop, lot_id)[code]["value"]
    assert value == pytest.approx(exact, abs=0.05)
    grade, stricter = shop.lot(lot_id)["grade_id"], 1e-6 if limit.endswith("min") else -1e-6
    for revision, (end, verdict) in enumerate(((exact, "pass"), (exact + stricter, "fail")), start=2):
        shop.limit(grade, {**ONE, "color": {"lot_max": 1.0, limit: end}})
        said = shop.assessment(lot_id, f"?limits_revision={revision}")["findings"]
        assert [verdict] == [one["verdict"] for one in said if one["code"] == code]


def test_under_the_guarded_rule_a_figure_needs_an_uncertainty_and_a_distance(shop):
    """Under the guarded rule a figure is missing without an instrument or a second reading, and near inside its guard band."""
    shade, _ = shade_of(shop, spectrum=spectrum(GRAY))
    color = {"lot_max": 5.0, "metamerism_max": 0.3, "yellowness_max": 0.1}
    lot_id, (spool,) = lot_of(shop, {**ONE, "decision_rule": "guarded", "color": color}, shade)
    read(shop, spool, spectrum(GRAY))
    by_code = found(shop, lot_id)
    assert ["missing"] * 2 == [by_code[code]["verdict"] for code in ("color.metamerism", "color.yellowness")]
    meter = {"code": "SPEC-1", "kind": "spectrophotometer", "standard_uncertainty": 0.15, "check_interval_days": 900}
    number = shop.post("quality", "/instruments", meter)["id"]
    shop.void(shop.get("quality", f"/lots/{lot_id}/readings")["items"][0]["id"])
    read(shop, spool, spectrum(GRAY), instrument_id=number)
    by_code = found(shop, lot_id)
    for code in ("color.metamerism", "color.yellowness"):
        assert "near" == by_code[code]["verdict"]
        assert by_code[code]["guard_band"] > by_code[code]["margin"] > 0
        assert 0.5 < by_code[code]["conformance_probability"] < 1


def test_a_spectrum_follows_its_lot_to_a_reference_under_another_light(shop):
    """Under a revision for illuminant A the same spectra have their colours under A by the reference file."""
    case = REFERENCE["curves"][0]
    expected = {(one["illuminant"], one["observer"]): one["Lab"] for one in case["results"]}
    shade, _ = shade_of(shop, lab=expected["D65", "10"])
    lot_id, (spool,) = lot_of(shop, {**ONE, "color": {"lot_max": 1.0}}, shade)
    read(shop, spool, spectrum(case["reflectance"], 380))
    shop.approve(shade, expected["A", "10"], {**CONDITIONS, "illuminant": "A"})
    said = shop.post("quality", f"/lots/{lot_id}/reassess")
    assert ("released", []) == (said["standing"], said["notes"])
    assert expected["A", "10"] == pytest.approx(shop.lot(lot_id)["lab"], abs=TABULATED_WEIGHTS_IN_LAB)


def test_one_spectrum_is_one_thing_to_do(shop):
    """Colour and metamerism need the same spectra, which are requested once, with the larger number."""
    shade, _ = shade_of(shop, spectrum=spectrum(GRAY))
    limits = {**ONE, "color": {"lot_max": 1.0, "metamerism_max": 0.5, "readings_per_spool_min": 2}}
    lot_id, (spool,) = lot_of(shop, limits, shade)
    assert [f"measure spectral colour on 1 spool ({spool}), 2 readings"] == shop.lot(lot_id)["to_measure"]
    gray = read(shop, spool, spectrum(GRAY), screening=True)["lab"]
    assert [f"take 2 more spectral colour readings on spool {spool}"] == shop.color(spool, gray)["lot"]["to_measure"]
    assert [f"take 1 more spectral colour reading on spool {spool}"] == read(shop, spool, spectrum(GRAY))["lot"][
        "to_measure"
    ]
    assert "released" == read(shop, spool, spectrum(GRAY))["lot"]["standing"]
