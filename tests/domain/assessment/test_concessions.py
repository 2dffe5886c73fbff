"""What a concession permits and when it does not apply. Source: ISO 9000:2015, 3.12.5 (quantity or time, and a specific use); the rest is this project's rule."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.concessions import Concession, permitting, reserved_g
from tests.domain.builders import MONDAY

END = MONDAY + timedelta(hours=10)
TERMS = Concession(
    number=4,
    uses=("cosmetic", "load_bearing"),
    max_mass_g=12_000.0,
    taken_g=2_000.0,
    valid_until=END,
    finish_running=True,
    requested_by="mara",
    approved_by="ines",
)
SECOND = timedelta(seconds=1)

AGAINST = {
    "not-approved": ({"approved_by": None}, {}, "concession 4 is not approved yet"),
    "withdrawn": ({"withdrawn": True}, {}, "concession 4 was withdrawn"),
    "other-use": ({}, {"use": "flexing"}, "concession 4 is for cosmetic, load-bearing, not for flexing"),
    "other-use-said-plainly": (
        {"uses": ("cosmetic",)},
        {"use": "load_bearing"},
        "concession 4 is for cosmetic, not for load-bearing",
    ),
    "ran-out": ({}, {"at": END + SECOND}, "concession 4 expired at 2025-03-03 18:00 UTC"),
    "used-up": ({"taken_g": 12_000.0}, {}, "concession 4 is used up (12000 g)"),
    "overdrawn": ({"taken_g": 12_500.0}, {}, "concession 4 is used up (12000 g)"),
    "too-little": ({}, {"mass_g": 10_001.0}, "concession 4 has 10000 g left, less than the 10001 g of the job"),
}


def asked(concession: Concession, use: str = "cosmetic", mass_g: float | None = 500.0, at=MONDAY) -> str | None:
    """Reasons against a cosmetic load of 500 g on Monday morning, unless changed."""
    return concession.against(use, mass_g, at)


@pytest.mark.parametrize("case", AGAINST)
def test_each_reason_against_in_words(case):
    """A concession that does not permit a load names itself and the reason."""
    terms, ask, says = AGAINST[case]
    assert says == asked(replace(TERMS, **terms), **ask)


@pytest.mark.parametrize("use", TERMS.uses)
def test_it_permits_what_it_names(use):
    """A concession permits each use it names, within its time and mass."""
    assert asked(TERMS, use) is None


@pytest.mark.parametrize(
    ("ask", "permits"),
    [
        ({"at": END}, True),
        ({"at": END - SECOND}, True),
        ({"at": END + timedelta(microseconds=1)}, False),
        ({"mass_g": 10_000.0}, True),
        ({"mass_g": 10_000.0 + 1e-12}, True),
        ({"mass_g": 10_000.001}, False),
        ({"mass_g": None}, True),
    ],
    ids=[
        "last-moment",
        "a-second-before",
        "a-hair-after",
        "the-last-gram",
        "last-bit",
        "a-milligram-more",
        "nobody-said",
    ],
)
def test_both_ends_are_inside(ask, permits):
    """The last moment and the last gram belong to a concession; any more does not."""
    assert permits is (asked(TERMS, **ask) is None)


@pytest.mark.parametrize("left", [0.0, 1e-12, 0.001], ids=str)
def test_without_a_stated_mass_anything_left_will_do(left):
    """Without a stated mass, any real remainder permits a load, and a remainder from rounding does not."""
    concession = replace(TERMS, taken_g=TERMS.max_mass_g - left)
    assert (left == 0.001) is (asked(concession, mass_g=None) is None)


@pytest.mark.parametrize(("taken", "left"), [(0.0, 12_000.0), (11_999.5, 0.5), (12_000.0, 0.0), (15_000.0, 0.0)])
def test_what_is_left_is_never_negative(taken, left):
    """A weighing that shows more than the permitted use leaves 0 g, never a negative amount."""
    assert left == replace(TERMS, taken_g=taken).left_g


@pytest.mark.parametrize(
    ("left", "on_spool", "needs", "reserved"),
    [
        (10_000.0, 800.0, 300.0, 300.0),
        (10_000.0, 800.0, None, 800.0),
        (500.0, 800.0, None, 500.0),
        (500.0, 800.0, 500.0, 500.0),
        (500.0, 800.0, 600.0, 500.0),
        (0.0, 800.0, None, 0.0),
    ],
    ids=["stated", "unstated", "unstated-little-left", "the-last", "more-than-left", "nothing-left"],
)
def test_what_a_load_sets_aside(left, on_spool, needs, reserved):
    """A load reserves the mass of its job or the whole spool, and never more than the concession has left."""
    assert reserved == reserved_g(replace(TERMS, taken_g=12_000.0 - left), on_spool, needs)


MASSES = st.floats(0.0, 20_000.0)


@given(taken=MASSES, on_spool=MASSES, needs=st.one_of(st.none(), MASSES))
def test_loads_that_are_permitted_never_take_more_than_was_granted(taken, on_spool, needs):
    """A permitted load's reservation fits into the remaining mass, whatever was used before."""
    concession = replace(TERMS, taken_g=taken)
    reserved = reserved_g(concession, on_spool, needs)
    assert 0 <= reserved <= concession.left_g
    if asked(concession, mass_g=needs) is None and needs is not None:
        assert pytest.approx(needs, abs=1e-9) == reserved


