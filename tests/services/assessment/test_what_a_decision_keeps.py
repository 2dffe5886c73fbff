"""Results of an assessment on the lot's row, the decision, the feed and the next lot. Source: this project's rules."""

from types import SimpleNamespace

import pytest

from lots.domain.assessment.assessment import Assessment, Summary
from lots.domain.conformity.rule_versions import CURRENT, SECOND, THIRD
from lots.domain.receiving.coverage import Coverage
from lots.services.assessment import judging
from lots.services.from_rows import UNNAMED
from tests.domain.builders import MONDAY

STEP = {"color.step": 0.75}
PASSES = {"cosmetic": "pass"}


def a_lot(**changed):
    """A measured, assessed and released lot."""
    row = {
        "id": 7,
        "supplier_lot": "Q-71",
        "measured": True,
        "judged_at": MONDAY,
        "standing": "released",
        "assessed": "released",
        "uses": PASSES,
        "accepted": [],
        "rules": CURRENT,
        "by_hand": None,
        "by_hand_reason": None,
        "previous": {},
        "retests_cleared": {},
        "steps_accepted": None,
        "first_inspection": None,
        "limits_revision": "limits",
        "shade_revision": "shade",
        "grade_id": 1,
        "grade": SimpleNamespace(shade_id=2),
    }
    return SimpleNamespace(**{**row, **changed})


@pytest.fixture
def kept(monkeypatch):
    """Rows in memory: saved columns, added decisions and history entries. Every lot is found released."""
    seen = SimpleNamespace(columns={}, decisions=[], history=[], recorded=0)

    def assess(row, terms):
        found = Assessment("released", PASSES, (), (), (), Summary())
        return SimpleNamespace(
            assessment=found, standing="released", rules=terms.rules, sources={}, coverage=Coverage(()),
            reinspected_until=None, reading_ids=[4, 5], recorded=seen.recorded,
        )  # fmt: skip

    def save(row, columns):
        seen.columns = columns
        vars(row).update(columns)

    def add(row, record, by, now):
        seen.decisions.append(record)
        return SimpleNamespace(id=31)

    def note(lot_id, what, by, now, written, changes=()):
        seen.history.append((what, written, list(changes)))

    monkeypatch.setattr(judging, "assess_lot", assess)
    monkeypatch.setattr(judging, "kept_scatter", lambda _: {})
    monkeypatch.setattr(judging, "of_judged", lambda _: {})
    monkeypatch.setattr(judging.lots, "save_judgement", save)
    monkeypatch.setattr(judging.spool_findings, "keep", lambda *given: None)
    monkeypatch.setattr(judging.decisions, "add", add)
    monkeypatch.setattr(judging.exposure, "open_containments", lambda *given: [{"containment_id": 12}])
    monkeypatch.setattr(judging.audit, "note", note)
    return seen


@pytest.mark.parametrize("accepted", [STEP, {}, None])
def test_steps_that_quality_accepted_stay_on_row_and_decision(kept, accepted):
    """Accepted steps are on row and decision; without one nothing is stored."""
    judging.decide_lot(a_lot(steps_accepted=accepted), "Ines", MONDAY, judging.Occasion())
    assert (accepted or None) == kept.columns["steps_accepted"] == kept.decisions[0]["steps_accepted"]


@pytest.mark.parametrize(
    ("changed", "moves"),
    [
        ({}, []),
        ({"standing": "blocked"}, [("blocked", "lot.released")]),
        ({"uses": {"cosmetic": "near"}}, [("released", "lot.released")]),
        ({"judged_at": None}, [(None, "lot.released")]),
    ],
    ids=["as-before", "other-standing", "other-verdict", "first-judgement"],
)
def test_a_decision_tells_where_the_lot_stood_before(kept, changed, moves):
    """A decision has the previous status: none for a new lot, and no change for an equal one."""
    judging.decide_lot(a_lot(**changed), "Ines", MONDAY, judging.Occasion(what="decided"))
    (what, written, changes), *others = kept.history
    assert ("decided", []) == (what, others)
    assert {"lot": [7], "decision": [31], "containment": [12]} == written
    assert {"containment_id": 12} == changes.pop()
    assert moves == [(one["before"] and one["before"]["standing"], one["kind"]) for one in changes]


