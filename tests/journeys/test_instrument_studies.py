"""Studies of instruments over HTTP: results, effects on verdicts, and series across a change of instrument.

Figures: AIAG, Measurement Systems Analysis, worked examples in the reference files; JCGM 106:2012, 8.3 for the guard band.
"""

import math
import re

import pytest

from lots.services.assessment import integrity_checks
from lots.store.upkeep.integrity import snapshot
from tests.api.test_queries import asked
from tests.domain.builders import reference_json
from tests.journeys.supply import COLOR, followed, whites
from tests.shop import MEASURED
from tests.store.rows import connected, counts
from tests.tolerances import (
    PRINTED_1,
    PRINTED_3,
    PRINTED_4,
    PRINTED_5,
    PRINTED_6,
    SAME_SUM,
    SUM_OF_ROUNDED_6,
)

Z = 1.645
GUARDED = {"decision_rule": "guarded", "instruments": "optional", "guard_z": Z, "sampling": {"fixed": 1}}
SINGLE = {**GUARDED, "diameter": {"reading_tolerance_mm": 0.05}}
STATED_U = 0.002
BEFORE, LATER, LATEST = "2026-11-20T10:00:00Z", "2026-11-20T12:00:00Z", "2026-11-20T13:00:00Z"
# b* of lots of a steady supplier.
STEADY = [0.02, -0.02, 0.03, -0.03, 0.01, -0.01, 0.02, -0.02, 0.01, -0.01, 0.03, -0.03]


def instrument(shop, code="MIC-1", u=None, kind="gauge"):
    """An instrument, with or without a stated standard uncertainty."""
    body = {"code": code, "kind": kind, "check_interval_days": 3650}
    return shop.post("quality", "/instruments", body if u is None else {**body, "standard_uncertainty": u})


def study(shop, on, kind, status=201, at=MEASURED, **more):
    """A study of an instrument."""
    body = {"kind": kind, "studied_at": at, **more}
    return shop.post("quality", f"/instruments/{on['id']}/studies", body, status)


def trials(readings):
    """Trials from readings by part, operator and repeat."""
    return [
        {"part": f"P{p}", "operator": f"O{o}", "value": value}
        for p, by_operator in enumerate(readings)
        for o, values in enumerate(by_operator)
        for value in values
    ]


def repeats_apart(d, base=1.75):
    """Two parts measured twice by two equal operators, always d below and d above.

    Four cells of sum of squares 2 d^2, and nothing else: pooled over 4 + 1 degrees of freedom, the gauge variance is 8 d^2 / 5.
    """
    return trials([[[part - d, part + d]] * 2 for part in (base, base + 0.02)])


def gauge_sd(d):
    """Standard deviation of the gauge in `repeats_apart`, by hand."""
    return math.sqrt(8 * d * d / 5)


def sound():
    """The findings of `lots check`."""
    with connected(), snapshot():
        return [flaw.line for flaw in integrity_checks.found()]


def test_the_published_gauge_study_gives_its_printed_figures(shop):
    """AIAG's ten parts, three appraisers, three trials have the printed analysis of variance, components, deviations and percentages."""
    aiag = reference_json("gauge_study.json")
    by_part = [[[trial[p] for trial in operator] for operator in aiag["readings"]] for p in range(10)]
    made = study(shop, instrument(shop), "repeatability", measure="color.db", trials=trials(by_part), tolerance_width=6)
    found, printed = made["repeatability"], aiag["printed"]
    assert (10, 3, 3, True) == tuple(found[name] for name in ("parts", "operators", "repeats", "pooled"))
    for row in found["anova"]:
        assert pytest.approx(printed["ss"][row["source"]], abs=PRINTED_4) == row["ss"]
        assert pytest.approx(printed["ms"][row["source"]], abs=PRINTED_5) == row["ms"]
        assert printed["df"][row["source"]] == row["df"]
    assert pytest.approx(printed["f_interaction"], abs=PRINTED_3) == found["f_interaction"]
    for name, variance in printed["variances"].items():
        assert pytest.approx(variance, abs=SUM_OF_ROUNDED_6) == found["variances"][name]
    for name, sd in printed["sd"].items():
        assert pytest.approx(sd, abs=SUM_OF_ROUNDED_6 if name == "gauge" else PRINTED_6) == found["sd"][name]
    assert pytest.approx(printed["percent_of_total"]["gauge"], abs=PRINTED_1) == found["percent_of_total"]
    assert pytest.approx(100 * 6 * 0.302373 / 6, abs=PRINTED_3) == found["percent_of_tolerance"]
    assert 4 == found["categories"]
    says = " ".join(made["says"])
    for words in (
        "standard deviation of one reading is 0.302",
        "27.9 % of the spread",
        "distinguishes 4 categories",
        "30.2 % of the tol",
    ):
        assert words in says
    again = shop.get("quality", f"/studies/{made['id']}")
    assert {**again, "lots": []} == made
    assert [again] == shop.get("quality", "/instruments/1/studies")["items"]


