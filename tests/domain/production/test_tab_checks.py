"""The layer-bond check of a thin tab, compared with beam bending computed in another way."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lots.domain.production.tab_checks import (
    CAUTION,
    TabAsk,
    check_tab,
    lower_bound_of_mean,
    root_stress_mpa,
    shapes_of,
    weakest_of,
)

TAB = TabAsk(width_mm=10, thickness_mm=2, lever_mm=20, load_n=5, layers="across")
BARS = (12.1, 10.4, 13.0, 9.2, 11.8)
SIZES = st.floats(0.5, 50)
TABS = st.builds(TabAsk, SIZES, SIZES, SIZES, SIZES, st.just("across"))


def test_the_root_stress_balances_the_moment_of_the_load():
    """A linear stress over the section, integrated with its lever, gives force times lever (equilibrium of a beam)."""
    peak, half = root_stress_mpa(TAB), TAB.thickness_mm / 2
    y = np.linspace(-half, half, 200_001)
    moment = np.trapezoid(peak * y / half * y * TAB.width_mm, y)
    assert TAB.load_n * TAB.lever_mm == pytest.approx(moment, rel=1e-8)


def test_a_hand_worked_tab():
    """5 N at 20 mm on 10 x 2 mm: section modulus 10 * 2^2 / 6 = 6.667 mm3, moment 100 N mm, stress 15 MPa (by hand)."""
    assert 15.0 == root_stress_mpa(TAB)


@pytest.mark.parametrize("n", [2, 3, 5, 10, 30])
def test_the_bound_is_students(n):
    """The lower bound of the mean is that of Student's t (scipy.stats)."""
    values = np.linspace(8, 14, n)
    low = stats.t.interval(0.90, n - 1, loc=values.mean(), scale=stats.sem(values))[0]
    assert low == pytest.approx(lower_bound_of_mean(list(values)), rel=1e-12)


def test_the_weaker_of_bound_and_weakest_bar_is_relied_on():
    """The weakest of five specimens lies below the bound of their mean, and decides (an invented matte black).

    By hand: mean 56.5 / 5 = 11.3, deviations 0.8, -0.9, 1.7, -2.1, 0.5 with squares 9.00, standard deviation sqrt(9 / 4) = 1.5,
    t(0.95, 4) = 2.1318 (t table), bound 11.3 - 2.1318 * 1.5 / sqrt(5) = 9.870 MPa.
    """
    found = check_tab(TAB, BARS, 1.0)
    assert (9.2, 9.2, False) == (found.weakest_mpa, found.basis_mpa, found.enough)
    assert 9.870 == pytest.approx(found.bound_mpa, abs=5e-4)
    assert CAUTION == found.caution


@given(TABS, st.floats(1, 5))
def test_the_least_thickness_gives_the_reserve_that_is_wanted(tab, wanted):
    """A tab of the stated thickness has exactly the required reserve, and is enough."""
    least = check_tab(tab, BARS, wanted).least_thickness_mm
    found = check_tab(replace(tab, thickness_mm=least), BARS, wanted)
    assert wanted == pytest.approx(found.reserve, rel=1e-9)
    assert found.enough


@given(TABS, st.floats(1, 5))
def test_the_words_err_on_the_safe_side(tab, wanted):
    """A tab of the worded thickness is enough, and an insufficient reserve never reads as the required one."""
    found = check_tab(tab, BARS, wanted)
    if found.enough:
        return
    thick = float(re.search(r"must be ([0-9.]+) mm", found.says).group(1))
    assert check_tab(replace(tab, thickness_mm=thick), BARS, wanted).enough
    assert float(re.search(r"reserve of ([0-9.]+) is", found.says).group(1)) < wanted


def test_a_reserve_just_short_of_what_is_wanted_does_not_read_as_enough():
    """A reserve of 1.9999 of 2 reads 1.99, and the 3 mm tab must be 3.01 mm thick (by hand)."""
    says = check_tab(TabAsk(10, 3, 20, 9.2 * 10 * 9 / (6 * 20 * 1.9999), "across"), BARS).says
    assert "The reserve of 1.99 is not enough (required 2). The tab must be 3.01 mm thick." in says


def test_handbook_quantiles_give_the_bound():
    """Mean 10, standard deviation 1: t is 6.314, 2.132, 1.833 and 1.699 for 1, 4, 9 and 29 degrees of freedom (printed t tables, 95 % one-sided)."""
    for n, t in ((2, 6.314), (5, 2.132), (10, 1.833), (30, 1.699)):
        spread = np.linspace(-1, 1, n)
        values = 10 + spread / spread.std(ddof=1)
        assert 10 - t / math.sqrt(n) == pytest.approx(lower_bound_of_mean(list(values)), abs=5e-4)


@pytest.mark.parametrize(
    "sizes", [(10, 1e-170, 20, 10), (10, 1e-160, 20, 10), (10, 4, 1e300, 1e300), (1e300, 1e300, 1, 1)]
)
def test_sizes_without_a_stress_are_refused(sizes):
    """Positive but extreme sizes with an infinite or zero stress are refused."""
    with pytest.raises(ValueError, match="check them"):
        TabAsk(*sizes, "across")


