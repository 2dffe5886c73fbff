"""Repeat readings: number needed, outliers, and exclusions with a cause. Each check names its source."""

import math
import warnings
from statistics import fmean, stdev, variance

import pytest
from scipy.stats import t as student

from tests.api.test_queries import asked
from tests.domain.builders import reference_json
from tests.files import export, take
from tests.shop import WHITE

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")
    from colour.colorimetry import lightness_CIE1976, luminance_CIE1976

ROSNER = reference_json("rosner_outliers.json")
GLOSS = {"sampling": {"fixed": 1}, "gloss": {"deg_60_gu": [2.0, 8.0], "readings_per_spool_min": 3}}


def lot_of(shop, limits, spools=1):
    """Number and spool codes of a new lot under these limits."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=spools)
    return got["lot"]["id"], sorted(spool["code"] for spool in got["spools"])


def replicates(shop, lot_id):
    """The answer on repeat readings, by characteristic."""
    said = shop.get("quality", f"/lots/{lot_id}/replicates")
    return {part["characteristic"]: part for part in said["characteristics"]}


def figure(shop, lot_id, name):
    """One figure of it."""
    part = replicates(shop, lot_id)[name.partition(".")[0]]
    return next(one for one in part["figures"] if one["figure"] == name)


def gloss(shop, spool, values, **more):
    """Gloss readings of one spool; returns their numbers."""
    items = [{"spool_code": spool, "geometry_deg": 60, "gloss_gu": value, **more} for value in values]
    return [item["id"] for item in shop.measure("gloss", items)["items"]]


def exclude(shop, reading, status=201, cause="plaque", reason="a scratch across the plaque", **headers):
    """Excludes a reading."""
    return shop.post("quality", f"/readings/{reading}/exclude", {"cause": cause, "reason": reason}, status, **headers)


@pytest.fixture
def rosner(shop):
    """A lot with Rosner's 54 values as gloss, plus one unit to keep them positive; numbers of the readings by value."""
    shop.lot_id, (shop.spool,) = lot_of(shop, GLOSS)
    numbers = gloss(shop, shop.spool, [round(value + 1, 2) for value in ROSNER["values"]])
    shop.by_value = dict(zip(ROSNER["values"], numbers, strict=True))
    return shop


def test_rosners_values_as_readings_give_his_outliers(rosner):
    """Ten statistics and critical values as printed (truncated) and the three outliers: Rosner 1983, NIST/SEMATECH e-Handbook 1.3.5.17.3."""
    said = figure(rosner, rosner.lot_id, "gloss.gu_60")["outliers"]
    assert (54, 1, 10, 0.05, True) == tuple(said[name] for name in ("n", "groups", "most", "alpha", "trusted"))
    for name, printed in (("statistic", ROSNER["statistics_cut_off"]), ("critical", ROSNER["critical_cut_off"])):
        assert printed == [int(step[name] * 1000 + 1e-6) / 1000 for step in said["steps"]]
    assert [rosner.by_value[value] for value in ROSNER["outliers"]] == [row["reading_id"] for row in said["flagged"]]
    assert [True] * 3 + [False] * 7 == [step["flagged"] for step in said["steps"]]
    assert "3 outliers found (generalised ESD test, n = 54" in said["says"]


def test_a_reading_that_is_not_flagged_cannot_be_excluded(rosner):
    """The fourth furthest value is no outlier: its exclusion is refused with the test result and the remedy, and nothing is stored."""
    before = rosner.get("quality", f"/lots/{rosner.lot_id}/decisions")
    said = exclude(rosner, rosner.by_value[4.64], 409)
    assert "/problems/not-flagged" == said["type"]
    assert "3 outliers found (generalised ESD test, n = 54" in said["detail"]
    assert "void it" in said["detail"]
    assert before == rosner.get("quality", f"/lots/{rosner.lot_id}/decisions")


