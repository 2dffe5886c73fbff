"""Run rules. Sources: Nelson 1984 and Western Electric 1956, sequences in the reference file; a search of every window, coded here."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.drift.run_rules import RULES, run_rules
from tests.domain.builders import reference_json
from tests.domain.strategies import steps
from tests.examples import examples

SEQUENCES = reference_json("control_charts.json")["run_rules"]["sequences"]
THOROUGH = examples(300)
# Single points of all zones, and long runs of few values, since patterns of 14 and 15 points are rare among random ones.
SERIES = st.one_of(
    st.lists(steps(-3.5, 3.5, 0.5), max_size=40),
    st.lists(st.sampled_from((0.0, 0.5, 0.9, 1.0)), max_size=40),
    st.lists(st.sampled_from((-1.5, 1.1, 1.5)), max_size=30),
    st.builds(
        lambda high, low, n: [high if i % 2 else low for i in range(n)],
        st.sampled_from((0.5, 1.2)),
        st.sampled_from((0.5, -0.3)),
        st.integers(0, 30),
    ),
)


def signals(z):
    """(rule, index, side) of every point that completes a rule."""
    return {
        (rule, int(index), side)
        for side in (1, -1, 0)
        for rule, marks in run_rules(z, side).items()
        for index in np.flatnonzero(marks)
    }


def by_rule(z):
    """Indices and sides under each rule, in order of time."""
    found = {rule: [] for rule in RULES}
    for rule, index, side in sorted(signals(z)):
        found[rule].append((index, side))
    return found


def tail(z, end, m):
    """The m points up to one; none when there are too few."""
    return z[end - m + 1 : end + 1] if end + 1 >= m else []


def every(points, holds):
    """Whether there are points and all satisfy a condition."""
    return bool(points) and all(map(holds, points))


def enough(y, end, k, m, line):
    """Returns whether a point and k - 1 of the m - 1 before it are beyond a line."""
    return y[end] > line and sum(value > line for value in y[max(0, end - m + 1) : end + 1]) >= k


def windows(z):
    """The rules by checking the window before every point, as their authors define them."""
    found = {rule: [] for rule in RULES}
    for end in range(len(z)):
        steps_taken = [b - a for a, b in pairwise(tail(z, end, 14))]
        hits = {
            ("N4", 0): every(list(pairwise(steps_taken)), lambda two: two[0] * two[1] < 0),
            ("N7", 0): every(tail(z, end, 15), lambda value: abs(value) < 1),
            ("N8", 0): every(tail(z, end, 8), lambda value: abs(value) > 1)
            and min(tail(z, end, 8)) < 0 < max(tail(z, end, 8)),
        }
        for side in (1, -1):
            y = [side * value for value in z]
            hits |= {
                ("N1", side): y[end] > 3,
                ("N2", side): every(tail(y, end, 9), lambda value: value > 0),
                ("N3", side): every(list(pairwise(tail(y, end, 6))), lambda two: two[0] < two[1]),
                ("N5", side): enough(y, end, 2, 3, 2),
                ("N6", side): enough(y, end, 4, 5, 1),
                ("WE4", side): every(tail(y, end, 8), lambda value: value > 0),
            }
        for (rule, side), hit in hits.items():
            if hit:
                found[rule].append((end, side))
    return found


@pytest.mark.parametrize("case", SEQUENCES, ids=[case["name"] for case in SEQUENCES])
def test_every_published_pattern_is_found_and_nothing_else(case):
    """Each sequence signals under each rule at exactly the listed points (1-based there)."""
    expected = {name.partition("_")[0]: [point - 1 for point in points] for name, points in case["signals"].items()}
    assert expected == {rule: [index for index, _ in found] for rule, found in by_rule(case["z"]).items()}


@THOROUGH
@given(z=SERIES)
def test_the_rules_find_what_a_search_of_every_window_finds(z):
    """All rules, sides and points agree with windows checked one by one."""
    assert windows(z) == by_rule(z)


@pytest.mark.parametrize(
    ("rule", "z", "side"),
    [
        ("N1", [3.1], 1),
        ("N1", [-3.1], -1),
        ("N2", [-0.5] * 9, -1),
        ("N3", [0.5, 0.4, 0.3, 0.2, 0.1, -0.1], -1),
        ("N4", [0.1, -0.1] * 7, 0),
        ("N5", [-2.1, 0.0, -2.2], -1),
        # Two points beyond 2 sigma are two of three, for any third point.
        ("N5", [2.1, 2.2], 1),
        ("N6", [1.1, 1.1, 1.1, 1.1], 1),
        ("N7", [0.0] * 15, 0),
        ("N8", [1.5, -1.5, 1.5, -1.5, -1.5, 1.5, 1.5, 1.5], 0),
        ("WE4", [0.5] * 8, 1),
    ],
)
def test_each_rule_says_its_side(rule, z, side):
    """The side of a rule is that of its last point (Nelson 1984)."""
    assert (len(z) - 1, side) in by_rule(z)[rule]


@pytest.mark.parametrize(
    ("rule", "z"),
    [
        ("N1", [3.0]),
        ("N2", [0.5] * 5 + [0.0] + [0.5] * 4),
        ("N3", [0.0, 0.1, 0.2, 0.3, 0.3, 0.4]),
        ("N5", [2.0, 2.1]),
        ("N6", [1.0, 1.1, 1.1, 1.1]),
        ("N7", [0.0] * 14 + [1.0]),
        ("N8", [1.5] * 8),
        ("N8", [1.5, -1.5] * 3 + [1.5, 1.0]),
        ("WE4", [0.5] * 7 + [0.0]),
    ],
)
def test_a_point_on_a_line_is_beyond_neither_side_of_it(rule, z):
    """A value on the line breaks the pattern (strict inequalities), and eight points beyond 1 sigma on one side alone are not N8."""
    assert [] == by_rule(z)[rule]


def test_a_last_bit_does_not_put_a_point_across_a_line():
    """A diameter of 1.83 about 1.80 with sigma 0.01 is 3.0000000000000027 sigma away in binary, which counts as three and not beyond."""
    assert 3 < (1.83 - 1.80) / 0.01
    assert set() == signals([(1.83 - 1.80) / 0.01])


def test_a_pattern_that_goes_on_is_completed_at_each_further_point():
    """Nine points above complete WE4 at the eighth and the ninth, and N2 at the ninth."""
    expected = {("WE4", 7, 1), ("WE4", 8, 1), ("N2", 8, 1)}
    assert expected == signals([0.1, 0.3, 0.2, 0.4, 0.3, 0.5, 0.2, 0.4, 0.3])


def test_every_rule_has_words_and_a_side():
    """Every rule has words and a side; rules with a side come in the order of their messages, the others separately."""
    assert ["N1", "N2", "N3", "N4", "N5", "N6", "N7", "N8", "WE4"] == list(RULES)
    assert ["N1", "N2", "N3", "N5", "N6", "WE4"] == list(run_rules([], 1)) == list(run_rules([], -1))
    assert ["N4", "N7", "N8"] == list(run_rules([], 0))


def test_there_is_no_other_side():
    """A side is above, below or 0."""
    with pytest.raises(ValueError, match="side must be"):
        run_rules([0.0], 2)


def test_no_points_complete_no_rule():
    """An empty series has no signals, and a non-finite value is refused."""
    assert set() == signals([])
    with pytest.raises(ValueError, match="at index 1"):
        run_rules([0.0, float("nan")], 0)


@THOROUGH
@given(z=SERIES)
def test_turning_a_series_over_mirrors_its_signals(z):
    """Negated values complete the same rules at the same points on the other side."""
    mirrored = {(rule, index, -side) for rule, index, side in signals([-value for value in z])}
    assert signals(z) == mirrored


@THOROUGH
@given(z=SERIES, by=st.sampled_from((0.5, 1.0, 2.0)))
def test_raising_every_point_removes_no_upper_signal(z, by):
    """Raising every point keeps every upper signal."""
    before = {signal for signal in signals(z) if signal[2] > 0}
    assert before <= signals([value + by for value in z])


@THOROUGH
@given(z=SERIES, later=SERIES)
def test_a_later_point_changes_no_earlier_signal(z, later):
    """A later point changes no completed pattern."""
    assert signals(z) == {signal for signal in signals(z + later) if signal[1] < len(z)}


def test_a_long_series_is_searched_as_its_parts_are():
    """In 100,000 points every signal of a part is found again at its place."""
    z = np.random.default_rng(3).normal(size=100_000)
    start = 50_000
    # The longest pattern reaches back 15 points, so what lies further in does not depend on what came before.
    inside = {(rule, index + start, side) for rule, index, side in signals(z[start : start + 2000]) if index >= 15}
    found = {signal for signal in signals(z) if start + 15 <= signal[1] < start + 2000}
    assert inside == found
