"""Visual trials over HTTP. Sources: simulated observers with a known tolerance; the domain's own fit, tested against statsmodels."""

import numpy as np
import pytest

from tests.domain.visual_trials.trials import HALVES, TRUE, accepted_share, colors, log_odds, panels, true_half
from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE


def trial_of(plaques, **more):
    """A trial as it is posted."""
    return {"conditions": CONDITIONS, "plaques": plaques, **more}


def simulated(seed=1, plaques=60, judged=200):
    """Plaques about the reference, each assessed so often by observers with the known tolerance."""
    rng = np.random.default_rng(seed)
    apart = colors(rng, plaques)
    accepted = rng.binomial(judged, accepted_share(log_odds(apart)))
    return [
        {"apart": place, "accepted": int(yes), "judged": judged}
        for place, yes in zip(apart.tolist(), accepted, strict=True)
    ]


def keep(shop, grade, body, status=201, **headers):
    """Posts a trial."""
    return shop.post("quality", f"/grades/{grade['id']}/visual-trials", body, status, **headers)


@pytest.fixture
def grade(shop):
    """A white with limits on colour and diameter."""
    return shop.grade(limits=SIMPLE_LIMITS)


def test_simulated_observers_give_their_tolerance_back(shop, grade):
    """12,000 judgements with half axes of 0.9, 0.6 and 0.45 give each within 5 %, and its interval contains the true reach."""
    said = keep(shop, grade, trial_of(simulated()))
    axes = said["tolerance"]["axes"]
    assert pytest.approx(HALVES, rel=0.05) == [axis["half"] for axis in axes]
    for axis in axes:
        assert axis["low"] <= true_half(np.array(axis["direction"])) <= axis["high"]
    assert pytest.approx(TRUE, rel=0.1, abs=0.3) == np.array(said["tolerance"]["form"])
    assert (False, 0) == (said["tolerance"]["lack_of_fit"], said["tolerance"]["more_judgements"])
    assert (60, 12_000, None) == (said["plaque_count"], said["judgement_count"], said["why_no_tolerance"])


def test_plaques_by_colour_and_by_difference_are_the_same_trial(shop, grade):
    """Plaques as L*, a*, b* or as differences, in any order, give the same trial."""
    plaques = simulated(plaques=20, judged=20)
    by_lab = [
        {"lab": [at + d for at, d in zip(WHITE, p["apart"], strict=True)], **{k: p[k] for k in ("accepted", "judged")}}
        for p in reversed(plaques)
    ]
    one, other = (keep(shop, grade, trial_of(posted))["tolerance"] for posted in (plaques, by_lab))
    for mine, theirs in zip(one["axes"], other["axes"], strict=True):
        assert pytest.approx(mine["half"], rel=1e-6) == theirs["half"]


def test_fewer_judgements_say_how_many_more_it_takes(shop, grade):
    """With 1200 judgements the stated number of further ones gives the requested width of the widest axis.

    The shares are exactly those of the known tolerance, so only the number differs: the width, as a factor, shrinks with its root.
    """
    apart = colors(np.random.default_rng(4), 30)
    shares = accepted_share(log_odds(apart)).tolist()
    plaques = [
        {"apart": place, "accepted": round(40 * share), "judged": 40}
        for place, share in zip(apart.tolist(), shares, strict=True)
    ]
    said = keep(shop, grade, trial_of(plaques, within=0.1))["tolerance"]
    more = said["more_judgements"]
    assert f"About {more} more judgements" in said["says"]
    cheaper = keep(shop, grade, trial_of(plaques, within=0.2))["tolerance"]["more_judgements"]
    assert cheaper < more
    assert (f"For 20 % about {cheaper} are needed." if cheaper else "A precision of 20 % is already reached.") in said[
        "says"
    ]
    times = 1 + more / 1200
    whole = max(2, round(times))
    again = [{**p, "accepted": p["accepted"] * whole, "judged": p["judged"] * whole} for p in plaques]
    wide = keep(shop, grade, trial_of(again))["tolerance"]["axes"]
    relative = max((axis["high"] / axis["low"]) ** 0.5 for axis in wide) - 1
    assert pytest.approx(0.1 * (times / whole) ** 0.5, rel=0.1) == relative


