"""How long the charts take to signal, by simulation. Sources: Lucas and Crosier 1982, Lucas and Saccucci 1990, Champ and Woodall 1987.

Thousands of series of normal values run through the project's own charts; a mean run length is held to four of its standard errors
about the published one. The seed is fixed.
"""

import numpy as np
import pytest

from lots.domain.drift.control_charts import cusum, ewma, shewhart
from lots.domain.drift.run_rules import run_rules
from tests.domain.builders import reference_json
from tests.tolerances import STANDARD_ERRORS

REFERENCE = reference_json("control_charts.json")
CHARTS = REFERENCE["average_run_lengths"]["rows"]
WITH_RULES = REFERENCE["average_run_lengths_with_run_rules"]["rows"]
RUNS, RUNS_WITH_RULES = 4000, 2000


def first_of(*marks):
    """The index of the first point marked in any of several ways; None without one."""
    found = np.flatnonzero(np.logical_or.reduce(marks))
    return int(found[0]) if len(found) else None


def first_signal(row, z):
    """The first point at which the chart of a row of the reference signals."""
    if "h" in row:
        chart = cusum(z, row["k"], row["h"])
    elif "lambda_" in row:
        chart = ewma(z, row["lambda_"], row["L"], steady=True)
    else:
        chart = shewhart(z)
    return first_of(chart.above, chart.below)


def first_by_rules(row, z):
    """The first point that completes one of a row's rules, all of which have a side."""
    return first_of(*(marks for side in (1, -1) for rule, marks in run_rules(z, side).items() if rule in row["rules"]))


def run_lengths(first, row, runs):
    """Points up to and including the first signal, for many independent series."""
    rng = np.random.default_rng(1)
    piece = 10 + round(2 * row["arl"])
    lengths = []
    for _ in range(runs):
        z = rng.normal(row["shift_sigma"], 1, piece)
        while (at := first(row, z)) is None:
            z = np.concatenate([z, rng.normal(row["shift_sigma"], 1, piece)])
        lengths.append(at + 1)
    return np.array(lengths)


def named(row):
    """A chart and its shift, to tell test cases apart."""
    chart = "+".join(row["rules"]) if "rules" in row else row["chart"].split(",")[0].replace(" ", "-")
    return f"{chart}-{row.get('h', row.get('lambda_', ''))}-shift-{row['shift_sigma']}"


@pytest.mark.parametrize("row", CHARTS, ids=[named(row) for row in CHARTS])
def test_charts_signal_as_late_as_is_published(row):
    """Individuals, CUSUM and EWMA, in control and shifted."""
    lengths = run_lengths(first_signal, row, RUNS)
    error = lengths.std(ddof=1) / RUNS**0.5
    assert pytest.approx(row["arl"], abs=STANDARD_ERRORS * error) == lengths.mean()


@pytest.mark.parametrize("row", WITH_RULES, ids=[named(row) for row in WITH_RULES])
def test_run_rules_signal_as_late_as_is_published(row):
    """Single points beyond 3 sigma together with one run rule (Champ and Woodall 1987, Table 1)."""
    lengths = run_lengths(first_by_rules, row, RUNS_WITH_RULES)
    error = lengths.std(ddof=1) / RUNS_WITH_RULES**0.5
    assert pytest.approx(row["arl"], abs=STANDARD_ERRORS * error) == lengths.mean()


def test_what_is_printed_is_what_was_computed():
    """Every computed run length equals the printed one at its rounding."""
    printed = [row for row in CHARTS if "published_rounded" in row]
    assert 14 == len(printed)
    for row in printed:
        decimals = len(str(row["published_rounded"]).partition(".")[2])
        assert pytest.approx(row["published_rounded"], abs=0.6 * 10.0**-decimals) == row["arl"]
