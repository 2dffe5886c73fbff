"""Repeat readings. Sources: the pooled variance of the e-Handbook by hand; the tests and numbers of their modules are tested there."""

import math
from statistics import fmean, stdev, variance

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.domain.characteristics.bond.lot_bond import BondTest
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.cross_section import DiameterReading
from lots.domain.characteristics.gloss import GlossReading
from lots.domain.characteristics.registry import DECLARED, REPEATED
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkTest
from lots.domain.characteristics.surface import SurfaceCheck
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.replicates.outliers import extreme_deviates
from lots.domain.replicates.repeats import (
    LEAST_DF,
    LotEvidence,
    Repeat,
    deciding,
    outliers_among,
    scatter_of,
)
from lots.domain.replicates.scatter import Scatter, for_decision
from tests.domain.builders import color, judged
from tests.domain.strategies import steps
from tests.tolerances import SAME_SUM

SIMPLE = DecisionRule()


def repeats(figure, *spools, instrument="A", counts=True, first=0):
    """Readings of one figure, per spool, numbered from `first`."""
    found = []
    for number, values in enumerate(spools):
        for value in values:
            reading = first + len(found)
            found.append(Repeat(figure, value, (), reading, f"S{number}", instrument, counts))
    return found


def names(kind, reading):
    """The figures of a reading with their values."""
    return {name: value for name, value, _, _ in DECLARED[kind].repeats.of(reading)}


def test_each_kind_has_its_figures_or_says_why_it_has_none():
    """Each kind has its figures or a reason for none, and the figures of a reading are those of its kind (means by hand)."""
    with_figures = {name.partition(".")[0] for name in REPEATED}
    assert set(CHARACTERISTICS) == with_figures | {name for name, one in DECLARED.items() if one.repeats.none}
    assert not with_figures & {name for name, one in DECLARED.items() if one.repeats.none}
    assert {"color.L": 50.0, "color.a": 1.0, "color.b": 2.0} == names("color", color("S", 50.0, 1.0, 2.0))
    assert {"diameter.mean": 1.75} == names("diameter", DiameterReading("S", 1.74, 1.76))
    assert {"shrinkage.x": pytest.approx(0.3)} == names("shrinkage", ShrinkTest("S", "x", "outside", 100, 99.7, 24))
    assert {"bond.stress": 20.0} == names("bond", BondTest("S", 20.0))
    assert {"gloss.gu_20": 70.0} == names("gloss", GlossReading("S", 20, 70.0))
    assert {} == names("surface", SurfaceCheck("S", 1, 1.0))


def test_what_is_not_alike_is_not_grouped():
    """Control specimens, and coupons of another length or feature, are separate groups; a length of 50 mm makes 2 % of each mm."""
    bars = [DECLARED["bond"].repeats.of(BondTest("S", 20.0, control=control))[0][2] for control in (True, False)]
    assert bars[0] != bars[1]
    coupons = [("outside", 100), ("inside", 100), ("outside", 50)]
    found = [DECLARED["shrinkage"].repeats.of(ShrinkTest("S", "x", side, size, size, 24))[0] for side, size in coupons]
    assert 3 == len({group for _, _, group, _ in found})
    assert [1.0, 1.0, 2.0] == [per_unit for *_, per_unit in found]


def test_scatter_is_pooled_over_spools_and_excluded_readings_are_no_part_of_it():
    """Spread is pooled over spools without excluded readings: spools of four and three give sums of squares over five degrees of freedom."""
    first, second = [1.0, 2.0, 3.0, 4.0], [7.0, 7.5, 8.0]
    pooled = math.sqrt((3 * variance(first) + 2 * variance(second)) / 5)
    own = [*repeats("bond.stress", first, second), *repeats("bond.stress", [99.0], counts=False, first=7)]
    found = scatter_of(own, [], 0.0)
    assert ("lot", 5, pytest.approx(pooled, abs=SAME_SUM)) == (found.source, found.scatter.df, found.scatter.sd)


def test_few_repeats_borrow_those_of_the_grade_and_many_do_not():
    """Below LEAST_DF degrees of freedom the grade's repeats are pooled; above, the lot's own count alone."""
    others = repeats("bond.stress", [10.0, 20.0, 30.0])
    few = [*range(LEAST_DF)]
    assert ("grade", LEAST_DF + 1) == (
        (found := scatter_of(repeats("bond.stress", few), others, 0.0)).source,
        found.scatter.df,
    )
    many = [*range(LEAST_DF + 1)]
    assert ("lot", LEAST_DF) == (
        (found := scatter_of(repeats("bond.stress", many), others, 0.0)).source,
        found.scatter.df,
    )


def test_an_instrument_speaks_where_readings_show_no_more():
    """Without spread in the readings the study's repeatability counts; without a study nothing is known."""
    assert ("instrument", Scatter(0.2, None)) == (
        (found := scatter_of(repeats("bond.stress", [5.0] * 4), [], 0.2)).source,
        found.scatter,
    )
    assert ("instrument", Scatter(0.2, None)) == (
        (found := scatter_of(repeats("bond.stress", [5.0]), [], 0.2)).source,
        found.scatter,
    )
    assert (None, None) == ((found := scatter_of(repeats("bond.stress", [5.0]), [], 0.0)).source, found.scatter)


def test_two_instruments_on_one_spool_are_not_repeats_of_each_other():
    """Two instruments on one spool are no repeats, because their offset is no spread."""
    both = [*repeats("gloss.gu_60", [5.0, 5.2]), *repeats("gloss.gu_60", [7.0, 7.2], instrument="B", first=2)]
    assert math.sqrt(0.02) == pytest.approx(scatter_of(both, [], 0.0).scatter.sd)