@pytest.mark.parametrize("form", ["by_delta_e", "by_components"])
def test_a_proposal_can_be_posted_as_limits_and_nobody_posts_it_by_itself(shop, grade, form):
    """Limits are unchanged until quality posts the proposal, and then exactly the stated lots fail."""
    lot = shop.receive(shop.supplier(), grade, spools=1)
    spool = lot["spools"][0]["code"]
    shop.diameter(spool)
    shop.color(spool, [WHITE[0] - 0.6, WHITE[1] + 0.5, WHITE[2]])
    assert "released" == shop.lot(lot["lot"]["id"])["standing"]

    said = keep(shop, grade, trial_of(simulated()))
    before = shop.get("quality", f"/grades/{grade['id']}/limits")["items"]
    assert 1 == len(before)
    proposed = said["proposal"][form]
    assert proposed["why_not"] is None
    assert [lot["lot"]["id"]] == [loss["lot_id"] for loss in proposed["would_fail"]]
    assert before[0]["diameter"] == proposed["limits"]["diameter"]

    made = shop.limit(grade["id"], proposed["limits"])
    assert (2, f"From visual trial {said['id']}.") == (made["revision"], made["note"])
    assert proposed["would_fail"] == made["would_fail"]
    assert "released" == shop.lot(lot["lot"]["id"])["standing"]
    again = shop.post("quality", f"/lots/{lot['lot']['id']}/reassess")
    assert "blocked" == again["standing"]


def test_only_what_the_proposal_changes_would_fail(shop, grade):
    """A lot that a newer revision rejects for its diameter is not counted for the proposal, and an off-colour one is."""
    supplier = shop.supplier()
    thick, off = (shop.receive(supplier, grade, lot, spools=1) for lot in ("THICK", "OFF"))
    shop.diameter(thick["spools"][0]["code"], 1.79, 1.79)
    shop.color(thick["spools"][0]["code"], WHITE)
    shop.diameter(off["spools"][0]["code"])
    shop.color(off["spools"][0]["code"], [WHITE[0] - 0.6, WHITE[1] + 0.5, WHITE[2]])
    tighter = {**SIMPLE_LIMITS, "diameter": {**SIMPLE_LIMITS["diameter"], "reading_tolerance_mm": 0.02}}
    assert [thick["lot"]["id"]] == [loss["lot_id"] for loss in shop.limit(grade["id"], tighter)["would_fail"]]
    proposal = keep(shop, grade, trial_of(simulated()))["proposal"]
    for form in ("by_delta_e", "by_components"):
        assert [off["lot"]["id"]] == [loss["lot_id"] for loss in proposal[form]["would_fail"]]


def test_the_words_are_those_of_the_limits_that_would_be_posted(shop):
    """The sentence has the truncated numbers of the limits, and other colour limits by their fate."""
    color = {"lot_max": 0.3, "spool_max": 1.3, "components_max": {"L": 5.0, "b": 0.2}}
    grade = shop.grade("STRICT", {"color": color})
    proposal = keep(shop, grade, trial_of(simulated()))["proposal"]
    most = proposal["by_delta_e"]["limits"]["color"]["lot_max"]
    parts = proposal["by_components"]["limits"]["color"]["components_max"]
    assert f"of at most {most:.2f} (CIEDE2000)" in proposal["says"]
    assert ", ".join(f"{parts[name]:.2f} on d{name}*" for name in "Lab") in proposal["says"]
    assert "%" not in proposal["says"]
    assert most > 0.3
    assert 0.2 < parts["b"] < parts["L"] < 5.0
    assert (
        f"Loosens the colour difference of the lot from 0.3 to {most:g}. Keeps the colour difference of a spool 1.3, dL* 5, db* 0.2."
        == proposal["by_delta_e"]["says"]
    )
    assert (
        f"Tightens dL* from 5 to {parts['L']:g}. Loosens db* from 0.2 to {parts['b']:g}. Sets da* {parts['a']:g}. "
        "Keeps the colour difference of the lot 0.3, the colour difference of a spool 1.3."
        == proposal["by_components"]["says"]
    )