def test_the_published_linearity_study_gives_its_printed_figures(shop):
    """AIAG's five parts measured twelve times have the printed slope, intercept, residual standard deviation, t, R squared and biases, in words too."""
    aiag = reference_json("linearity.json")
    artefacts = [{"code": f"part {a['reference']}", **a} for a in aiag["artefacts"]]
    made = study(shop, instrument(shop), "linearity", measure="shrinkage", artefacts=artefacts)
    found, printed = made["linearity"], aiag["printed"]
    assert pytest.approx(printed["slope"], abs=PRINTED_6) == found["slope"]["value"]
    assert pytest.approx(printed["intercept"], abs=PRINTED_6) == found["intercept"]["value"]
    assert pytest.approx(printed["t_slope"], abs=PRINTED_3) == found["slope"]["t"]
    assert pytest.approx(printed["s"], abs=PRINTED_5) == found["residual_sd"]
    assert pytest.approx(printed["r_squared_percent"], abs=PRINTED_1) == 100 * found["r_squared"]
    assert pytest.approx(printed["biases"], abs=PRINTED_6) == [bias["value"] for bias in found["biases"]]
    says = " ".join(made["says"])
    assert "the bias changes from 2 to 10 mm" in says.lower()
    assert "The instrument is not linear." in says
    assert "never applied" in says
    assert [None, None, [a["code"] for a in artefacts]] == [
        made["repeatability"],
        made["trials"],
        [a["code"] for a in made["artefacts"]],
    ]


def test_a_slope_of_zero_has_no_sign_and_no_exponent(shop):
    """Equal biases leave a slope of rounding errors: it reads 0.000, and its interval has the decimals of its width."""
    artefacts = [
        {"code": f"G{d}", "reference": d, "readings": [d + w for w in (-0.1, 0.0, 0.1)]} for d in (1.1, 2.3, 3.7)
    ]
    says = study(shop, instrument(shop), "linearity", measure="shrinkage", artefacts=artefacts)["says"]
    (slope,) = [one for one in says if "does not change significantly from 1.1 to 3.7" in one]
    assert re.search(r": 0\.000 .* per .* \((-0\.0\d\d) to 0\.0\d\d\)\.$", slope)


def plaques(step, n=3, spread=0.01):
    """Retained plaques measured once on each of two instruments, the second this much yellower, with some noise."""
    wobble = [0.0, spread, -spread, spread, -spread][:n]
    return [
        {"code": f"R{i}", "first": [[95.0, -0.8, 1.5 + i]], "second": [[95.0 + w, -0.8 + w, 1.5 + i + step + w]]}
        for i, w in enumerate(wobble)
    ]


def test_a_study_of_agreement_reports_offsets_and_applies_none(shop):
    """The mean difference over plaques is +0.30 in b* and 0 in L* and a* (by hand), and no reading is changed."""
    first, second = instrument(shop, "SPEC-1"), instrument(shop, "SPEC-2")
    made = study(shop, first, "agreement", other_instrument_id=second["id"], plaques=plaques(0.3))
    offsets = {offset["component"]: offset for offset in made["agreement"]["offsets"]}
    assert pytest.approx({"L": 0.0, "a": 0.0, "b": 0.3}, abs=SAME_SUM * 100) == {
        c: o["mean"] for c, o in offsets.items()
    }
    # Standard deviation 0.01; Student's t for two degrees of freedom is 4.303.
    half = 4.303 * 0.01 / math.sqrt(3)
    assert pytest.approx((0.3 - half, 0.3 + half), abs=1e-4) == (offsets["b"]["low"], offsets["b"]["high"])
    assert (None, "R0") == (made["agreement"]["repeatability_first"], made["agreement"]["worst"]["code"])
    says = " ".join(made["says"])
    assert "SPEC-2 differs from SPEC-1 by L* +0.00, a* +0.00, b* +0.30." in says
    assert "never applied" in says