@settings(deadline=None)  # the first call imports scipy
@given(st.lists(steps(10, 12, 0.1), min_size=15, max_size=30))
def test_excluding_changes_nothing_in_the_test(values):
    """The test covers all readings, so exclusions change no outlier; for one spool it is Rosner's."""
    most = max(3, min(10, len(values) // 5))
    inside, outside = (
        outliers_among(repeats("bond.stress", values, counts=counts), 0.05, 0.0) for counts in (True, False)
    )
    assert inside == outside == extreme_deviates(values, most)


def decided(code, value, limit, known, subject="spool S", **more):
    """The advice on one finding."""
    finding = judged(code, value, limit, SIMPLE, subject=subject, spool="S", **more)
    return deciding([finding], known, known.colors.get("S"))


def test_a_spools_mean_is_planned_as_it_is():
    """The number is that of for_decision for value, limit, spread and instrument, less the present number."""
    values = [1.76, 1.77, 1.765, 1.775]
    scatter = Scatter(stdev(values), 3)
    known = LotEvidence({"diameter.mean": scatter}, {("diameter.mean", "S"): 4}, {"diameter.mean": 0.001})
    limit = Limit(1.72, 1.78, "mm")
    (found,) = decided("diameter.spool_mean", fmean(values), limit, known)
    wanted = for_decision(fmean(values), limit, scatter, 0.001)
    assert wanted == found.needed
    assert (1, 4, max(0, wanted.n - 4)) == (found.spools, found.readings, found.more)
    assert "not known" not in found.says


def test_words_for_every_outcome():
    """Enough, more, one more, none that helps, and unknown spread have their own words."""
    limit = Limit(None, 1.0, "GU")

    def says(value, sd=0.1, own=None, have=3, df=None):
        scatter = None if sd is None else Scatter(sd, df)
        known = LotEvidence(
            {"gloss.gu_60": scatter}, {("gloss.gu_60", "S"): have}, {} if own is None else {"gloss.gu_60": own}
        )
        return decided("gloss.gu_60", value, limit, known)[0].says

    assert "the 9 readings of spool S are enough." in says(0.5, own=0.0, have=9)
    assert "2 more readings of spool S settle it" in says(0.83, own=0.0, have=2)
    assert "1 more reading of spool S settles it" in says(0.83, own=0.0, have=3)
    assert "if the standard deviation, itself an estimate, is larger" in says(0.83, own=0.0, df=2)
    assert "Use a better instrument, or ask quality for a decision." in says(0.9, own=0.2)
    assert "lies on its limit" in says(1.0, own=0.1)
    assert "More than 1000 readings would be needed" in says(0.999, own=0.0)
    assert "standard deviation of a reading is unknown" in says(0.5, sd=None)
    assert "own uncertainty is unknown and not included." in says(0.5)


def test_while_a_reading_stands_apart_it_is_looked_at_first():
    """While there is an outlier the advice is to examine it first; the number of further readings is conditional."""
    limit = Limit(None, 1.0, "GU")

    def says(value, apart, own=0.0):
        scatter, counts = {"gloss.gu_60": Scatter(0.1, None)}, {("gloss.gu_60", "S"): 3}
        known = LotEvidence(scatter, counts, {"gloss.gu_60": own}, apart={"gloss": apart})
        return decided("gloss.gu_60", value, limit, known)[0].says

    assert says(0.9, (12,), own=0.2).endswith("check reading 12 first.")
    assert "check readings 12 and 14 first. While they count, 1 more reading of spool S settles it" in says(
        0.83, (12, 14)
    )


def test_what_is_no_mean_is_not_planned():
    """A worst reading, a count, a step, a ratio, a shrinkage from two lengths, and a missing value have no number."""
    known = LotEvidence({"shrinkage.x": Scatter(0.1, 5)}, {}, one_length=("shrinkage.y",))
    limit = Limit(0.0, 1.0)
    for code in (
        "diameter.reading",
        "bond.single",
        "surface.specks",
        "color.step",
        "bond.control_ratio",
        "shrinkage.x",
    ):
        assert [] == decided(code, 0.5, limit, known), code
    assert [] == decided("bond.mean", None, limit, known)


def test_a_shrinkage_of_one_length_and_a_mean_bond_are_planned_by_their_tests():
    """A shrinkage of one length and a mean bond are planned by the number of their tests."""
    known = LotEvidence(
        {"shrinkage.y": Scatter(0.1, 5), "bond.stress": Scatter(1.0, 5)}, {}, one_length=("shrinkage.y",)
    )
    for code, limit in (("shrinkage.y", Limit(0.0, 1.0, "%")), ("bond.mean", Limit(0.2, None, "MPa"))):
        (found,) = decided(code, 0.5, limit, known, subject="")
        assert (1, 3) == (found.spools, found.readings)


def test_a_colour_needs_scatter_of_all_three_coordinates():
    """A colour difference needs the noise of all three coordinates, and a single component its own."""
    scatter = {"color.L": Scatter(0.1, 5), "color.a": Scatter(0.1, 5), "color.b": None}
    reference, sample = Lab(50, 0, 0), Lab(50.5, 0, 0)
    counts = {("color.L", "S"): 3}
    known = LotEvidence(scatter, counts, {}, {"S": sample}, reference, ColorLimits("CIE76", (), lot_max=1.0))
    (found,) = decided("color.lot_delta_e", 0.5, Limit(None, 1.0), known, subject="")
    assert found.needed.n is None
    (found,) = decided("color.component_l", 0.5, Limit(-1.0, 1.0), known, subject="")
    assert for_decision(0.5, Limit(-1.0, 1.0), Scatter(0.1, 5)) == found.needed
