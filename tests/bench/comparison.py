"""Comparison of suppliers over 1,000 lots with 500,000 readings, from stored figures and from the readings.

Four suppliers of one grade; every lot is assessed once through the program, which takes minutes. Both ways call the service behind
`GET /supplier-comparison`, for the grade and for all grades. From readings, each lot is assessed again before the same comparison.
The benchmark stops unless the answers are equal to 1e-12. The whole request is timed too.
"""

from __future__ import annotations

import math
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from lots.app import create_app
from lots.domain.drift.lot_series import LotSeries
from lots.services.assessment.integrity_checks import SAME
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_assessment import Terms, assess_lot
from lots.services.purchasing import comparison
from lots.services.receiving import receiving
from lots.services.setup import access, roles
from lots.services.views import View
from lots.settings import Settings
from lots.store import readings
from lots.store.assessment import lots
from lots.store.drift import lot_series
from lots.store.engine import database
from tests.bench.clearance import asker
from tests.shop import CONDITIONS, WHITE, Shop

LOTS, SPOOLS, SUPPLIERS, ROUNDS, ANSWERS = 1000, 10, 4, 5, 10
# Readings of each kind on a spool: 50 in all.
COLORS, DIAMETERS, COUPONS, BARS = 5, 40, 3, 2
FIRST = datetime(2024, 1, 1, 8, tzinfo=UTC)
LIMITS: dict[str, Any] = {
    "sampling": {"fixed": 3},
    "color": {"lot_max": 0.8, "components_max": {"L": 0.6, "a": 0.4, "b": 0.6}},
    "diameter": {"mean_tolerance_mm": 0.02, "ovality_max_mm": 0.05},
    "shrinkage": {"x_percent": [0.1, 0.5], "y_percent": [0.1, 0.5], "z_percent": [0.0, 0.5]},
    "bond": {"mean_min_mpa": 20},
}


def run() -> None:
    """Prints CPU of both ways and their ratio, medians of alternated rounds with their spread."""
    with tempfile.TemporaryDirectory() as folder:
        app = create_app(Settings(database=f"sqlite:///{Path(folder) / 'shop.sqlite3'}", log_level="error"))
        database.connect()
        tokens = {role: access.add_token(role, role) for role in roles.ROLES}
        grade = _filled(Shop(app, tokens))
        request = asker(app, f"/v1/supplier-comparison?grade_id={grade}", tokens["purchasing"])
        taken: dict[str, list[float]] = {}
        for _ in range(ROUNDS):
            for name, seconds in _round(grade).items():
                taken.setdefault(name, []).append(seconds)
            taken.setdefault("the grade, whole request", []).append(_timed(request, ANSWERS)[0])
        database.close()
    sys.stdout.write(f"{LOTS} lots, {LOTS * SPOOLS * (COLORS + DIAMETERS + COUPONS + BARS)} readings, ms CPU\n")
    for name, each in taken.items():
        sys.stdout.write(f"{name:32}{_spread([1e3 * seconds for seconds in each], 1)}\n")
    for name in ("the grade", "all grades"):
        both = zip(taken[f"{name}, from readings"], taken[f"{name}, kept figures"], strict=True)
        sys.stdout.write(f"{f'{name}, times as fast':32}{_spread([slow / fast for slow, fast in both], 0)}\n")


def _round(grade: int) -> dict[str, float]:
    """CPU of each way of answering, s. The figures are computed once for both questions, and count in full for each."""
    taken = {}
    database.connect()
    listed = lot_series.lots_of
    numbers = [row.id for row in listed().rows]
    working, figures = _timed(lambda: {number: _figures(number) for number in numbers})

    def worked_out(**which: Any) -> LotSeries:
        """Lots with figures from their readings in place of the stored ones."""
        rows = listed(**which).rows
        columns = lot_series.columns_of([[figures[row.id] for row in rows]])
        return LotSeries(rows, columns)

    for name, asked in (("the grade", grade), ("all grades", None)):

        def answer(asked: int | None = asked) -> View:
            return comparison.compare(asked, None, None)

        seconds, kept = _timed(answer, ANSWERS)
        with patch.object(lot_series, "lots_of", worked_out):
            again, worked = _timed(answer)
        assert _same(kept, worked)
        taken |= {f"{name}, kept figures": seconds, f"{name}, from readings": working + again}
    return taken