def test_flagged_readings_can_each_be_excluded_and_no_more_come_up(rosner):
    """After all three exclusions the test still covers all 54 values and flags the same three."""
    for value in ROSNER["outliers"]:
        exclude(rosner, rosner.by_value[value])
    said = figure(rosner, rosner.lot_id, "gloss.gu_60")["outliers"]
    assert [(rosner.by_value[value], True) for value in ROSNER["outliers"]] == [
        (row["reading_id"], row["excluded"]) for row in said["flagged"]
    ]
    exclude(rosner, rosner.by_value[4.64], 409)
    assert 51 == rosner.finding(rosner.lot_id, "gloss.gu_60")["n"]


SIZES = [1.75, 1.751, 1.749, 1.752, 1.75, 1.748, 1.751, 1.749, 1.75, 1.86]
DIAMETER = {"sampling": {"fixed": 1}, "diameter": {"mean_tolerance_mm": 0.03, "reading_tolerance_mm": 0.05}}


def round_wire(shop, spool, sizes, **more):
    """Diameters of one spool, the same on both axes; returns their numbers."""
    items = [{"spool_code": spool, "d1_mm": size, "d2_mm": size, **more} for size in sizes]
    return [item["id"] for item in shop.measure("diameter", items)["items"]]


@pytest.fixture
def strange(shop):
    """A lot blocked by the last of ten diameters, an outlier."""
    shop.lot_id, (shop.spool,) = lot_of(shop, DIAMETER)
    *_, shop.reading = round_wire(shop, shop.spool, SIZES)
    assert "blocked" == shop.lot(shop.lot_id)["standing"]
    return shop


def test_an_exclusion_is_a_decision_by_a_named_person_and_shows_both_sides(strange):
    """After the exclusion the lot is released, and the assessment names the block with the reading, the person and the cause."""
    said = exclude(strange, strange.reading, cause="position", reason="at the crimped end")
    assert ("blocked", "released") == (said["before"]["standing"], said["lot"]["standing"])
    assert {"cause": "position", "reason": "at the crimped end", "excluded_by": "quality person"}.items() <= said[
        "excluded"
    ].items()
    assert said["shown_by"][0]["statistic"] > said["shown_by"][0]["critical"]

    now = strange.assessment(strange.lot_id)
    assert ("released", "blocked") == (now["standing"], now["with_excluded"]["standing"])
    assert [strange.reading] == [row["reading_id"] for row in now["excluded"]]
    assert strange.reading not in now["reading_ids"]
    failing = [row["code"] for row in now["with_excluded"]["findings"] if row["verdict"] == "fail"]
    assert ["diameter.reading"] == failing
    assert any("cause position: at the crimped end." in note for note in now["notes"])
    assert f"With reading {strange.reading} included, the lot would be blocked, not released." in now["notes"]

    *_, last = strange.get("quality", f"/lots/{strange.lot_id}/decisions")["items"]
    assert ("exclude", "released", "quality person") == (last["action"], last["standing"], last["decided_by"])
    assert "cause position: at the crimped end" in last["reason"]
    *_, event = strange.get("quality", f"/events?lot_id={strange.lot_id}")["items"]
    assert ("reading excluded", "quality person") == (event["what"], event["by"])


def test_an_excluded_reading_stays_in_every_list(strange):
    """An excluded reading stays in the list with cause and words, and in the letter with its reason."""
    exclude(strange, strange.reading)
    *_, kept = strange.get("production", f"/lots/{strange.lot_id}/readings")["items"]
    assert (strange.reading, 1.86, "plaque", None) == (
        kept["id"],
        kept["d1_mm"],
        kept["excluded"]["cause"],
        kept["voided"],
    )
    round_wire(strange, strange.spool, [1.81])
    report = strange.get("quality", f"/lots/{strange.lot_id}/nonconformity-report")
    (row,) = [row for row in report["readings"] if row["id"] == strange.reading]
    assert (False, "excluded by quality person (plaque): a scratch across the plaque") == (
        row["counts"],
        row["why_not"],
    )


