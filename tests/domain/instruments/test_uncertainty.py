"""The larger of the stated uncertainty and that of studies. The rule is this project's; laws by hypothesis, cases by hand."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.registry import STUDIED, declared_of
from lots.domain.instruments.uncertainty import Found, StandardUncertainty, known_uncertainty

DAY = datetime(2026, 11, 20, 11, tzinfo=UTC)
HOUR = timedelta(hours=1)
COLOR = ("color.dL", "color.da", "color.db")

sizes = st.floats(0, 10)
studies = st.lists(
    st.builds(
        Found,
        number=st.integers(1, 9),
        measure=st.sampled_from(list(STUDIED)),
        at=st.integers(-5, 5).map(lambda hours: DAY + hours * HOUR),
        sd=sizes,
    ),
    max_size=8,
)


def found(number, measure, hours=0, sd=0.1):
    """A study so many hours after the reading."""
    return Found(number, measure, DAY + hours * HOUR, sd)


def test_the_larger_of_both_counts():
    """A study above the stated value, and one below."""
    more = found(1, "diameter", sd=0.004)
    assert StandardUncertainty(0.004, more) == known_uncertainty("diameter", DAY, 0.002, [more])
    assert StandardUncertainty(0.005) == known_uncertainty("diameter", DAY, 0.005, [more])
    assert StandardUncertainty(0.004) == known_uncertainty("diameter", DAY, 0.004, [more])
    assert StandardUncertainty(0.004, more) == known_uncertainty("diameter", DAY, None, [more])


def test_the_newest_by_the_time_of_the_reading_counts():
    """A study at the time of the reading counts, a later one does not; of two at one time the later record counts."""
    old, same, twin, late = (
        found(n, "diameter", at, sd) for n, at, sd in ((1, -2, 9), (2, 0, 3), (3, 0, 2), (4, 1, 8))
    )
    assert twin == known_uncertainty("diameter", DAY, None, [late, twin, old, same]).study
    assert StandardUncertainty(None) == known_uncertainty("diameter", DAY, None, [late])


def test_colour_needs_all_three_where_nothing_is_stated():
    """The largest coordinate counts; a coordinate without a study leaves it unknown, unless a value is stated."""
    parts = [found(n, name, sd=n / 10) for n, name in enumerate(COLOR, start=1)]
    assert StandardUncertainty(0.3, parts[2]) == known_uncertainty("color", DAY, None, parts)
    assert StandardUncertainty(None) == known_uncertainty("color", DAY, None, parts[1:])
    assert StandardUncertainty(0.3, parts[2]) == known_uncertainty("color", DAY, 0.1, parts[2:])


def test_a_study_in_which_nothing_scattered_counts_for_nothing():
    """A resolution too coarse is no certainty: the study before it counts."""
    before, blind = found(1, "shrinkage", -3, 0.02), found(2, "shrinkage", -1, 0.0)
    assert StandardUncertainty(0.02, before) == known_uncertainty("shrinkage", DAY, None, [before, blind])
    assert StandardUncertainty(None) == known_uncertainty("shrinkage", DAY, None, [blind])


@given(st.sampled_from(["color", "diameter", "shrinkage", "bond"]), st.none() | sizes, studies)
def test_studies_never_lower_what_is_stated_and_never_make_a_certainty(kind, stated, made):
    """With any studies the uncertainty is at least the stated one and is never zero."""
    known = known_uncertainty(kind, DAY, stated, made)
    assert known.u is None or known.u >= (stated or 0.0)
    assert (known.u is None) <= (stated is None)
    if known.study is None:
        assert stated == known.u
    else:
        assert known.u == known.study.sd > 0
        assert kind == declared_of(known.study.measure).name
        assert known.study.at <= DAY
    if not any(declared_of(one.measure).name == kind for one in made):
        assert StandardUncertainty(stated) == known


@given(st.none() | sizes, studies, st.randoms(use_true_random=False))
def test_the_order_of_studies_does_not_matter(stated, made, chance):
    """Studies are identified by number and may come in any order."""
    apart = [Found(number, one.measure, one.at, one.sd) for number, one in enumerate(made)]
    shuffled = chance.sample(apart, len(apart))
    assert known_uncertainty("color", DAY, stated, apart).u == known_uncertainty("color", DAY, stated, shuffled).u


@pytest.mark.parametrize(("measure", "sd"), [("hue", 0.1), ("diameter", -0.1), ("diameter", float("nan"))])
def test_nonsense_is_refused(measure, sd):
    """An unknown measure and an invalid standard deviation raise."""
    with pytest.raises(ValueError, match=r"is not studied|must be a number"):
        Found(1, measure, DAY, sd)
