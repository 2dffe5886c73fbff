"""The simulated year on a small scale: its counts agree with the API's, and the same seed gives the same year."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.tolerances import SAME_FORMULA
from tests.year import assumptions as assumed
from tests.year.__main__ import BEGIN, END, HERE, report
from tests.year.bench import Bench
from tests.year.counting import bad_g, bootstrap
from tests.year.habits import without_program
from tests.year.picture import bar_chart
from tests.year.program import Year, with_program
from tests.year.tables import PROGRAM, Ways
from tests.year.truth import Given, delta_e, year
from tests.year.wanted import asked_by

pytestmark = pytest.mark.thorough

SMALL = Given(lots=12)
STREAMS = list(assumed.STREAMS)


@pytest.fixture(scope="module")
def program() -> Year:
    """A dozen lots through the API."""
    return with_program(SMALL, STREAMS, listing=True)


@pytest.fixture(scope="module")
def ways(program: Year) -> Ways:
    """Every way of working with the same lots."""
    return {PROGRAM: program.outcomes, **{way: without_program(SMALL, n) for way, n in assumed.HABITS.items()}}


def test_counted_grams_are_those_of_the_loads_that_the_api_lists(program):
    """The masses of the API's loads, divided by the true values, are the counted grams."""
    spools = {spool.code: (one.lot, spool) for one in program.outcomes for spool in one.lot.spools}
    listed = [(*spools[load["spool_code"]], load) for load in program.listed]
    loads = [load for one in program.outcomes for load in one.loads]
    assert sum(load.grams for load in loads) == sum(load["mass_used_g"] for *_, load in listed) > 0
    bad = sum(load["mass_used_g"] for lot, spool, load in listed if lot.nonconforming(spool, load["use"]))
    assert sum(map(bad_g, program.outcomes)) == bad


def test_nothing_fails_and_every_lot_is_followed(program):
    """No answer is a server error, and every lot has readings and a verdict or a reason for none."""
    assert {200, 201, 409} >= set(program.statuses)
    assert SMALL.lots == len(program.outcomes)
    assert all(one.readings for one in program.outcomes)
    assert all(one.given_up or "held" not in one.uses.values() for one in program.outcomes)


def test_the_same_seed_gives_the_same_tables(ways):
    """A part of the year repeats to the last figure with its seed, and differs with another."""
    twice = [with_program(SMALL, [("QWT", "BLACK"), ("NBK", "MATTE")]) for _ in range(2)]
    names = {one.lot.name for one in twice[0].outcomes}
    others = {way: [one for one in some if one.lot.name in names] for way, some in ways.items() if way != PROGRAM}
    first, second = (report({PROGRAM: year.outcomes, **others}, year.notes) for year in twice)
    assert names
    assert first == second
    other = [spool.lab for lot in year(replace(SMALL, seed=1)) for spool in lot.spools]
    assert not np.array_equal(other[0], year(SMALL)[0].spools[0].lab)


def test_every_way_of_working_meets_the_same_lots_and_noise(ways):
    """Lots are equal, and so is the first reading of a spool, for every way of working."""
    names = {tuple(one.lot.name for one in outcomes) for outcomes in ways.values()}
    assert 1 == len(names)
    lot = year(SMALL)[0]
    first, longer = (Bench(SMALL.seed).colors(lot, lot.spools[0], n, 1) for n in (1, 3))
    assert first == longer[:1]
    everything = sum(assumed.SPOOL_G * len(lot.spools) for lot in year(SMALL))
    assert everything == sum(load.grams for one in ways["no measuring"] for load in one.loads)


def test_kinds_of_lots_are_what_they_are_called():
    """In a whole year shifted lots lie beyond the limit, split ones have two shades, and most good lots are good."""
    lots = year(Given())
    kinds = {kind: [lot for lot in lots if lot.kind == kind] for kind in assumed.KINDS}
    assert assumed.KINDS == {kind: len(some) for kind, some in kinds.items()}
    for kind in ("shifted far", "wet", "shrinks too much", "weak bond", "oval", "split"):
        assert not any(lot.good for lot in kinds[kind]), kind
    assert sum(lot.good for lot in kinds["good"]) > 0.9 * len(kinds["good"])
    assert all(len(lot.bad_on_arrival) == len(lot.spools) for lot in kinds["wet"])


def test_colour_difference_is_the_published_one():
    """The colour difference of pair 1 is 2.0425 (Sharma, Wu and Dalal 2005, Table 1)."""
    found = delta_e(np.array([50.0, 2.6772, -79.7751]), np.array([[50.0, 0.0, -82.7485]]))
    assert [2.0425] == found.round(4).tolist()


def test_the_clerk_reads_what_a_finding_asks_for():
    """The clerk recognises spools by code, a number with unit, another instrument, quality's decision, and findings that measuring cannot settle."""
    codes = ["Q-W1-1", "Q-W1-10", "Q-W1-2"]

    def asked(words, measure="lot_delta_e", *, hold=False, subject=None):
        finding = {"code": f"color.{measure}", "characteristic": "color", "measure": measure, "hold": hold}
        return asked_by({**finding, "subject": subject, "to_measure": words}, codes)

    more = asked("measure about 6 more spools (drawn: Q-W1-10, Q-W1-2)")
    assert (("Q-W1-10", "Q-W1-2"), 6, "spools", False) == (more.spools, more.more, more.unit, more.stuck)
    assert ("Q-W1-1",) == asked("take about 2 more readings", subject="spool Q-W1-1").spools
    assert (
        "SPEC-1" == asked("measure with SPEC-1, which measured the reference, or record an agreement study").instrument
    )
    assert "step" == asked("ask quality to accept the step", "step", hold=True).remedy
    assert asked("ask quality for a decision, since the value lies on its limit").stuck


def test_intervals_hold_the_sum(ways):
    """A bootstrap of equal lots has no width, and that of the program contains its own sum."""
    low, high = bootstrap([5.0] * 8)
    assert (pytest.approx(40, abs=SAME_FORMULA), pytest.approx(40, abs=SAME_FORMULA)) == (low, high)
    per_lot = [bad_g(one) for one in ways["no measuring"]]
    low, high = bootstrap(per_lot)
    assert low <= sum(per_lot) <= high


def test_the_picture_is_drawn_with_its_figures_in_words(ways):
    """The SVG has title and description, and each way of working twice, once per panel."""
    root = ElementTree.fromstring(bar_chart(ways))  # noqa: S314  # drawn by the code under test
    texts = [node.text for node in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "title" == root[0].tag.rpartition("}")[2]
    assert all(way in root[1].text for way in ways)
    assert all(2 == texts.count(way) for way in ways)


def test_the_page_has_room_for_the_tables():
    """README.md has both marks, in order, and the cautions outside them."""
    before, _, rest = (HERE / "README.md").read_text("utf-8").partition(BEGIN)
    assert END in rest
    assert "a released lot never means a safe part" in before