REPEATED = {"measure": "diameter", "trials": repeats_apart(0.004)}
BAD = {
    "no trials": ("repeatability", {"measure": "diameter"}, ["/trials"]),
    "no measure": ("repeatability", {"trials": repeats_apart(0.004)}, ["/measure"]),
    "parts of another kind": ("repeatability", {**REPEATED, "plaques": plaques(0.1)}, ["/plaques"]),
    "a cell too few": ("repeatability", {**REPEATED, "trials": repeats_apart(0.004)[:-1]}, ["/trials"]),
    "one operator": ("repeatability", {**REPEATED, "trials": trials([[[1.75, 1.76]], [[1.74, 1.75]]])}, ["/trials"]),
    "read once": ("repeatability", {**REPEATED, "trials": trials([[[1.7], [1.7]], [[1.8], [1.8]]])}, ["/trials"]),
    "an inch": (
        "repeatability",
        {"measure": "diameter", "trials": repeats_apart(0.1, 17.5)},
        [f"/trials/{i}/value" for i in range(8)],
    ),
    "one artefact": (
        "linearity",
        {"measure": "diameter", "artefacts": [{"code": "pin", "reference": 1.75, "readings": [1.75, 1.76]}]},
        ["/artefacts"],
    ),
    "an artefact read once": (
        "linearity",
        {"measure": "diameter", "artefacts": [{"code": "pin", "reference": 1.75, "readings": [1.75]}]},
        ["/artefacts/0/readings"],
    ),
    "nobody's instrument": (
        "agreement",
        {"other_instrument_id": 99, "plaques": plaques(0.1)},
        ["/other_instrument_id"],
    ),
    "itself": ("agreement", {"other_instrument_id": 1, "plaques": plaques(0.1)}, ["/other_instrument_id"]),
    "a plaque twice": ("agreement", {"other_instrument_id": 2, "plaques": plaques(0.1)[:1] * 2}, ["/plaques"]),
    "no colour": (
        "agreement",
        {"other_instrument_id": 2, "plaques": [{"code": "R", "first": [[950, 0, 0]], "second": [[95, 0, 0]]}]},
        ["/plaques/0/first/0"],
    ),
    "a grade nobody has": (
        "agreement",
        {"other_instrument_id": 2, "plaques": plaques(0.1), "grade_id": 99},
        ["/grade_id"],
    ),
    "one trial in inches": (
        "repeatability",
        {"measure": "diameter", "trials": [{**repeats_apart(0.004)[0], "value": 0.0689}, *repeats_apart(0.004)[1:]]},
        ["/trials/0/value"],
    ),
    "all in inches": (
        "repeatability",
        {"measure": "diameter", "trials": trials([[[0.0689, 0.0690]] * 2, [[0.0691, 0.0692]] * 2])},
        [f"/trials/{i}/value" for i in range(8)],
    ),
    "a coupon in inches": (
        "linearity",
        {
            "measure": "shrinkage",
            "artefacts": [
                {"code": "C50", "reference": 50, "readings": [50.1, 50.2]},
                {"code": "C100", "reference": 100, "readings": [100.1, 3.94]},
            ],
        },
        ["/artefacts/1/readings/1"],
    ),
    "9.7 for 97": (
        "repeatability",
        {"measure": "color.dL", "trials": [*trials([[[97.0, 97.1], [97.0, 9.7]], [[95.0, 95.1]] * 2])]},
        ["/trials/3/value"],
    ),
    "still to come": ("repeatability", {**REPEATED, "at": "2100-01-01T00:00:00Z"}, ["/studied_at"]),
}


@pytest.mark.parametrize(("kind", "more", "pointers"), BAD.values(), ids=BAD)
def test_a_bad_design_is_refused_at_its_place(shop, kind, more, pointers):
    """A bad design is refused at its place with the remedy, and nothing is stored."""
    on, _ = instrument(shop), instrument(shop, "MIC-2")
    before = counts()
    said = study(shop, on, kind, 422, **more)
    assert pointers == [error["pointer"] for error in said["errors"]]
    assert all("hint" in error or error["detail"].startswith("Give ") for error in said["errors"])
    assert before == counts()


