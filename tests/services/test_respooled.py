"""Respooled filament: no clearance for a spool whose lots would be refused together in one job."""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.limits_revision import USES
from lots.services.production.clearance import SHOWS_COLOR, Ask, facts_of, judged
from lots.store.production.loads import LotInJob
from lots.store.tables.models import Delivery, Grade, LimitsRevision, Lot, ShadeRevision, Spool
from tests.domain.builders import MONDAY
from tests.examples import examples

THOROUGH = examples(300)
LIMIT = st.one_of(st.none(), st.floats(0.05, 2.0))
D65, D50 = {"illuminant": "D65"}, {"illuminant": "D50"}


def a_lot(number, lab=(95.0, -0.8, 1.5), body=None, conditions=D65, **more):
    """A released lot for a clearance; without limits, colour or conditions where these are None."""
    known = {
        "id": number,
        "supplier_lot": f"L-{number}",
        "received_at": MONDAY,
        "lab": None if lab is None else list(lab),
        "limits_revision": None if body is None else LimitsRevision(body=body),
        "shade_revision": None if conditions is None else ShadeRevision(conditions=conditions, lab=[95.0, -0.8, 1.5]),
        "grade": Grade(color_name="Harbour White", cautions=[]),
        "standing": "released",
        "uses": dict.fromkeys((*USES, "general"), "pass"),
        "why": {},
        "judged_at": MONDAY,
        "concessions": [],
    }
    return Lot(**{**known, **more})


@st.composite
def some_lots(draw):
    """Two to four released lots near one white, of all formulas, limits and conditions, some without a colour."""
    lots = []
    for number in range(draw(st.integers(2, 4))):
        limits = {"step_max": draw(LIMIT), "job_pair_max": draw(LIMIT)}
        color = {"lot_max": 3.0, **{name: most for name, most in limits.items() if most is not None}}
        color["formula"] = draw(st.sampled_from(["CIE76", "CIE94", "CMC", "CIEDE2000"]))
        body = draw(st.sampled_from([None, {"diameter": {"ovality_max_mm": 0.05}}, *[{"color": color}] * 12]))
        lab = (95.0, -0.8 + draw(st.floats(-0.4, 0.4)), 1.5 + draw(st.floats(-0.6, 0.6)))
        lots.append(
            a_lot(
                number,
                draw(st.sampled_from([None, *[lab] * 15])),
                body,
                draw(st.sampled_from([None, D50, *[D65] * 20])),
            )
        )
    return lots


def on_spool(*held):
    """A full spool of these lots, its own first."""
    return Spool(code="S", lot=held[0], delivery=Delivery(received_at=MONDAY, came_at=MONDAY), remaining_mass_g=500.0)


def asked(held, ask, in_job=()):
    """The clearance of a spool with these lots, for a job with those lots."""
    used = [LotInJob(lot, []) for lot in in_job]
    return judged(on_spool(*held), [facts_of(lot) for lot in held], ask, used, MONDAY)


def is_clear(held, ask, in_job=()):
    """Whether a spool of these lots is clear beside the lots of its job."""
    return asked(held, ask, in_job).clear


@THOROUGH
@given(lots=some_lots(), use=st.sampled_from(SHOWS_COLOR), match_max=LIMIT)
def test_no_spool_is_clear_whose_lots_would_be_refused_together(lots, use, match_max):
    """A spool of several lots is clear exactly when each lot is clear beside each other in one job, in either order."""
    ask = Ask(use, match_max=match_max)
    together = all(is_clear([one], ask, [other]) for one, other in permutations(lots, 2))
    assert together is is_clear(lots, ask)


@THOROUGH
@given(lots=some_lots(), use=st.sampled_from(SHOWS_COLOR), match_max=LIMIT)
def test_a_spool_is_no_clearer_in_a_job_than_its_lots_one_by_one(lots, use, match_max):
    """Beside a lot of the job, a spool of several lots is clear only if each of its lots is."""
    *held, used = lots
    ask = Ask(use, match_max=match_max)
    if is_clear(held, ask, [used]):
        assert all(is_clear([lot], ask, [used]) for lot in held)


@THOROUGH
@given(lots=some_lots(), use=st.sampled_from([use for use in USES if use not in SHOWS_COLOR]))
def test_where_colour_does_not_show_lots_need_not_match(lots, use):
    """For hidden parts lots need not match."""
    assert is_clear(lots, Ask(use))


@pytest.mark.parametrize(("first", "second"), [("CIE76", "CIEDE2000"), ("CIEDE2000", "CIE76")])
def test_lots_on_a_spool_are_compared_by_the_formulas_of_both(first, second):
    """1.591 by CIE76 and 1.453 by CIEDE2000 (colour-science 0.4.7), limit 1.5: refused if either lot has CIE76."""
    labs = (95.3, -0.9, 0.8), (94.7, -0.7, 2.26)
    lots = [
        a_lot(number, lab, {"color": {"lot_max": 1.0, "job_pair_max": 1.5, "formula": formula}})
        for number, (lab, formula) in enumerate(zip(labs, (first, second), strict=True))
    ]
    assert not is_clear(lots, Ask("cosmetic"))
    (reason,) = asked(lots, Ask("cosmetic")).reasons
    assert "colour difference 1.59, at most 1.5" in reason


def test_no_concession_of_one_lot_covers_the_others_on_its_spool():
    """A concession of a blocked lot does not cover a spool with another lot."""
    permitted = {
        "id": 4,
        "uses": ["hidden"],
        "max_mass_g": 5000.0,
        "taken_g": 0.0,
        "valid_until": "2126-01-01T00:00:00+00:00",
        "finish_running": False,
        "requested_by": "Ada",
        "approved_by": "Ines",
    }
    blocked = a_lot(1, standing="blocked", uses={"hidden": "fail"}, concessions=[permitted])
    assert is_clear([blocked], Ask("hidden"))
    for held in ([blocked, a_lot(2)], [a_lot(2), blocked]):
        assert not is_clear(held, Ask("hidden"))