def test_the_tolerance_is_told_in_a_plain_sentence(shop, grade):
    """The reach along each coordinate is that of the ellipsoid's form, to two digits."""
    says = keep(shop, grade, trial_of(simulated(judged=100_000)))["tolerance"]["says"]
    L, a, b = (true_half(way) for way in np.eye(3))
    assert says.startswith(
        f"Observers accept differences up to {L:.2g} in lightness, {a:.2g} in red-green and {b:.2g} in yellow-blue"
    )
    assert "Every axis is already known to 10 %." in says


def test_plaques_that_differ_in_lightness_only_are_told_so(shop, grade):
    """Eighteen plaques that differ in lightness alone show no shape, with the reason."""
    grey = [{"apart": [0.1 * n, 0, 0], "accepted": 18 - n, "judged": 20} for n in range(1, 19)]
    why = keep(shop, grade, trial_of(grey))["why_no_tolerance"]
    assert why.startswith(
        "18 plaques are not enough to compute a tolerance. All plaques differ from the reference only in lightness."
    )
    assert "at least 7" not in why


def test_a_plaque_sent_twice_is_refused_where_it_stands_again(shop, grade):
    """A repeated plaque code is refused at its second place, and nothing is stored."""
    first, second, *rest = simulated(plaques=10)
    said = keep(shop, grade, trial_of([{**first, "code": "P1"}, {**second, "code": "P1"}, *rest]), 422)
    assert ["/plaques/1/code"] == [fault["pointer"] for fault in said["errors"]]
    assert [] == shop.get("quality", f"/grades/{grade['id']}/visual-trials")["items"]


def test_what_is_proposed_lets_nothing_through_that_the_observers_did_not(shop, grade):
    """Corners of the box, and colours at the proposed difference, lie inside the known tolerance within 5 % of its reach."""
    proposal = keep(shop, grade, trial_of(simulated()))["proposal"]
    halves = [proposal["by_components"]["limits"]["color"]["components_max"][name] for name in "Lab"]
    for signs in ([1, 1, 1], [1, 1, -1], [1, -1, 1], [1, -1, -1]):
        corner = np.array(signs) * halves
        assert corner @ TRUE @ corner <= 1.05**2
    most = proposal["by_delta_e"]["limits"]["color"]["lot_max"]
    assert most == int(proposal["delta_e"] * 100) / 100
    ways = np.random.default_rng(2).normal(size=(200, 3))
    edges = (ways.T / np.sqrt(np.einsum("ij,jk,ik->i", ways, TRUE, ways))).T
    pairs = [{"reference": WHITE, "sample": (np.array(WHITE) + edge).tolist()} for edge in edges]
    body = {"pairs": pairs, "formula": proposal["formula"]}
    sizes = [row["delta_e"] for row in shop.post("quality", "/color-differences", body, 200)["differences"]]
    assert most <= min(sizes) * 1.05


def test_judgements_by_observer_also_tell_how_observers_differ(shop, grade):
    """Twelve observers with different strictness give wider intervals for all observers than for this panel."""
    votes = panels(np.random.default_rng(6), 12, 1.5)
    plaques = [
        {
            "apart": list(places[0].apart),
            "judgements": [{"observer": f"O{n}", "accepted": bool(p.accepted)} for n, p in enumerate(places)],
        }
        for places in zip(*votes, strict=True)
    ]
    said = keep(shop, grade, trial_of(plaques))
    assert (40, 480) == (said["plaque_count"], said["judgement_count"])
    panel, at_large = said["tolerance"]["axes"], said["across_observers"]["axes"]
    assert [axis["half"] for axis in panel] == [axis["half"] for axis in at_large]
    assert sum(axis["high"] / axis["low"] for axis in at_large) > sum(axis["high"] / axis["low"] for axis in panel)
    counted = keep(shop, grade, trial_of(simulated(plaques=20)))
    assert counted["across_observers"]["axes"] is None
    assert "do not name observers" in counted["across_observers"]["why_not"]