@given(TABS)
def test_load_width_and_thickness_act_as_a_beam_says(tab):
    """Twice the load or lever doubles the stress, twice the width halves it, twice the thickness quarters it."""
    stress = root_stress_mpa(tab)
    assert 2 * stress == pytest.approx(root_stress_mpa(replace(tab, load_n=2 * tab.load_n)))
    assert 2 * stress == pytest.approx(root_stress_mpa(replace(tab, lever_mm=2 * tab.lever_mm)))
    assert stress / 2 == pytest.approx(root_stress_mpa(replace(tab, width_mm=2 * tab.width_mm)))
    assert stress / 4 == pytest.approx(root_stress_mpa(replace(tab, thickness_mm=2 * tab.thickness_mm)))


def test_more_bars_of_the_same_scatter_raise_the_bound():
    """The same mean and spread from more specimens give a higher bound."""
    assert lower_bound_of_mean([10, 12] * 2) < lower_bound_of_mean([10, 12] * 10)


@pytest.mark.parametrize(
    ("bars", "word"),
    [
        ((), "0 interlayer strength tests"),
        ((12.0,), "1 interlayer strength test"),
        ((1.0, 40.0), "spread of the specimens is too large"),
    ],
)
def test_without_evidence_nothing_is_enough(bars, word):
    """Fewer than two specimens, or a bound below zero, give no strength: the check fails closed with its reason."""
    found = check_tab(TAB, bars)
    assert (None, False, None) == (found.reserve, found.enough, found.least_thickness_mm)
    assert word in found.says


def test_along_the_layers_the_bond_does_not_decide():
    """Where bending runs along the layers the check does not apply, and says so."""
    found = check_tab(replace(TAB, layers="along"), BARS)
    assert (None, False) == (found.reserve, found.enough)
    assert "covers only tabs with layers across" in found.says


def test_a_stubby_tab_is_warned_about():
    """A tab that is short for its thickness gets a warning (common practice, no source)."""
    assert "beam formula is inaccurate" in check_tab(replace(TAB, lever_mm=9), BARS).says
    assert "beam formula is inaccurate" not in check_tab(TAB, BARS).says


@pytest.mark.parametrize("field", ["width_mm", "thickness_mm", "lever_mm", "load_n"])
@pytest.mark.parametrize("value", [0, -1, math.nan, math.inf])
def test_a_size_or_load_that_is_none_is_refused(field, value):
    """A tab without size or load is refused."""
    with pytest.raises(ValueError, match=field):
        replace(TAB, **{field: value})


def test_other_nonsense_is_refused():
    """A reserve below one, a breaking force of zero and an unknown layer direction are refused."""
    with pytest.raises(ValueError, match="reserve"):
        check_tab(TAB, BARS, 0.5)
    with pytest.raises(ValueError, match="breaking stress"):
        check_tab(TAB, (10.0, 0.0))
    with pytest.raises(ValueError, match="layers"):
        replace(TAB, layers="sideways")


AGAINST = st.lists(st.sampled_from(["Lot L-7 is blocked.", "The grade is forbidden for flexing use."]), unique=True)
BARS_OF = st.lists(st.floats(0.5, 60), max_size=8)


@given(TABS, BARS_OF, st.floats(1, 5), AGAINST)
def test_enough_holds_exactly_when_nothing_speaks_against(tab, bars, wanted, against):
    """The tab is enough exactly when there is no reason against it, and no bond outweighs a reason."""
    found = check_tab(tab, bars, wanted, against)
    alone = check_tab(tab, bars, wanted)
    assert found.enough is (found.reasons == ())
    assert found.enough is (alone.enough and not against)
    assert set(against) <= set(found.reasons)
    assert set(alone.reasons) <= set(found.reasons)
    assert not against or found.says.startswith(f"Do not print this tab. {against[0]}")


@given(TABS, st.lists(BARS_OF, min_size=1, max_size=3), AGAINST)
def test_filament_of_several_lots_is_as_good_as_the_worst(tab, lots, against):
    """A tab of several lots is enough exactly when each lot is, with every reason of each."""
    each = [check_tab(tab, bars, 2.0, against) for bars in lots]
    found = weakest_of(each)
    assert found.enough is all(check.enough for check in each)
    assert set(found.reasons) == {reason for check in each for reason in check.reasons}
    assert found.enough is (found.reasons == ())
    assert not found.enough or found.reserve == min(check.reserve for check in each)


@pytest.mark.parametrize(
    ("sizes", "layers", "thin"),
    [
        ((10, 3, 20, 5), "across", False),
        ((10, 2.999, 20, 5), "across", True),
        ((2.999, 10, 20, 5), "across", True),
        ((2, 2, 20, 5), "along", False),
    ],
)
def test_a_thin_upright_tab_is_thin_in_either_direction(sizes, layers, thin):
    """A section below 3 mm with the layers across is a thin upright tab (common practice, no source); a flat one is not."""
    assert (("thin_upright",) if thin else ()) == shapes_of(TabAsk(*sizes, layers))