def test_what_is_taken_back_in_counts_again(strange):
    """A restored reading blocks the lot again, both decisions stay in the history, and past moments are unchanged."""
    exclude(strange, strange.reading)
    between = strange.get("quality", f"/lots/{strange.lot_id}/decisions")["items"][-1]["decided_at"]
    said = strange.post("quality", f"/readings/{strange.reading}/include", {"reason": "the end was cut off clean"})
    assert ("released", "blocked", None) == (said["before"]["standing"], said["lot"]["standing"], said["excluded"])
    now = strange.assessment(strange.lot_id)
    assert ([], None) == (now["excluded"], now["with_excluded"])
    actions = [row["action"] for row in strange.get("quality", f"/lots/{strange.lot_id}/decisions")["items"]]
    assert ["exclude", "include"] == actions[-2:]
    then = strange.assessment(strange.lot_id, f"?as_of={between}")
    assert ("released", "blocked") == (then["standing"], then["with_excluded"]["standing"])
    assert "released" == exclude(strange, strange.reading)["lot"]["standing"]


def test_only_what_counts_can_be_excluded_and_only_what_is_excluded_taken_back(strange):
    """A repeated, voided, screening or untested reading is refused with the obstacle."""
    strange.post("quality", f"/readings/{strange.reading}/include", {"reason": "r"}, 409)
    exclude(strange, strange.reading)
    assert "already excluded by quality person" in exclude(strange, strange.reading, 409)["detail"]
    strange.void(strange.reading)
    assert "was voided" in exclude(strange, strange.reading, 409)["detail"]
    (screened,) = round_wire(strange, strange.spool, [1.79], screening=True)
    assert "for information only" in exclude(strange, screened, 409)["detail"]
    specks = strange.measure("surface", {"spool_code": strange.spool, "specks": 40, "area_dm2": 1})["id"]
    said = exclude(strange, specks, 409)
    assert "/problems/not-flagged" == said["type"]
    assert "Specks are counts" in said["detail"]
    exclude(strange, 10_000, 404)


def test_a_cause_that_is_none_is_refused(strange):
    """Only causes of the list with a text are accepted."""
    said = exclude(strange, strange.reading, 422, cause="it was too high")
    assert ["/cause"] == [fault["pointer"] for fault in said["errors"]]
    said = exclude(strange, strange.reading, 422, reason=" ")
    assert ["/reason"] == [fault["pointer"] for fault in said["errors"]]


def test_an_exclusion_repeated_under_its_key_happens_once(strange):
    """A repeat under the same key gets the first answer."""
    first = exclude(strange, strange.reading, Idempotency_Key="k")
    assert first == exclude(strange, strange.reading, Idempotency_Key="k")
    actions = [row["action"] for row in strange.get("quality", f"/lots/{strange.lot_id}/decisions")["items"]]
    assert 1 == actions.count("exclude")


def test_excluding_never_passes_a_lot_whose_evidence_it_takes_away(shop):
    """With one of ten required readings excluded the lot waits for another."""
    limits = {"sampling": {"fixed": 1}, "diameter": {**DIAMETER["diameter"], "readings_per_spool_min": 10}}
    _, (spool,) = lot_of(shop, limits)
    *_, reading = round_wire(shop, spool, SIZES)
    after = exclude(shop, reading)["lot"]
    assert ("quarantined", [f"take 1 more diameter reading on spool {spool}"]) == (
        after["standing"],
        after["to_measure"],
    )


def test_too_few_readings_flag_nothing(shop):
    """Six diameters are too few for an outlier (e-Handbook 1.3.5.17.1)."""
    lot_id, (spool,) = lot_of(shop, DIAMETER)
    *_, reading = round_wire(shop, spool, SIZES[-6:])
    said = figure(shop, lot_id, "diameter.mean")["outliers"]
    assert ([], False) == (said["flagged"], said["trusted"])
    assert "Too few values for an outlier test (6 of at least 7)" in exclude(shop, reading, 409)["detail"]


