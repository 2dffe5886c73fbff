"""Stored results of an assessment, and the start of the next one, on rows built here. Source: this project's rules."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from lots.domain.assessment.assessment import Assessment, Summary
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import CURRENT, FIRST, SECOND, THIRD
from lots.domain.receiving.coverage import Coverage, Presented
from lots.domain.receiving.sampling_plans import plan_for
from lots.services.assessment import judging

LIMIT = Limit(None, 1.0)
CODE = "color.lot_delta_e"
# 60 spools at AQL 4.0 under reduced inspection: Ac 0, Re 2, and one bad spool ends reduced inspection (MIL-STD-105E, Table II-C).
GAP = Coverage((Presented(60, 5, plan=plan_for(60, "II", 4.0, "reduced")),))


def finding(verdict, value=2.0, code=CODE, **more):
    """A finding that a use waits for."""
    return Finding(code, verdict, LIMIT, value, 2, **{"uses": ("general",), **more})


def judged(*findings, standing="blocked", rules=THIRD, coverage=GAP, to_measure=()):
    """An assessment with these findings."""
    found = Assessment(standing, {"general": "fail"}, findings, to_measure, (), Summary())
    return SimpleNamespace(
        assessment=found, standing=standing, rules=rules, sources={}, coverage=coverage, reinspected_until=None
    )


def lot(number=1, accepted=("color",), **more):
    """An earlier lot with a colour and its shrinkage."""
    kept = {"lab": [95.0, -0.8, 1.5], "lab_uncertainty": None, "shrinkage": {}, "shrinkage_uncertainty": {}}
    figures = {"basis": {"color": "c", "shrinkage": "s"}, "freedom": {"color": {"L": 3}}}
    return SimpleNamespace(id=number, accepted=list(accepted), figures=figures, **{**kept, **more})


def test_a_refused_lot_says_every_failure_that_refuses_it():
    """A rejected lot lists every rejecting failure, without passing, held or optional findings."""
    one, two = finding("fail"), finding("fail", 3.0)
    others = [finding("pass", 0.5), finding("near", 0.99), finding("fail", hold=True), finding("fail", uses=())]
    assert f"{one.message} {two.message}" == judging.reason_for(judged(one, *others, two).assessment)


def test_a_lot_without_failures_says_that_it_passes_or_what_is_still_to_do():
    """A lot without failures passes or lists its tasks; a held failure is no failure of the lot."""
    held = finding("fail", hold=True)
    assert "Every required finding passes." == judging.reason_for(judged(held, standing="released").assessment)
    waiting = judged(held, standing="quarantined", to_measure=("colour", "diameter")).assessment
    assert "Still to do: colour; diameter." == judging.reason_for(waiting)


@pytest.mark.parametrize(
    ("found", "failed", "not_proved"),
    [
        (finding("fail", claimable=True), [CODE], []),
        (finding("fail", claimable=False), [CODE], [CODE]),
        (finding("fail", claimable=False, hold=True), [], []),
        (finding("fail", claimable=False, uses=()), [], []),
        (finding("pass", 0.5), [], []),
    ],
    ids=["proved", "not-proved", "held", "no-use", "pass"],
)
@pytest.mark.parametrize("rules", [FIRST, SECOND, THIRD])
def test_what_fails_is_kept_by_its_code(rules, found, failed, not_proved):
    """Failures are stored by code, and their proof from version 3 of the rules on."""
    kept = judging.derived(judged(found, rules=rules))["figures"]
    assert failed == kept["failed"]
    assert (not_proved if rules >= THIRD else []) == kept.get("not_proved", [])


def test_the_verdict_is_kept_with_the_figures():
    """Status, uses and passed characteristics are stored with the figures."""
    kept = judging.derived(judged(finding("pass", 0.5), finding("fail", code="diameter.spool_mean")))
    assert ("blocked", "blocked", {"general": "fail"}, ["color"], ["diameter"]) == tuple(
        kept[name] for name in ("standing", "assessed", "uses", "accepted", "retestable")
    )


def first(standing, *findings, before=None, retest=False, voided=False, coverage=GAP):
    """The result of a lot's first inspection."""
    row = SimpleNamespace(first_inspection=before)
    done = judged(*findings, standing=standing, coverage=coverage)
    return judging._first_inspection(row, done, retest=retest, voided=voided)


def count(value):
    """A count of nonconforming spools."""
    return finding("pass", value, "sampling.nonconforming")


