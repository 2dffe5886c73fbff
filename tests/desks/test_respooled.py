"""The law of respooled filament: no clearance for a spool whose lots would be refused together in one job."""

from __future__ import annotations

from itertools import permutations
from types import SimpleNamespace

from hypothesis import given, settings
from hypothesis import strategies as st

from lots.desks.clearing import SHOWS_COLOR, Ask, judged
from lots.domain.agreed import USES
from tests.domain.builders import MONDAY

THOROUGH = settings(max_examples=300, deadline=None)
LIMIT = st.one_of(st.none(), st.floats(0.05, 2.0))
D65, D50 = {"illuminant": "D65"}, {"illuminant": "D50"}


@st.composite
def some_lots(draw):
    """Two to four released lots near the same white, of all formulas, limits, conditions, some never measured for colour."""
    lots = []
    for number in range(draw(st.integers(2, 4))):
        limits = {"step_max": draw(LIMIT), "job_pair_max": draw(LIMIT)}
        color = {"lot_max": 3.0, **{name: most for name, most in limits.items() if most is not None}}
        color["formula"] = draw(st.sampled_from(["CIE76", "CIE94", "CMC", "CIEDE2000"]))
        body = draw(st.sampled_from([None, {"diameter": {"ovality_max_mm": 0.05}}, *[{"color": color}] * 6]))
        lab = [95.0, -0.8 + draw(st.floats(-0.4, 0.4)), 1.5 + draw(st.floats(-0.6, 0.6))]
        shade = draw(st.sampled_from([None, D50, *[D65] * 8]))
        lots.append(
            SimpleNamespace(
                id=number,
                supplier_lot=f"L-{number}",
                received_at=MONDAY,
                lab=draw(st.sampled_from([None, *[lab] * 7])),
                limits_revision=None if body is None else SimpleNamespace(body=body),
                shade_revision=None if shade is None else SimpleNamespace(conditions=shade),
                grade=SimpleNamespace(cautions=[], shelf_life_days=None, open_life_days=None),
                standing="released",
                uses=dict.fromkeys((*USES, "general"), "pass"),
                why={},
                by_hand=None,
                by_hand_reason=None,
                judged_at=MONDAY,
                concessions=[],
            )
        )
    return lots


def on_spool(*held):
    """A full spool of these lots, its own first."""
    return SimpleNamespace(
        code="S",
        lot=held[0],
        lot_id=held[0].id,
        delivery=SimpleNamespace(received_at=MONDAY),
        remaining_mass_g=500.0,
        machine=None,
        nonconforming=None,
        opened_at=None,
        dried_at=None,
    )


def is_clear(held, ask, in_job=()):
    """Whether a spool of these lots is clear beside lots used in its job."""
    return judged(on_spool(*held), held, ask, in_job, MONDAY).clear


@THOROUGH
@given(lots=some_lots(), use=st.sampled_from(SHOWS_COLOR), match_max=LIMIT)
def test_no_spool_is_clear_whose_lots_would_be_refused_together(lots, use, match_max):
    """A spool of several lots is clear exactly when each lot is clear beside each other in one job, whichever of the two came first."""
    ask = Ask(use, match_max=match_max)
    together = all(is_clear([one], ask, [other]) for one, other in permutations(lots, 2))
    assert together is is_clear(lots, ask)


@THOROUGH
@given(lots=some_lots(), use=st.sampled_from(SHOWS_COLOR), match_max=LIMIT)
def test_a_spool_is_no_clearer_in_a_job_than_its_lots_one_by_one(lots, use, match_max):
    """Beside a lot of the job, a spool of several is clear only if each of its lots would be."""
    *held, used = lots
    ask = Ask(use, match_max=match_max)
    if is_clear(held, ask, [used]):
        assert all(is_clear([lot], ask, [used]) for lot in held)


@THOROUGH
@given(lots=some_lots(), use=st.sampled_from([use for use in USES if use not in SHOWS_COLOR]))
def test_where_colour_does_not_show_lots_need_not_match(lots, use):
    """Hidden parts may use up what no other job may."""
    assert is_clear(lots, Ask(use))