def received(shop, limits, number="Q-71"):
    """A lot of a grade under these limits, and a spool of it."""
    supplier, grade = {"id": 1}, {"id": 1}
    if number == "Q-71":
        supplier, grade = shop.supplier(), shop.grade(limits=limits)
    got = shop.receive(supplier, grade, number, spools=1)
    return got["lot_id"], got["spools"][0]["code"]


def test_a_study_raises_the_uncertainty_and_a_value_becomes_near(shop):
    """0.005 mm inside passes with u 0.002 mm; a study with more makes it near at once, and its void restores the pass."""
    gauge = instrument(shop, u=STATED_U)
    lot_id, spool = received(shop, SINGLE)
    assert "released" == shop.diameter(spool, 1.795, 1.75, instrument_id=gauge["id"])["lot"]["standing"]
    moment = shop.get("quality", f"/lots/{lot_id}/decisions")["items"][-1]["decided_at"]
    made = study(shop, gauge, "repeatability", at=BEFORE, measure="diameter", trials=repeats_apart(0.004))
    sd = gauge_sd(0.004)
    assert Z * STATED_U < 0.005 < Z * sd
    assert pytest.approx(sd, abs=SAME_SUM) == made["repeatability"]["sd"]["gauge"]
    assert [("released", "quarantined")] == [(lot["standing_before"], lot["standing"]) for lot in made["lots"]]
    # sqrt(8 * 0.004^2 / 5) = 0.00506, by hand.
    assert "have a standard uncertainty of at least 0.0051 mm" in made["says"][-1]
    found = shop.finding(lot_id, "diameter.reading")
    assert ("near", pytest.approx(sd)) == (found["verdict"], found["uncertainty"])
    assert (
        f"The standard uncertainty of MIC-1 is 0.0051 mm, from study {made['id']} (0.002 mm was stated)"
        in found["message"]
    )
    assert shop.ask_clearance(spool, "hidden")["clear"] is False
    # The result of a past moment is unchanged.
    then = shop.assessment(lot_id, f"?as_of={moment}")
    assert ["pass"] == [f["verdict"] for f in then["findings"]]
    assert [] == sound()

    voided = shop.post("quality", f"/studies/{made['id']}/void", {"reason": "the pins were mixed up"})
    assert [("quarantined", "released")] == [(lot["standing_before"], lot["standing"]) for lot in voided["lots"]]
    assert "the pins were mixed up" == voided["voided"]["reason"]
    assert STATED_U == shop.finding(lot_id, "diameter.reading")["uncertainty"]
    said = shop.post("quality", f"/studies/{made['id']}/void", {"reason": "again"}, 409)
    assert "already" in said["detail"]
    assert [] == sound()


def test_a_study_speaks_for_what_was_read_since_and_until_the_next(shop):
    """A reading before the study has the stated uncertainty, one after a newer study that of the study, never below the stated."""
    gauge = instrument(shop, u=STATED_U)
    spools = [received(shop, SINGLE, number) for number in ("Q-71", "Q-72", "Q-73")]
    study(shop, gauge, "repeatability", at=MEASURED, measure="diameter", trials=repeats_apart(0.004))
    newer = study(shop, gauge, "repeatability", at=LATEST, measure="diameter", trials=repeats_apart(0.001))
    assert "keep the stated standard uncertainty of 0.002 mm" in newer["says"][-1]
    expected = [STATED_U, gauge_sd(0.004), STATED_U]
    for (lot_id, spool), at, u in zip(spools, (BEFORE, LATER, LATEST), expected, strict=True):
        shop.diameter(spool, 1.75, 1.75, instrument_id=gauge["id"], measured_at=at)
        assert pytest.approx(u) == shop.finding(lot_id, "diameter.reading")["uncertainty"]


