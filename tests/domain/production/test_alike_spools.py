"""Spools of one lot within one job. Colours invented, differences in CIE76 by hand."""

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.color.between_spools import Between
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab
from lots.domain.production.alike_spools import ShelfLot, ShelfSpool, alike
from lots.domain.production.matching import SpoolColor, match_pairs

MEAN, BY_76 = Lab(95.0, 0.0, 0.0), ColorLimits("CIE76")


def measured(code, lightness, mass_g=1000.0):
    """A spool with its own colour."""
    return ShelfSpool(SpoolColor("L", Lab(lightness, 0.0, 0.0), code), mass_g)


def unmeasured(code, sd, mass_g=1000.0):
    """A spool represented by its lot's mean."""
    return ShelfSpool(SpoolColor.of("L", code, None, MEAN, Between((sd, 0.0, 0.0), 3)), mass_g)


def codes(spools, most):
    """The selected spools, by code."""
    (kept,) = alike([ShelfLot(MEAN, spools)], most, BY_76)
    return sorted(one.color.spool for one in kept)


def test_a_spool_apart_from_its_siblings_is_left_out():
    """A spool 0.96 from four others is left out at a limit of 0.5."""
    assert ["B", "C", "D", "E"] == codes([measured("A", 95.96), *(measured(code, 95.0) for code in "BCDE")], 0.5)


def test_unmeasured_spools_stay_where_their_scatter_allows():
    """Two unmeasured spools with spread 0.3 differ by 0.42: all three stay at 0.5; at 0.4 only one stays beside the measured one 0.1 from the mean."""
    spools = [measured("A", 95.1), unmeasured("B", 0.3), unmeasured("C", 0.3)]
    assert ["A", "B", "C"] == codes(spools, 0.5)
    assert ["A", "B"] == codes(spools, 0.4)


def test_the_way_that_holds_more_is_kept():
    """The larger selection is kept: nine unmeasured spools before one distant measured spool, and a heavy measured one before a light one."""
    many = [unmeasured(str(number), 0.1) for number in range(9)]
    assert "A" not in codes([measured("A", 96.0), *many], 0.5)
    assert ["A"] == codes([measured("A", 96.0, 3000.0), unmeasured("B", 0.1, 500.0)], 0.5)


SPOOLS = st.lists(st.one_of(st.floats(94.0, 96.0), st.none()), min_size=1, max_size=7)


@given(SPOOLS, st.floats(0.01, 1.0), st.floats(0.0, 2.0))
def test_every_two_that_are_kept_match_as_in_a_job(lightness, sd, most):
    """Every two selected spools match as in one job."""
    named = [(f"S{number}", value) for number, value in enumerate(lightness)]
    spools = [unmeasured(code, sd) if value is None else measured(code, value) for code, value in named]
    (kept,) = alike([ShelfLot(MEAN, spools)], most, BY_76)
    assert kept
    limits = ColorLimits("CIE76", job_pair_max=max(most, 1e-9))
    for one, other in combinations(kept, 2):
        (pair,) = match_pairs(one.color, [(other.color, None)], limits)
        assert pair.within