def test_spools_that_differ_are_each_held_against_their_own_mean(shop):
    """A reading in the middle of the lot is an outlier of its own spool; differences between spools flag nothing."""
    lot_id, spools = lot_of(shop, DIAMETER, spools=3)
    numbers = {}
    for spool, mean in zip(spools, (1.735, 1.75, 1.765), strict=True):
        numbers[spool] = round_wire(shop, spool, [mean + d for d in (-0.001, 0.0005, 0.001, -0.0005, 0.0002)])
    assert [] == figure(shop, lot_id, "diameter.mean")["outliers"]["flagged"]
    (odd,) = round_wire(shop, spools[0], [1.75])
    said = figure(shop, lot_id, "diameter.mean")["outliers"]
    assert ([odd], 16, 3) == ([row["reading_id"] for row in said["flagged"]], said["n"], said["groups"])
    (row,) = said["flagged"]
    assert pytest.approx(row["mean_without"] - row["mean_with"]) == row["shift"] < 0


def test_excluded_readings_of_an_export_are_left_out(strange):
    """Excluded readings of an export are left out of an import."""
    exclude(strange, strange.reading)
    text = export(strange, f"/lots/{strange.lot_id}/readings?kind=diameter").get_data()
    done = take(strange, "diameter", text)
    assert (10, 9, 1, ["1 excluded reading was left out."]) == (
        done["rows"],
        done["items"],
        done["skipped_voided"],
        done["notes"],
    )


# How many more readings decide


def least(sd, room):
    """The least number with a 95 % interval no wider than the margin, by trying each with scipy's Student's t (ASTM E1345's question)."""
    return next(n for n in range(2, 1000) if student.ppf(0.975, n - 1) * sd / math.sqrt(n) <= room + 1e-12)


def test_so_many_more_readings_decide_a_spool(shop):
    """For gloss near its limit n follows Student's t (scipy), and Stein's number an estimated spread (Stein 1945); words and numbers agree."""
    lot_id, (spool,) = lot_of(shop, GLOSS)
    values = [7.6, 7.9, 7.4, 8.0, 7.7, 7.8]
    gloss(shop, spool, values)
    (said,) = replicates(shop, lot_id)["gloss"]["decisions"]
    sd, room = stdev(values), 8.0 - fmean(values)
    n, sure = least(sd, room), math.ceil((student.ppf(0.975, 5) * sd / room) ** 2)
    assert ("gloss.gu_60", f"spool {spool}", 6, n, sure, n - 6) == tuple(
        said[name] for name in ("code", "subject", "readings", "n", "sure", "more")
    )
    assert said["says"].startswith(f"Gloss at 60 degrees: the 6 readings of spool {spool} are enough")
    assert "own uncertainty is unknown" in said["says"]

    gloss(shop, spool, [8.2, 8.3, 7.2])
    (said,) = replicates(shop, lot_id)["gloss"]["decisions"]
    values += [8.2, 8.3, 7.2]
    n = least(stdev(values), 8.0 - fmean(values))
    assert n - 9 == said["more"] > 0
    assert f"{n - 9} more readings of spool {spool} settle it" in said["says"]


def test_where_the_instrument_is_too_coarse_no_number_helps(shop):
    """A glossmeter of 0.5 GU, 0.3 GU from the limit, needs a finer instrument, not more readings."""
    instrument = {"code": "GL-1", "kind": "glossmeter", "standard_uncertainty": 0.5, "check_interval_days": 3650}
    number = shop.post("quality", "/instruments", instrument)["id"]
    lot_id, (spool,) = lot_of(shop, GLOSS)
    gloss(shop, spool, [7.6, 7.8, 7.7, 7.7], instrument_id=number)
    (said,) = replicates(shop, lot_id)["gloss"]["decisions"]
    assert (None, None, None) == (said["n"], said["sure"], said["more"])
    assert "Use a better instrument" in said["says"]


