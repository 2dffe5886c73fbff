"""The overview of suppliers equals the answers of each service, with linear cost."""

import sys
from datetime import UTC, datetime, timedelta
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest

from lots.domain.drift.lot_series import Column, LotSeries, SeriesLot
from lots.domain.purchasing.supplier_comparison import LotResult, compare
from lots.services import clock
from lots.services.drift import drift, series, views
from lots.services.drift.series import Window
from lots.services.purchasing import comparison, forecast, overview, week
from lots.services.purchasing.comparison import Question
from lots.services.purchasing.supplies import Charted
from lots.services.purchasing.week_entries import Shelf
from lots.store.drift import lot_series
from lots.store.drift.lot_series import columns_of
from lots.store.tables.models import Delivery
from tests.journeys.supply import COLOR, month, whites
from tests.store.rows import connected

NOW = datetime(2026, 11, 28, tzinfo=UTC)
PAIRS = [(supplier, grade) for supplier in (1, 2) for grade in (1, 2)]


@pytest.fixture
def engine():
    """SQLite alone, because the rows are assembled outside the database."""
    return "sqlite"


def lots(n: int, seed: int = 3) -> LotSeries:
    """Returns a number of lots of two suppliers and grades in turn, with a figure each."""
    read = {"color": ["M1"]}
    rows = [
        SeriesLot(
            k + 1, *PAIRS[k % 4], f"Q-{k}", "released", None, 1, 1, NOW + timedelta(hours=k), True, read, (), False
        )
        for k in range(n)
    ]
    values = np.random.default_rng(seed).normal(0.0, 0.1, n)
    figures = np.column_stack([values, np.full(n, 5.0), np.full(n, 0.01), np.full(n, 0.03)])
    return LotSeries(rows, {"color.component_b": Column(np.arange(n), figures)})


def steps(action) -> int:
    """The number of function calls of an action, libraries included."""
    seen = 0

    def count(frame, event, argument):
        nonlocal seen
        seen += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        action()
    finally:
        sys.setprofile(None)
    return seen


def listed(some: LotSeries) -> None:
    """Returns the week's list over lots."""
    grade = SimpleNamespace(id=1, code="G", nominal_diameter_mm=1.75)
    suppliers = {number: SimpleNamespace(name=f"S{number}") for number in (1, 2)}
    owed = week.Owed([], [], Shelf({}, 7))
    week.to_act_on(NOW, some, owed, suppliers, Charted({1: grade, 2: grade}, {}, {}, {}), dict)


def compared(n: int) -> None:
    """Compares two suppliers over a number of lots each."""
    rng = np.random.default_rng(5)
    compare({s: [LotResult(True, "s", "M", tuple(c), float(c[0])) for c in rng.normal(1, 0.1, (n, 3))] for s in (1, 2)})


def test_twice_the_lots_take_twice_the_steps_at_most():
    """The week's list and a comparison are linear in their lots."""
    listed(lots(400))
    few, many = (steps(partial(listed, some)) for some in (lots(4000), lots(8000)))
    assert many < 2.2 * few
    few, many = (steps(partial(compared, n)) for n in (1000, 2000))
    assert many < 2.2 * few