def test_a_study_gives_an_uncertainty_where_none_was_stated(shop):
    """Without a stated uncertainty a guarded value needs a study before the reading, with some spread."""
    gauge = instrument(shop)
    blind = study(shop, gauge, "repeatability", at=BEFORE, measure="diameter", trials=repeats_apart(0.0))
    assert "this study gives no uncertainty" in blind["says"][-1]
    lot_id, spool = received(shop, SINGLE)
    assert "quarantined" == shop.diameter(spool, instrument_id=gauge["id"])["lot"]["standing"]
    made = study(shop, gauge, "repeatability", at=MEASURED, measure="diameter", trials=repeats_apart(0.004))
    assert [("quarantined", "released")] == [(lot["standing_before"], lot["standing"]) for lot in made["lots"]]
    assert "(none was stated)" in shop.finding(lot_id, "diameter.reading")["message"]


def test_colour_needs_a_study_of_each_coordinate(shop):
    """Two of three studied coordinates are not enough; with all three the largest counts."""
    on = instrument(shop, "SPEC-1")
    lot_id, spool = received(shop, {**GUARDED, "color": {"components_max": {"b": 1.0}}})
    shop.color(spool, [95.0, -0.8, 1.5], instrument_id=on["id"])
    for measure, d in (("color.dL", 0.02), ("color.da", 0.05)):
        study(shop, on, "repeatability", at=BEFORE, measure=measure, trials=repeats_apart(d, 0.0))
    assert "missing" == shop.finding(lot_id, "color.component_b")["verdict"]
    made = study(shop, on, "repeatability", at=BEFORE, measure="color.db", trials=repeats_apart(0.03, 0.0))
    assert "once L*, a* and b* are all studied" in made["says"][-1]
    found = shop.finding(lot_id, "color.component_b")
    assert ("pass", pytest.approx(gauge_sd(0.05))) == (found["verdict"], found["uncertainty"])
    assert "from study 2" in found["message"]


@pytest.fixture
def changed(shop):
    """Twelve lots of a steady white on SPEC-1, and six on SPEC-2: (supplier, grade, the instruments)."""
    supplier, grade = shop.supplier(), shop.grade(limits=COLOR)
    old, new = instrument(shop, "SPEC-1"), instrument(shop, "SPEC-2")
    whites(supplier, grade, STEADY, instrument=old)
    whites(supplier, grade, STEADY[:6], first=13, instrument=new)
    return supplier, grade, old, new


def stretch(shop, changed):
    """The segments of b*, and its mark."""
    found = followed(shop, *changed[:2])
    (mark,) = found["marks"]
    (line,) = found["series"]
    return [point["stretch"] for point in line["points"]], mark, found


def test_without_plaques_read_on_both_the_series_starts_anew_and_says_what_would_bridge_it(shop, changed):
    """Without common plaques a change of instrument starts a new series, with the remedy."""
    points, mark, _ = stretch(shop, changed)
    assert [1] * 12 + [2] * 6 == points
    assert (False, None, 13) == (mark["bridged"], mark["study_id"], mark["before_number"])
    assert "A new series starts here." in mark["says"]
    assert "An agreement study of SPEC-1 and SPEC-2 on at least 3 retained plaques" in mark["says"]


def test_plaques_that_read_alike_on_both_bridge_the_change(shop, changed):
    """Three plaques, 0.02 yellower on the new instrument, continue the series; its mark names the study, and values are unchanged."""
    before = followed(shop, *changed[:2])
    made = study(shop, changed[2], "agreement", other_instrument_id=changed[3]["id"], plaques=plaques(0.02))
    points, mark, found = stretch(shop, changed)
    assert [1] * 18 == points
    assert (True, made["id"], 13) == (mark["bridged"], mark["study_id"], mark["before_number"])
    for words in ("The series continues", f"Study {made['id']} bridges the change", "3 plaques", "b* +0.02"):
        assert words in mark["says"]
    values = [[point["value"] for point in answer["series"][0]["points"]] for answer in (before, found)]
    assert values[0] == values[1]
    (base,) = found["baseline"]
    assert "read with SPEC-1; then reference revision 1, read with SPEC-2" in base["read"]
    picture = shop.client.get(
        f"/v1/drift?supplier_id={changed[0]['id']}&grade_id={changed[1]['id']}&characteristic=color.component_b",
        headers={"Authorization": f"Bearer {shop.tokens['purchasing']}", "Accept": "image/svg+xml"},
    )
    assert "new instrument, bridged" in picture.get_data(as_text=True)

    shop.post("quality", f"/studies/{made['id']}/void", {"reason": "read under other conditions"})
    assert [1] * 12 + [2] * 6 == stretch(shop, changed)[0]