def test_a_trial_without_a_tolerance_is_kept_and_says_what_to_show_next(shop, grade):
    """A trial of three plaques is stored without tolerance or proposal, with the reason."""
    said = keep(shop, grade, trial_of(simulated()[:3], note="a first look"))
    assert (None, None) == (said["tolerance"], said["proposal"])
    assert "Show at least 7 plaques" in said["why_no_tolerance"]
    assert said["why_no_tolerance"] == said["why_no_proposal"]
    assert said == shop.get("quality", f"/visual-trials/{said['id']}")


def test_the_trials_of_a_grade_are_listed_and_each_found_by_its_number(shop, grade):
    """Trials of a grade are listed, oldest first, without results and without other grades'; an unknown number is 404."""
    numbers = [keep(shop, grade, trial_of(simulated(plaques=n)))["id"] for n in (10, 12)]
    keep(shop, shop.grade("OTHER"), trial_of(simulated(plaques=10)))
    listed = shop.get("quality", f"/grades/{grade['id']}/visual-trials")["items"]
    assert list(zip(numbers, (10, 12), strict=True)) == [(row["id"], row["plaque_count"]) for row in listed]
    assert "tolerance" not in listed[0]
    shop.get("quality", "/visual-trials/999", 404)
    shop.get("quality", "/grades/999/visual-trials", 404)


def test_a_trial_stays_with_the_reference_it_was_judged_against(shop, grade):
    """A later revision of the shade changes neither the trial nor its result."""
    said = keep(shop, grade, trial_of(simulated()))
    shop.approve(grade["shade_id"], [94.0, -0.5, 2.0])
    now = shop.get("quality", f"/visual-trials/{said['id']}")
    assert (1, WHITE, said["tolerance"]) == (now["shade_revision"], now["reference"], now["tolerance"])
    assert 2 == keep(shop, grade, trial_of(simulated()))["shade_revision"]


def test_a_tolerance_that_ends_beyond_what_was_shown_gives_no_limits(shop, grade):
    """A tolerance extrapolated beyond the plaques is reported without proposed limits."""
    near = [
        {**p, "apart": [part * 0.4 for part in p["apart"]], "accepted": round(p["judged"] * share)}
        for p, share in zip(simulated(), np.linspace(0.97, 0.9, 60), strict=True)
    ]
    said = keep(shop, grade, trial_of(near))
    assert said["proposal"] is None
    assert said["why_no_proposal"]


WRONG = {
    "no colour": ({"accepted": 1, "judged": 2}, "/plaques/0/lab"),
    "two colours": ({"lab": WHITE, "apart": [0, 0, 0], "accepted": 1, "judged": 2}, "/plaques/0/lab"),
    "no judgement": ({"apart": [0, 0, 1]}, "/plaques/0/judgements"),
    "judged twice": (
        {"apart": [0, 0, 1], "accepted": 1, "judged": 1, "judgements": [{"observer": "A", "accepted": True}]},
        "/plaques/0/judgements",
    ),
    "of how many": ({"apart": [0, 0, 1], "accepted": 1}, "/plaques/0/judged"),
    "more than all": ({"apart": [0, 0, 1], "accepted": 3, "judged": 2}, "/plaques/0/accepted"),
    "another colour": ({"lab": [40.0, 30.0, 10.0], "accepted": 1, "judged": 2}, "/plaques/0/lab"),
    "a lost point": ({"apart": [0, 0, 45], "accepted": 1, "judged": 2}, "/plaques/0/apart"),
    "whiter than can be": ({"apart": [20, 0, 0], "accepted": 1, "judged": 2}, "/plaques/0/apart"),
}


@pytest.mark.parametrize(("plaque", "pointer"), WRONG.values(), ids=WRONG)
def test_a_plaque_that_cannot_be_is_refused_where_it_stands(shop, grade, plaque, pointer):
    """An impossible plaque is refused with plaque and field, and nothing is stored."""
    said = keep(shop, grade, trial_of([plaque, *simulated()]), 422)
    assert [pointer] == [fault["pointer"] for fault in said["errors"]]
    assert [] == shop.get("quality", f"/grades/{grade['id']}/visual-trials")["items"]