def _timed(action: Callable[[], Any], times: int = 1) -> tuple[float, Any]:
    """CPU of an action, s, the mean of so many, and its answer."""
    began = time.process_time()
    for _ in range(times):
        answer = action()
    return (time.process_time() - began) / times, answer


def _spread(each: list[float], decimals: int) -> str:
    middle, least, most = statistics.median(each), min(each), max(each)
    return f"{middle:10.{decimals}f} ({least:.{decimals}f}-{most:.{decimals}f})"


def _filled(shop: Shop) -> int:
    """Lots of every supplier in turn, half a day apart, measured and assessed; returns the grade's number."""
    grade = shop.grade(limits=LIMITS)
    suppliers = [shop.supplier(f"S{number}") for number in range(SUPPLIERS)]
    dice = np.random.default_rng(5)
    for number in range(LOTS):
        body = {
            "supplier_id": suppliers[number % SUPPLIERS]["id"],
            "grade_id": grade["id"],
            "supplier_lot": f"L-{number}",
            "received_at": FIRST + timedelta(days=number / 2),
            "spool_count": SPOOLS,
            "net_mass_g": 1000.0,
        }
        database.connect()
        delivery = receiving.receive(body, "Anselm")
        with database.transaction():
            lot = lots.lock([delivery["lot"]["id"]])[delivery["lot"]["id"]]
            rows: list[readings.NewReading] = [
                {
                    "kind": kind,
                    "spool": spool,
                    "lot": lot,
                    "instrument": None,
                    "measured_at": body["received_at"],
                    "recorded_at": body["received_at"],
                    "recorded_by": "Wilhelmina",
                    "screening": False,
                    "retest": False,
                    "values": values,
                    "note": None,
                    "to_confirm": None,
                    "build_key": None,
                    "control_of": None,
                }
                for spool in lots.spools_of(lot)
                for kind, values in _measured(dice, 0.05 * (number % SUPPLIERS))
            ]
            wrote = {"reading": readings.add(rows)}
            judge_lot(lot, "Wilhelmina", body["received_at"], what="readings recorded", wrote=wrote)
    return int(grade["id"])


def _measured(dice: np.random.Generator, worse: float) -> Iterator[tuple[str, dict[str, Any]]]:
    """Kind and values of one spool's readings, of a supplier this much further off."""
    middle = np.array(WHITE) + dice.normal(worse, 0.15 + worse, 3)
    for _ in range(COLORS):
        yield "color", {"lab": (middle + dice.normal(0, 0.05, 3)).tolist(), "conditions": CONDITIONS}
    mean = dice.normal(1.75, 0.005 + worse / 20)
    for metre in range(DIAMETERS):
        d1, d2 = dice.normal(mean, 0.004, 2).tolist()
        yield "diameter", {"position_m": metre, "d1_mm": d1, "d2_mm": d2}
    for axis in "xyz"[:COUPONS]:
        measured = 100 - dice.normal(0.3, 0.03 + worse / 5)
        yield (
            "shrinkage",
            {"axis": axis, "feature": "outside", "designed_mm": 100.0, "measured_mm": measured, "age_h": 24},
        )
    for control in (False, True)[:BARS]:
        yield "bond", {"stress_mpa": dice.normal(26 + 4 * control, 2), "control": control}


def _figures(number: int) -> dict[str, list[float | None]]:
    """The measures of a lot, assessed again from its readings."""
    lot = lots.find(number)
    assert lot is not None
    found = assess_lot(lot, Terms.of(lot)).assessment.summary.figures
    return {name: figure.as_list() for name, figure in found.items()}


def _same(one: Any, other: Any) -> bool:
    """Whether two answers are equal, numbers to 1e-12."""
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(_same(one[name], other[name]) for name in one)
    if isinstance(one, list | tuple):
        return len(one) == len(other) and all(map(_same, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=SAME, abs_tol=SAME)
    return bool(one == other)