@pytest.mark.parametrize(
    ("changed", "action", "decides"),
    [
        ({}, "judge", False),
        ({}, "void", True),
        ({"standing": "blocked"}, "judge", True),
        ({"assessed": "blocked"}, "judge", True),
        ({"uses": {}}, "judge", True),
        ({"accepted": ["color"]}, "judge", True),
        ({"judged_at": None}, "judge", True),
    ],
    ids=["figures-alone", "other-action", "standing", "assessed", "uses", "accepted", "first-judgement"],
)
def test_a_judgement_adds_a_decision_when_more_than_figures_changed(kept, changed, action, decides):
    """An assessment adds a decision when more than figures changed; the history has it once, with the caller's rows."""
    _, decision = judging.judge_lot(
        a_lot(**changed), "Ines", MONDAY, action=action, what="read", wrote={"reading": [4]}
    )
    assert decides is (decision is not None) is bool(kept.decisions)
    ((what, written, _),) = kept.history
    assert ("read", [7], [4], decides) == (what, written["lot"], written["reading"], "decision" in written)


@pytest.mark.parametrize(("reason", "says"), [("", "Every required finding passes."), ("seen", "seen")])
def test_a_decision_says_why_and_by_which_readings(kept, reason, says):
    """A decision has its readings and a reason, by default the words of the findings."""
    judging.decide_lot(a_lot(), "Ines", MONDAY, judging.Occasion("void", reason))
    (record,) = kept.decisions
    assert ("void", says, [4, 5], []) == tuple(record[name] for name in ("action", "reason", "reading_ids", "findings"))


@pytest.mark.parametrize(
    ("measured", "recorded", "after"), [(False, 0, False), (False, 2, True), (True, 0, True), (True, 2, True)]
)
def test_measuring_has_begun_with_the_first_reading_on_record(kept, monkeypatch, measured, recorded, after):
    """Measuring begins with the first recorded reading and stays so after voids."""
    kept.recorded = recorded
    monkeypatch.setattr(judging, "find_previous", lambda row, rules: {})
    monkeypatch.setattr(judging, "revisions_for", lambda row, renew: (None, None))
    judging.decide_lot(a_lot(measured=measured), "Ines", MONDAY, judging.Occasion())
    assert (after, MONDAY) == (kept.columns["measured"], kept.columns["judged_at"])


@pytest.mark.parametrize(("action", "retested"), [("judge", True), ("void", False), ("agree", False)])
def test_a_void_ends_a_repeated_first_inspection_anew(kept, action, retested):
    """A void restarts a repeated first inspection, and any other assessment keeps its result."""
    before = {"accepted": False, "within_gap": False, "retested": True}
    judging.judge_lot(a_lot(first_inspection=before), "Ines", MONDAY, action=action)
    ended = {"accepted": not retested, "within_gap": False, "retested": retested}
    uses = {} if retested else {"uses": {"cosmetic": "pass"}}
    assert ended | uses == kept.columns["first_inspection"]


def test_a_measured_lot_keeps_its_revisions_unless_asked(monkeypatch):
    """A measured lot keeps its revisions unless the newest are requested."""
    monkeypatch.setattr(judging.catalog, "current_limits", lambda _: "new limits")
    monkeypatch.setattr(judging.catalog, "current_shade_revisions", lambda ids: {ids[0]: "new shade"})
    assert ("limits", "shade") == judging.revisions_for(a_lot())
    assert ("new limits", "new shade") == judging.revisions_for(a_lot(), renew=True)


@pytest.mark.parametrize(
    ("rules", "sources"),
    [(SECOND, {}), (THIRD, {"color_sources": ["M-1", "P-1"]}), (CURRENT, {"color_sources": ["M-1", "P-1"]})],
)
def test_instruments_of_the_accepted_lot_stay_with_its_colour_from_version_3_on(monkeypatch, rules, sources):
    """The starting lot of a step is stored under every version, its named instruments from version 3 on."""
    figures = {"sources": {"color": ["M-1", UNNAMED, "P-1"], "shrinkage": ["M-2"]}}
    other = SimpleNamespace(id=3, accepted=["color"], figures=figures, lab=[95.0, -0.8, 1.5], lab_uncertainty={"n": 5})
    monkeypatch.setattr(judging.lots, "earlier", lambda *given: [other])
    monkeypatch.setattr(judging, "_lent_spread", lambda lot: {})
    expected = {"color_lot_id": 3, "lab": [95.0, -0.8, 1.5], "lab_uncertainty": {"n": 5}}
    assert expected | sources == judging.find_previous(a_lot(), rules)
