"""Changes of prohibited uses in any order: no prohibition ends without a reason and a person."""

from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.limits_revision import USES
from lots.domain.assessment.prohibitions import FILLER_KINDS
from lots.services.errors import Invalid
from lots.services.setup import grade_uses

NOW = datetime(2026, 11, 20, 11, tzinfo=UTC)
CARRIED = {
    "use": "fit",
    "reason": "never fit",
    "by": "lots migrate",
    "at": "2026-11-01T08:00:00.000000Z",
    "from_caution": True,
}
NAMES = st.lists(st.sampled_from(USES), max_size=3)
CHANGES = st.fixed_dictionaries(
    {},
    optional={
        "finish": st.sampled_from([None, "satin", "Matt", "matte"]),
        "filler": st.sampled_from([None, "none", "chalk"]),
        "filler_kind": st.sampled_from(FILLER_KINDS),
        "forbidden_uses": NAMES,
        "permitted_uses": NAMES,
        "forbidden_shapes": st.lists(st.just("thin_upright"), max_size=2),
        "reason": st.just("measured"),
        "color_name": st.just("Slate"),
    },
)


def row(**more):
    """A grade's row without statements."""
    columns = ("finish", "filler", "filler_kind", "forbidden_uses", "permitted_uses", "forbidden_shapes")
    return SimpleNamespace(**{**dict.fromkeys(columns), "color_name": "Slate", **more})


def forbidden(grade):
    """The prohibited uses of a grade."""
    return {one.about for one in grade_uses.material(grade).forbidden()}


def changed(grade, values, by="Ines"):
    """The row after a change, or before it if refused."""
    try:
        return SimpleNamespace(**{**vars(grade), **grade_uses.to_store(grade, values, by, NOW)})
    except Invalid:
        return grade


@given(st.booleans(), st.lists(CHANGES, max_size=6))
def test_nothing_is_lifted_without_a_reason(carried, changes):
    """A use that is no longer prohibited was freed by a change with a reason; refused changes change nothing."""
    grade = row(forbidden_uses=[CARRIED]) if carried else row()
    for values in changes:
        after = changed(grade, values)
        assert forbidden(grade) <= forbidden(after) or "reason" in values
        grade = after


@given(st.lists(CHANGES, max_size=6))
def test_whatever_quality_stated_or_permitted_has_its_reason(changes):
    """Every entry has reason, person and time, and a permission exists only for a prohibited use."""
    grade = row()
    for values in changes:
        grade = changed(grade, values)
        entries = [*(grade.forbidden_uses or ()), *(grade.permitted_uses or ()), *(grade.forbidden_shapes or ())]
        assert [("measured", "Ines")] * len(entries) == [(one["reason"], one["by"]) for one in entries]
        grounds = {one.about for one in grade_uses.material(grade).grounds()}
        assert {one["use"] for one in grade.permitted_uses or ()} <= grounds


@given(CHANGES, st.lists(st.sampled_from(USES), min_size=1, max_size=3, unique=True))
def test_what_a_change_forbids_is_forbidden_unless_it_permits_it_too(before, uses):
    """A new prohibition replaces an older permission."""
    grade = changed(row(), before)
    after = changed(grade, {"forbidden_uses": uses, "reason": "measured"})
    kept = {one["use"] for one in grade.forbidden_uses or ()} & {one["use"] for one in grade.permitted_uses or ()}
    assert set(uses) - kept <= forbidden(after)


def test_a_change_of_something_else_confirms_nothing():
    """A migrated prohibition stays unconfirmed until its list is sent with a reason."""
    grade = row(forbidden_uses=[CARRIED])
    for values in ({"color_name": "Slate", "reason": "typed"}, {"forbidden_uses": ["fit"]}):
        assert [CARRIED] == changed(grade, values).forbidden_uses
    (confirmed,) = changed(grade, {"forbidden_uses": ["fit"], "reason": "measured"}).forbidden_uses
    assert ("fit", "measured", "Ines") == (confirmed["use"], confirmed["reason"], confirmed["by"])
    assert "from_caution" not in confirmed


@pytest.mark.parametrize("values", [{"permitted_uses": ["hidden"]}, {"finish": "satin", "permitted_uses": ["flexing"]}])
def test_only_what_is_forbidden_can_be_permitted(values):
    """Only a prohibited use can be permitted."""
    with pytest.raises(Invalid, match="is not forbidden for"):
        grade_uses.to_store(row(finish="matte"), {**values, "reason": "measured"}, "Ines", NOW)