def test_a_lot_with_few_repeats_borrows_its_grades_scatter(shop):
    """Two readings of a spool are pooled with those of the grade's other lots (pooled variance, e-Handbook 7.4.3)."""
    supplier, grade = shop.supplier(), shop.grade(limits=GLOSS)
    first, second = (shop.receive(supplier, grade, lot, spools=1) for lot in ("A", "B"))
    many, few = [5.0, 5.4, 4.8, 5.2, 5.1, 4.9, 5.3], [7.0, 7.1]
    gloss(shop, first["spools"][0]["code"], many)
    gloss(shop, second["spools"][0]["code"], few)
    said = figure(shop, second["lot"]["id"], "gloss.gu_60")
    pooled = math.sqrt((6 * variance(many) + variance(few)) / 7)
    assert ("grade", 7, pytest.approx(pooled)) == (said["source"], said["df"], said["sd"])
    own = figure(shop, first["lot"]["id"], "gloss.gu_60")
    assert ("lot", 6, pytest.approx(stdev(many))) == (own["source"], own["df"], own["sd"])


def test_a_reading_taken_once_tells_no_scatter(shop):
    """A single reading has no spread, and the answer requests a repeat."""
    lot_id, (spool,) = lot_of(shop, GLOSS)
    gloss(shop, spool, [7.7])
    part = replicates(shop, lot_id)["gloss"]
    assert (None, None, None) == tuple(part["figures"][0][name] for name in ("sd", "df", "source"))
    assert part["decisions"][0]["n"] is None
    assert "Measure a spool at least twice" in part["decisions"][0]["says"]


def test_readings_that_agree_scatter_as_their_instrument_repeats(shop):
    """Five equal diameters have the repeatability of a study, variance of repeats by hand."""
    instrument = {"code": "MIC-1", "kind": "micrometer", "standard_uncertainty": 0.001, "check_interval_days": 3650}
    number = shop.post("quality", "/instruments", instrument)["id"]
    pairs = {"1": (1.750, 1.756), "2": (1.770, 1.776)}
    trials = [{"part": p, "operator": o, "value": v} for p, pair in pairs.items() for o in "AB" for v in pair]
    body = {"kind": "repeatability", "measure": "diameter", "studied_at": "2026-11-01T08:00:00Z", "trials": trials}
    shop.post("quality", f"/instruments/{number}/studies", body)
    lot_id, (spool,) = lot_of(shop, DIAMETER)
    round_wire(shop, spool, [1.77] * 5, instrument_id=number)
    said = figure(shop, lot_id, "diameter.mean")
    # Of four pairs 0.006 apart each has the variance 0.006^2 / 2; pooled with the interaction that is not there, 8 - 4 + 1 degrees of freedom.
    repeatability = math.sqrt(4 * 0.006**2 / 2 / 5)
    assert ("instrument", None, pytest.approx(repeatability)) == (said["source"], said["df"], said["sd"])
    assert pytest.approx(repeatability) == said["repeatability"]


