"""Re-inspection at the end of a shelf life. Source: this project's rules."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Evidence
from lots.domain.assessment.limits_revision import Limits
from lots.domain.assessment.reinspection import latest_use_by, measurable, reinspected_until, still_to_do
from lots.domain.characteristics.bond.lot_bond import BondLimits
from tests.domain.builders import EVERY_LIMIT, GOOD, MONDAY, assessed, bar

JUNE, AUTUMN = MONDAY + timedelta(days=90), MONDAY + timedelta(days=200)


@pytest.mark.parametrize(
    ("inspections", "until"),
    [
        ([], None),
        ([(JUNE, False)], None),
        ([(JUNE, True)], JUNE),
        ([(JUNE, True), (AUTUMN, False)], JUNE),
        ([(JUNE, True), (AUTUMN, True)], AUTUMN),
        ([(AUTUMN, True), (JUNE, False)], JUNE),
        ([(AUTUMN, True), (JUNE, True)], JUNE),
    ],
    ids=["none", "not complete", "complete", "next begun", "next complete", "shortened at once", "shortened"],
)
def test_the_newest_complete_one_counts_and_a_newer_one_may_only_shorten_it(inspections, until):
    """The newest complete re-inspection sets the date; an incomplete newer one can only shorten it."""
    assert until == reinspected_until(inspections)


@given(st.lists(st.tuples(st.integers(1, 400).map(lambda d: MONDAY + timedelta(days=d)), st.booleans())))
def test_no_date_holds_without_a_complete_re_inspection(inspections):
    """The date is one of the recorded dates, and there is none without a complete re-inspection."""
    until = reinspected_until(inspections)
    assert (until is not None) == any(complete for _, complete in inspections)
    assert until in (None, *(use_by for use_by, _ in inspections))


def test_a_re_inspection_is_done_by_its_new_readings_alone():
    """Only new readings complete a re-inspection: an unmeasured or failing characteristic remains to be done, a passing one does not."""
    assert () == still_to_do(assessed(GOOD), "diameter")
    assert () == still_to_do(assessed(GOOD), "bond")
    (first, *_) = still_to_do(assessed(Evidence()), "diameter")
    assert first.startswith("for the re-inspection: measure diameter on 2 spools")
    weak = replace(GOOD, bond=(bar(9.0, u=0.2), *GOOD.bond[1:]))
    assert ("for the re-inspection: measure interlayer strength again",) == still_to_do(assessed(weak), "bond")


def test_what_no_limit_asks_is_never_done():
    """A characteristic without limits cannot pass a re-inspection."""
    none = replace(EVERY_LIMIT, bond=None)
    assert ("for the re-inspection: measure interlayer strength again",) == still_to_do(assessed(GOOD, none), "bond")


def test_only_what_a_use_requires_can_be_named():
    """Only blocks that a use requires can be named."""
    limits = Limits(diameter=EVERY_LIMIT.diameter, bond=BondLimits(mean_min_mpa=20.0), uses={"hidden": ("diameter",)})
    assert ("diameter",) == measurable(limits)
    assert () == measurable(None)


def test_a_new_date_lies_within_one_more_shelf_life():
    """A new date lies within one more shelf life: 365 days from Monday is the last moment."""
    assert MONDAY + timedelta(days=365) == latest_use_by(MONDAY, 365)