def test_differences_that_no_instrument_tells_are_none(shop, grade):
    """A trial of plaques that differ from the reference by rounding is stored without a tolerance."""
    tiny = [{**p, "apart": [part * 1e-160 for part in p["apart"]]} for p in simulated(plaques=20, judged=20)]
    said = keep(shop, grade, trial_of(tiny))
    assert "not enough to compute a tolerance" in said["why_no_tolerance"]
    near = [{**p, "apart": [part * 1e-3 for part in p["apart"]]} for p in simulated()]
    proposal = keep(shop, grade, trial_of(near))["proposal"]
    assert "finer than any instrument resolves" in proposal["by_delta_e"]["why_not"]
    assert (None, []) == (proposal["by_delta_e"]["limits"], proposal["by_delta_e"]["would_fail"])


def test_a_crowd_of_observers_is_refused(shop, grade):
    """More than fifty observers are refused; counts accept any number."""
    votes = [{"observer": f"O{number}", "accepted": number % 2 == 0} for number in range(51)]
    said = keep(shop, grade, trial_of([{"apart": [0.5, 0, 0], "judgements": votes}]), 422)
    assert ["/plaques"] == [fault["pointer"] for fault in said["errors"]]


def test_plaques_measured_in_another_way_are_refused(shop, grade):
    """Plaques under other conditions are refused with each different condition."""
    said = keep(shop, grade, {**trial_of(simulated()), "conditions": {**CONDITIONS, "specular": "excluded"}}, 422)
    assert ["/conditions/specular"] == [fault["pointer"] for fault in said["errors"]]


def test_without_an_approved_reference_there_is_nothing_to_judge_against(shop):
    """Without an approved reference a trial is 409 with the remedy."""
    shade = shop.post("quality", "/shades", {"code": "NEW", "name": "New"})
    said = keep(shop, shop.grade("NEW", shade_id=shade["id"]), trial_of(simulated()), 409)
    assert "Approve one first." in said["detail"]
    assert "Approve one first." in keep(shop, shop.grade("BARE", shade_id=None), trial_of(simulated()), 409)["detail"]


def test_a_grade_without_limits_gets_a_proposal_of_colour_alone(shop):
    """A grade without limits gets a proposal for colour in CIEDE2000, which makes its first limits."""
    bare = shop.grade("BARE")
    said = keep(shop, bare, trial_of(simulated()))["proposal"]
    limits = said["by_delta_e"]["limits"]
    assert ("CIEDE2000", {"color", "note"}) == (said["formula"], set(limits))
    assert 1 == shop.limit(bare["id"], limits)["revision"]


def test_the_proposal_is_in_the_formula_that_the_limits_use(shop):
    """With limits in CIE76 the proposal is in CIE76, and its difference is the shortest axis, 0.45 (the ellipsoid itself)."""
    plain = shop.grade("PLAIN", {"color": {"formula": "CIE76", "lot_max": 2.0, "spool_max": 2.5}})
    said = keep(shop, plain, trial_of(simulated()))
    proposal = said["proposal"]
    assert ("CIE76", []) == (proposal["formula"], proposal["weights"])
    assert pytest.approx(said["tolerance"]["axes"][-1]["half"], rel=1e-3) == proposal["delta_e"]
    assert 2.5 == proposal["by_delta_e"]["limits"]["color"]["spool_max"]
    shop.limit(plain["id"], proposal["by_components"]["limits"])


def test_a_trial_repeated_under_its_key_is_kept_once(shop, grade):
    """A repeat under the same key gets the first answer and its address."""
    first = keep(shop, grade, trial_of(simulated(plaques=10)), Idempotency_Key="k")
    answer = shop.call(
        "quality", "POST", f"/grades/{grade['id']}/visual-trials", trial_of(simulated(plaques=10)), Idempotency_Key="k"
    )
    assert (first, f"/v1/visual-trials/{first['id']}") == (answer.get_json(), answer.headers["Location"])
    assert 1 == len(shop.get("quality", f"/grades/{grade['id']}/visual-trials")["items"])