@pytest.mark.parametrize(
    ("standing", "findings", "ended"),
    [
        ("released", [count(0.0)], (True, False)),
        ("released", [count(1.0)], (True, True)),
        ("restricted", [count(0.0), count(1.0)], (True, True)),
        ("released", [], (True, False)),
        ("released", [finding("pass", 7.0)], (True, False)),
        ("released", [count(None)], (True, False)),
        ("blocked", [count(1.0)], (False, False)),
    ],
)
def test_a_first_inspection_ends_accepted_refused_or_in_the_gap_of_its_plan(standing, findings, ended):
    """A count between Ac and Re accepts the lot and ends reduced inspection."""
    accepted, within_gap = ended
    expected = {"accepted": accepted, "within_gap": within_gap, "retested": False, "uses": {"general": "fail"}}
    assert expected == first(standing, *findings)


def test_a_first_inspection_that_is_not_over_is_not_kept():
    """A lot in quarantine has no result of its first inspection, and there is no gap without a plan."""
    assert first("quarantined", count(0.0)) is None
    assert not first("released", count(9.0), coverage=Coverage((Presented(60, 5),)))["within_gap"]


@pytest.mark.parametrize(
    ("retested", "retest", "voided", "stays"),
    [
        (False, False, False, False),
        (False, True, False, True),
        (False, True, True, True),
        (True, False, False, True),
        (True, False, True, False),
        (True, True, True, True),
    ],
)
def test_repeated_readings_do_not_change_how_the_first_inspection_ended(retested, retest, voided, stays):
    """Repeated readings mark a rejection as repeated, and a void restarts the inspection."""
    before = {"accepted": False, "within_gap": False, "retested": retested}
    ended = first("released", before=before, retest=retest, voided=voided)
    kept = {} if stays else {"uses": {"general": "fail"}}
    assert ended == {"accepted": not stays, "within_gap": False, "retested": stays, **kept}


def earlier(monkeypatch, *lots):
    """Sets the earlier lots, newest first, without stored spread."""
    monkeypatch.setattr(judging.lots, "earlier", lambda *_: list(lots))
    monkeypatch.setattr(judging.lots, "newest_of_grade", lambda *_: [])


def test_steps_start_at_the_newest_lot_accepted_for_their_characteristic(monkeypatch):
    """Each characteristic's step starts at its newest accepted lot, with the basis of its figures; lots without a figure are skipped."""
    chosen = lot(3, ("color", "shrinkage"), shrinkage={"x": 0.3})
    earlier(monkeypatch, lot(5, ()), lot(4, lab=None), chosen, lot(2, ("color", "shrinkage"), shrinkage={"x": 0.4}))
    found = judging.find_previous(lot(6), SECOND)
    assert (3, 3, {"x": 0.3}) == (found["color_lot_id"], found["shrinkage_lot_id"], found["shrinkage"])
    assert ({"color": "c", "shrinkage": "s"}, {"color": {"L": 3}}) == (found["basis"], found["freedom"])


def test_without_an_earlier_lot_nothing_is_kept(monkeypatch):
    """Without an earlier lot no step has a start."""
    earlier(monkeypatch)
    assert {} == judging.find_previous(lot(6), SECOND)
    bare = lot(5)
    bare.figures = {}
    earlier(monkeypatch, bare)
    assert not judging.find_previous(lot(6), SECOND).keys() & {"basis", "freedom", "scatter", "shrinkage_lot_id"}


@pytest.mark.parametrize(("rules", "lends"), [(SECOND, False), (THIRD, False), (CURRENT, True)])
def test_earlier_lots_lend_their_scatter_from_version_4_on(monkeypatch, rules, lends):
    """From version 4 on earlier lots provide their spread; a lot without one provides none."""
    asked = []
    earlier(monkeypatch)
    some = [SimpleNamespace(figures={"scatter": "kept"}), SimpleNamespace(figures={})]
    monkeypatch.setattr(judging.lots, "newest_of_grade", lambda *given: some[: 1 + (given[3] is None)])
    monkeypatch.setattr(judging, "lent", lambda grade, supplier: asked.append((grade, supplier)) or {"lent": {}})
    row = lot(6, grade_id=1, supplier_id=2)
    assert lends is ("scatter" in judging.find_previous(row, rules))
    assert ([(["kept", {}], ["kept"])] if lends else []) == asked