def test_a_colour_is_decided_in_its_own_formula_per_spool_and_lot(shop):
    """Two spools off in L* alone, in CIE76, have the spread of L*, and over two spools that over the root of 2 (scipy's t)."""
    color = {"formula": "CIE76", "lot_max": 1.0, "spool_max": 1.0}
    lot_id, spools = lot_of(shop, {"sampling": {"fixed": 2}, "color": color}, spools=2)
    offsets = [(0.6, 0.8, 0.7, 0.9), (0.5, 0.7, 0.6, 0.8)]
    for spool, far in zip(spools, offsets, strict=True):
        for k, d in enumerate(far):
            tiny = 1e-4 * (-1) ** k
            shop.color(spool, [WHITE[0] - d, WHITE[1] + tiny, WHITE[2] + tiny])
    decisions = {row["code"]: row for row in replicates(shop, lot_id)["color"]["decisions"]}
    sd = math.sqrt((variance(offsets[0]) + variance(offsets[1])) / 2)
    worst, lot = decisions["color.spool_delta_e"], decisions["color.lot_delta_e"]
    assert (1, 4, f"spool {spools[0]}", least(sd, 0.25)) == tuple(
        worst[name] for name in ("spools", "readings", "subject", "n")
    )
    assert (2, 4, least(sd / math.sqrt(2), 0.3)) == tuple(lot[name] for name in ("spools", "readings", "n"))
    assert "of each of the 2 spools" in lot["says"]


def test_near_black_the_same_noise_of_the_sensor_asks_for_more_readings(shop):
    """0.02 % of luminous reflectance on a white and on a black (L* by colour-science) gives over ten times the spread of L*, and of n."""
    noise, found = [-0.02, 0.02, 0.01, -0.01, 0.0, 0.02, -0.02], {}
    for name, lightness in (("white", 95.0), ("black", 18.0)):
        shade = shop.shade(name, [lightness, 0.0, 0.0])
        limits = {"sampling": {"fixed": 1}, "color": {"components_max": {"L": 0.4}}}
        grade = shop.grade(name, limits=limits, shade_id=shade["id"])
        got = shop.receive(shop.supplier(name), grade, spools=1)
        Y = luminance_CIE1976(lightness + 0.3)
        for part in noise:
            shop.color(got["spools"][0]["code"], [float(lightness_CIE1976(Y + part)), 0.0, 0.0])
        found[name] = replicates(shop, got["lot"]["id"])["color"]
    white, black = (
        next(f["sd"] for f in found[name]["figures"] if f["figure"] == "color.L") for name in ("white", "black")
    )
    assert black > 10 * white
    assert found["black"]["decisions"][0]["n"] > found["white"]["decisions"][0]["n"]


def test_what_is_no_repeat_says_so(strange):
    """Counts and newest readings have no spread of repeats, and the answer says so."""
    strange.measure("surface", {"spool_code": strange.spool, "specks": 3, "area_dm2": 1})
    strange.measure("moisture", {"spool_code": strange.spool, "moisture_percent": 0.02})
    said = replicates(strange, strange.lot_id)
    assert ["diameter", "surface", "moisture"] == list(said)
    for kind in ("surface", "moisture"):
        assert ([], []) == (said[kind]["figures"], said[kind]["decisions"])
        assert said[kind]["says"]
    assert f"Reading {strange.reading} of spool {strange.spool} is an outlier" in said["diameter"]["says"]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_the_answer_costs_the_same_however_many_readings_and_lots(shop):
    """The answer needs a fixed number of statements, the token's included."""
    supplier, grade = shop.supplier(), shop.grade(limits=GLOSS)
    lot = shop.receive(supplier, grade, "first", spools=1)
    gloss(shop, lot["spools"][0]["code"], [5.0, 5.1, 5.2])
    other = shop.receive(supplier, grade, "second", spools=1)
    gloss(shop, other["spools"][0]["code"], [5.0, 5.1])
    path = f"/lots/{lot['lot']['id']}/replicates"
    few = len(asked(shop, "quality", "GET", path))
    for number in range(5):
        more = shop.receive(supplier, grade, f"more-{number}", spools=1)
        gloss(shop, more["spools"][0]["code"], [5.0, 5.1])
    assert few == len(asked(shop, "quality", "GET", path)) <= 14
    gloss(shop, lot["spools"][0]["code"], [5.0 + number / 100 for number in range(40)])
    assert few > len(asked(shop, "quality", "GET", path)), "the lot's own readings tell their scatter"