def test_a_drift_page_takes_steps_for_the_lots_it_speaks_of():
    """Columns, charts and windows are linear in lots, and a long series shows no more lots."""

    def figures(n: int) -> None:
        columns_of([{"color.component_b": [0.1, 5.0, 0.01, None]} for _ in range(200)] for _ in range(n // 200))

    def page(some: LotSeries) -> None:
        (part,) = series.stretches(some, "color.component_b")
        shown = Window.of_newest(len(some), None, None, 1)
        views.points(1, part, shown)
        views.chart_view(drift.analysed(part, None, None), part, shown)

    page(lots(400))
    few, many = (steps(partial(figures, n)) for n in (4000, 8000))
    assert many < 2.2 * few
    few, many = (steps(partial(page, lots(n))) for n in (2000, 4000))
    assert many < 2.2 * few


@pytest.mark.parametrize(("measures", "lots_shown"), [(1, 500), (3, 500), (6, 316), (20, 95)])
def test_a_drift_answer_shows_fewer_lots_of_more_measures(measures, lots_shown):
    """By default a drift answer shows at most 1,900 figures, and a requested number of lots otherwise."""
    assert lots_shown == len(Window.of_newest(5000, None, None, measures).numbers)
    assert len(Window.of_newest(5000, 500, None, measures).numbers) == 500


def test_lots_that_came_later_are_added_in_order():
    """Two parts of a series together are the series, figures included."""
    whole = lots(40)
    parts = whole.by([row.id > 13 for row in whole.rows])
    both = parts[False] + parts[True]
    assert list(whole.rows) == list(both.rows)
    for name, column in whole.columns.items():
        assert column.at.tolist() == both.columns[name].at.tolist()
        assert column.figures.tolist() == both.columns[name].figures.tolist()


def test_each_pair_of_a_series_keeps_its_own_figures():
    """Each pair of a series keeps its own figures by any key."""
    whole = lots(41)
    value = dict(
        zip((row.id for row in whole.rows), whole.columns["color.component_b"].figures[:, 0].tolist(), strict=True)
    )
    for pair, mine in whole.by([(row.supplier_id, row.grade_id) for row in whole.rows]).items():
        assert {pair} == {(row.supplier_id, row.grade_id) for row in mine.rows}
        column = mine.columns["color.component_b"]
        assert [value[row.id] for row in mine.rows] == column.figures[:, 0].tolist()


def test_the_overview_is_what_each_service_answers(shop):
    """Comparison and forecasts equal the single answers, for a grade and all, for each use and several dates."""
    white = shop.grade(limits=COLOR)
    for code, step in (("QWT", 0.08), ("NBK", 0.0)):
        whites(shop.supplier(code), white, [step * number for number in range(12)])
    with connected(), clock.clock_set_to(clock.now()):
        for use in (None, "general"):
            seen = overview.overview(Question(white["id"], use=use))
            assert comparison.compare(white["id"], None, None, use) == seen.compared
            assert {n: forecast.forecast(n, white["id"], use) for n in (1, 2)} == seen.forecasts
            assert (use, ["general"]) == (seen.use, seen.uses)
        assert "general" == overview.overview(Question(white["id"]), first_use=True).use
        days = month(3), month(7)
        some = overview.overview(Question(white["id"], *days))
        assert comparison.compare(white["id"], *days) == some.compared
        assert [5, 5] == [line["lots"] for line in some.compared["suppliers"]]
        assert {n: forecast.forecast(n, white["id"]) for n in (1, 2)} == some.forecasts
        whole = overview.overview(Question(None))
        assert comparison.compare(None, None, None) == whole.compared
        assert {} == whole.forecasts
        assert white["id"] == overview.first_grade()


@pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def test_purchases_are_added_up_by_the_database(shop):
    """The database adds up purchases, one row per kind; a corrected one is read alone."""
    white, supplier = shop.grade(limits=COLOR), shop.supplier("QWT")
    kinds = {}
    for number, first in ((3, 1), (9, 4)):
        whites(supplier, white, [0.0] * number, first=first)
        with connected():
            kinds[number] = lot_series.purchases(white["id"], None, None)
    assert len(kinds[3]) == len(kinds[9]) == 1
    assert (kinds[3][0].deliveries, kinds[9][0].deliveries) == (3, 12)
    with connected():
        one = Delivery.select().order_by(Delivery.id).get()
        one.corrected = {"cost": 12.5, "currency": "EUR", "due_at": None}
        one.save()
        found = lot_series.purchases(white["id"], None, None)
    assert sum(kind.deliveries for kind in found) == 12
    assert (found[-1].deliveries, found[-1].cost, found[-1].currency, found[-1].late) == (1, 12.5, "EUR", None)


def test_before_the_first_lot_there_is_no_grade_to_begin_with(shop):
    """A grade without lots is not the default of the comparison."""
    shop.grade(limits=COLOR)
    with connected():
        assert overview.first_grade() is None