@pytest.mark.parametrize(
    ("measured", "has", "renew", "newest"),
    [
        (True, True, False, False),
        (True, True, True, True),
        (True, False, False, True),
        (False, True, False, True),
    ],
    ids=["begun", "asked", "has-none", "unmeasured"],
)
@pytest.mark.parametrize("shade_id", [None, 7])
def test_a_lot_keeps_the_revisions_it_was_begun_under(monkeypatch, measured, has, renew, newest, shade_id):
    """The newest revisions apply before the first reading, where none exists yet, and on quality's request."""
    monkeypatch.setattr(judging.catalog, "current_limits", lambda _: "new limits")
    monkeypatch.setattr(judging.catalog, "current_shade_revisions", lambda ids: {ids[0]: "new shade"})
    old = ("old limits", "old shade") if has else (None, None)
    grade = SimpleNamespace(shade_id=shade_id)
    row = SimpleNamespace(limits_revision=old[0], shade_revision=old[1], measured=measured, grade_id=1, grade=grade)
    expected = ("new limits" if newest else old[0], "new shade" if newest and shade_id else old[1])
    assert expected == judging.revisions_for(row, renew=renew)


def agreed(formula="CIEDE2000", rules=CURRENT):
    """A limits revision with a colour formula."""
    return SimpleNamespace(body={"color": {"formula": formula}}, rules=rules)


BEGUN = {"color_lot_id": 3, "lab": [95.0, -0.8, 1.5]}


@pytest.mark.parametrize(
    ("limits", "previous", "stays"),
    [
        (agreed(), BEGUN, True),
        (agreed("CIE76"), BEGUN, False),
        (agreed(), BEGUN | {"color_lot_id": 4}, False),
        (agreed(), BEGUN | {"lab": [95.1, -0.8, 1.5]}, False),
        (None, BEGUN, False),
    ],
    ids=["same", "other-formula", "other-lot", "other-colour", "no-limits"],
)
def test_an_accepted_step_stays_accepted_from_the_same_lot_by_the_same_formula(monkeypatch, limits, previous, stays):
    """An accepted step stays accepted from the same lot by the same formula; rules are those of the limits, else the newest."""
    monkeypatch.setattr(judging, "find_previous", lambda row, rules: previous)
    row = SimpleNamespace(
        limits_revision=agreed(), previous=BEGUN, by_hand=None, retests_cleared={}, steps_accepted={"color.step": 0.75}
    )
    terms = judging.terms_anew(row, limits, None)
    assert ({"color.step": 0.75} if stays else {}) == terms.steps_accepted
    assert (previous, CURRENT, limits) == (terms.previous, terms.rules, terms.limits)


@pytest.mark.parametrize(
    ("measured", "renew", "anew"), [(True, False, False), (True, True, True), (False, False, True)]
)
def test_a_lot_is_judged_anew_before_its_first_reading_and_when_asked(monkeypatch, measured, renew, anew):
    """A new starting lot applies before the first reading and on request; otherwise the lot keeps its own."""
    seen = []

    class Stop(Exception):
        """Raised once the arguments are known."""

    def stop(row, terms):
        seen.append(terms.previous)
        raise Stop

    monkeypatch.setattr(judging, "find_previous", lambda row, rules: {"color_lot_id": 9})
    monkeypatch.setattr(judging, "revisions_for", lambda row, renew: (agreed(), None))
    monkeypatch.setattr(judging, "assess_lot", stop)
    row = SimpleNamespace(
        limits_revision=agreed(), shade_revision=None, previous=BEGUN, by_hand=None, retests_cleared={},
        steps_accepted=None, rules=CURRENT, measured=measured,
    )  # fmt: skip
    with pytest.raises(Stop):
        judging.decide_lot(row, "Ines", None, judging.Occasion(renew=renew))
    assert [{"color_lot_id": 9} if anew else BEGUN] == seen


@pytest.mark.parametrize(("rules", "kept"), [(SECOND, False), (THIRD, True), (CURRENT, True)])
def test_what_settings_need_is_kept_from_version_3_on(monkeypatch, rules, kept):
    """From version 3 on the uncertainty of flow of lot and spools, and measurements per printer, are stored."""
    monkeypatch.setattr(judging, "of_judged", lambda _: {})
    monkeypatch.setattr(judging, "kept_scatter", lambda _: {})
    done = judged(rules=rules)
    printed = {"gloss": {"P-1|": {"n": 2}}}
    summary = Summary(flow_uncertainty=0.01, spool_flow_uncertainty={"S-1": 0.02}, printed=printed)
    done.assessment = replace(done.assessment, summary=summary)
    row = judging.derived(done)
    assert ((0.01, printed) if kept else (None, None)) == (row["flow_uncertainty"], row["printed"])
    assert ({"S-1": 0.02} if kept else {}) == judging.of_spools(done)["flow_uncertainty"]


def test_an_occasion_is_no_retest_and_renews_nothing_unless_it_says_so():
    """An assessment is no retest and renews nothing by default."""
    occasion = judging.Occasion()
    assert ("judge", "", False, False, {}) == (
        occasion.action,
        occasion.reason,
        occasion.renew,
        occasion.retest,
        occasion.wrote,
    )