@pytest.mark.parametrize(
    ("finish", "then"),
    [(True, "A job that began in time may finish."), (False, "Unload by then.")],
    ids=["may-run", "unload"],
)
def test_it_words_its_own_terms(finish, then):
    """The terms are two sentences: uses, number, remaining mass and end; then what follows the end. They name the approver after approval."""
    uses, rest = (
        "for cosmetic and load-bearing, under concession 4",
        f": at most 10000 g, until 2025-03-03 18:00 UTC. {then}",
    )
    granted = replace(TERMS, finish_running=finish)
    assert f"Permitted only {uses}, approved by ines{rest}" == granted.says
    assert f"Permitted only {uses}{rest}" == replace(granted, approved_by=None).says
    assert f"{uses}{rest}" == granted.terms


LATER = replace(TERMS, number=2, valid_until=END + timedelta(days=1))
SOONER = replace(TERMS, number=9, valid_until=END - timedelta(hours=1))
AS_SOON = replace(TERMS, number=3)


@pytest.mark.parametrize(
    ("concessions", "number"),
    [
        ([TERMS, LATER, SOONER], 9),
        ([LATER, TERMS], 4),
        ([TERMS, AS_SOON], 3),
        ([replace(SOONER, withdrawn=True), TERMS], 4),
        ([replace(SOONER, uses=("hidden",)), LATER], 2),
        ([replace(SOONER, taken_g=11_800.0), LATER], 2),
    ],
    ids=["soonest", "two", "tie-by-number", "not-withdrawn", "not-other-use", "not-too-little"],
)
def test_the_one_that_runs_out_first_is_used_first(concessions, number):
    """Of several applicable concessions the one that ends first is used, whatever their order."""
    for order in (concessions, concessions[::-1]):
        found, reasons = permitting(order, "cosmetic", 500.0, MONDAY)
        assert (number, []) == (found.number, reasons)


def test_when_none_helps_each_says_why():
    """When no concession applies, each gives its own reason, in the stored order."""
    concessions = [replace(TERMS, number=1, withdrawn=True), replace(TERMS, number=2, approved_by=None)]
    assert (
        None,
        [
            "Concession 1 was withdrawn.",
            "Concession 2 is not approved yet.",
        ],
    ) == permitting(concessions, "cosmetic", 500.0, MONDAY)


def test_without_concessions_there_is_nothing_to_say():
    """A lot without a concession has no concession and no reason."""
    assert (None, []) == permitting([], "cosmetic", 500.0, MONDAY)