@pytest.mark.parametrize(
    ("read", "words"),
    [
        # A third of 1.0 is allowed; 0.4 is more, and 0.3 with three plaques that scatter by 0.05 may be more: t is 4.303.
        (plaques(0.4), "is too large: +0.4 "),
        (plaques(0.3, spread=0.05), "limit 0.333). About"),
        (plaques(0.0, n=2), "2 of 3 required plaques were measured on both instruments. 1 more is needed"),
    ],
    ids=["too large", "too uncertain", "too few"],
)
def test_plaques_that_do_not_show_the_step_to_be_small_bridge_nothing(shop, changed, read, words):
    """Plaques that do not prove a small step start a new series, with the reason and the number of plaques needed."""
    made = study(shop, changed[2], "agreement", other_instrument_id=changed[3]["id"], plaques=read)
    points, mark, _ = stretch(shop, changed)
    assert [1] * 12 + [2] * 6 == points
    assert (False, made["id"]) == (mark["bridged"], mark["study_id"])
    for part in ("A new series starts here.", f"Study {made['id']} does not bridge the change", words):
        assert part in mark["says"]


def test_a_bridge_holds_both_ways_and_only_for_its_two(shop, changed):
    """A bridge holds in both directions; a third instrument, or none, starts a new series, which ends back on the first."""
    supplier, grade, old, new = changed
    study(shop, new, "agreement", other_instrument_id=old["id"], plaques=plaques(0.02))
    whites(supplier, grade, [0.01, -0.01], first=19, instrument=old)
    whites(supplier, grade, [0.01, -0.01], first=21, instrument=instrument(shop, "SPEC-3"))
    whites(supplier, grade, [0.01, -0.01], first=23)
    found = followed(shop, supplier, grade)
    assert [1] * 20 + [2, 2, 3, 3] == [point["stretch"] for point in found["series"][0]["points"]]
    assert [True, True, False, False] == [
        mark["bridged"] for mark in sorted(found["marks"], key=lambda m: m["before_number"])
    ]
    assert "without a named instrument" in max(found["marks"], key=lambda m: m["before_number"])["says"]


def test_a_chosen_baseline_stays_in_force_across_a_bridge(shop, changed):
    """A baseline chosen on either instrument charts both bridged segments."""
    supplier, grade, old, new = changed
    study(shop, old, "agreement", other_instrument_id=new["id"], plaques=plaques(0.02))
    lots = [lot["lot_id"] for lot in followed(shop, supplier, grade)["lots"]]
    for chosen in (lots[:12], lots[4:16]):
        body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "lot_ids": chosen, "reason": "a good year"}
        made = shop.post("quality", "/baselines", body)
        (base,) = followed(shop, supplier, grade)["baseline"]
        assert (True, made["revision"], 12) == (base["chosen"], base["revision"], base["n"])


def test_whoever_looks_ahead_sees_the_bridge_too(shop, changed):
    """Comparison, forecast and the week's list count lots on both sides of a bridge."""
    supplier, grade, old, new = changed
    ask = f"supplier_id={supplier['id']}&grade_id={grade['id']}"
    spread = f"/supplier-comparison?grade_id={grade['id']}"

    def lots():
        (line,) = shop.get("purchasing", spread)["suppliers"]
        return {row["lots"] for row in line["spread"] if row["measure"].startswith("color.")}

    assert {12} == lots()
    study(shop, old, "agreement", other_instrument_id=new["id"], plaques=plaques(0.02))
    assert {18} == lots()
    assert 18 == shop.get("purchasing", f"/forecast?{ask}")["lots"]
    shop.get("purchasing", "/purchasing-summary")


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_change_of_instrument_costs_one_query_however_many_studies(shop, changed):
    """Drift needs five statements and the token's (tests/api/test_queries.py), one more for a bridge; a list of studies is one."""
    supplier, grade, old, new = changed
    path = f"/drift?supplier_id={supplier['id']}&grade_id={grade['id']}&characteristic=color"
    for _ in range(2):
        study(shop, old, "agreement", other_instrument_id=new["id"], plaques=plaques(0.02))
        assert 7 == len(asked(shop, "purchasing", "GET", path))
        assert 3 == len(asked(shop, "quality", "GET", f"/instruments/{old['id']}/studies"))
