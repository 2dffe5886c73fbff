"""Mass balance of a spool. By hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.production.masses import NOISE_G, SpoolMass, misfits

MASSES = st.floats(0, 1000)


@pytest.mark.parametrize(
    ("spool", "says"),
    [
        (SpoolMass(1000, -1, used_g=1001), "below zero"),
        (SpoolMass(1000, 900, used_g=200), "are 800 g"),
        (SpoolMass(1000, float("nan")), "are 1000 g"),
        (SpoolMass(300, 300, wound_g=200), "200 g were respooled onto it, not 300 g"),
        (SpoolMass(1000, 1000, loaded=[("P1", 1000)]), "its load on P1 has not ended"),
        (SpoolMass(1000, 1000, machine="P1"), "no open load there"),
        (SpoolMass(1000, 1000, machine="P1", loaded=[("P2", 1000)]), "no open load there"),
        (SpoolMass(1000, 1000, machine="P1", loaded=[("P1", 1000), ("P1", 1000)]), "has 2 open loads"),
        (SpoolMass(1000, 1000, machine="P1", loaded=[("P1", 900)]), "with 900 g, but 1000 g are left"),
    ],
)
def test_each_misfit_is_told_once(spool, says):
    """Each inconsistency of masses and loads has one sentence."""
    (found,) = misfits(spool)
    assert says in found


@pytest.mark.parametrize(
    "spool",
    [
        SpoolMass(1000, 1000),
        SpoolMass(1000, 250, used_g=500, taken_g=250),
        SpoolMass(1000, 0, used_g=1000),
        SpoolMass(300, 300, wound_g=300),
        SpoolMass(1000, 700, used_g=300, machine="P1", loaded=[("P1", 700)]),
    ],
)
def test_masses_that_fit_say_nothing(spool):
    """New, used, empty, respooled and running spools with consistent masses give no message."""
    assert [] == misfits(spool)


@given(st.lists(MASSES, max_size=50), st.lists(MASSES, max_size=50))
def test_a_spool_that_was_only_used_and_wound_off_fits(used, taken):
    """Rounding noise of any number of loads and respoolings is no inconsistency."""
    left = 1000.0 * (1 + len(used) + len(taken))
    net = left
    for mass in (*used, *taken):
        left -= mass
    assert [] == misfits(SpoolMass(net, left, sum(used), sum(taken)))


@pytest.mark.parametrize(("off", "misfit"), [(NOISE_G / 2, 0), (2 * NOISE_G, 1)])
def test_noise_is_let_by_and_no_more(off, misfit):
    """Half the noise is no inconsistency, and twice as much is."""
    assert misfit == len(misfits(SpoolMass(1000, 800 + off, used_g=200)))
