"""Shops with known true values: four suppliers, three grades, 150 lots. One supplier drifts, one is unsteady, one good, one new."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np

from lots.domain.drift.lot_series import Column, LotSeries, SeriesLot
from lots.services.purchasing import week
from lots.services.purchasing.stock import Short
from lots.services.purchasing.supplies import Charted
from lots.services.purchasing.week_entries import Shelf
from lots.store.purchasing.in_the_shop import LotInShop

NOW = datetime(2026, 11, 28, 9, tzinfo=UTC)
DRIFTING, SCATTERING, GOOD, NEW = 1, 2, 3, 4
SUPPLIERS = {DRIFTING: "Dwale", SCATTERING: "Sorrel", GOOD: "Gowan", NEW: "Nettle"}
WHITE, BLACK, BLUE = 1, 2, 3
GRADES = {WHITE: "PLA-HW-175", BLACK: "PLA-WB-175", BLUE: "PLA-CB-175"}

# Lots of each supplier and grade, 150 in all.
LOTS = {
    (DRIFTING, WHITE): 40,
    (SCATTERING, WHITE): 30,
    (GOOD, WHITE): 40,
    (NEW, WHITE): 2,
    (DRIFTING, BLACK): 10,
    (GOOD, BLACK): 10,
    (SCATTERING, BLUE): 9,
    (GOOD, BLUE): 9,
}
# The drifting supplier's white grows yellower from its eleventh lot on, by so much a lot.
DRIFTS, FROM_LOT, SLOPE = (DRIFTING, WHITE), 11, 0.03
# Spools of a lot, 1 kg each, and the newest lots of each supplier and grade that are still there.
SPOOLS, THERE = 4, 3

LIMITS: dict[str, Any] = {
    "sampling": {"fixed": 1},
    "color": {"lot_max": 1.5, "components_max": {"b": 1.0}},
    "diameter": {"reading_tolerance_mm": 0.05, "mean_tolerance_mm": 0.03, "ovality_max_mm": 0.05},
    "shrinkage": {"x_percent": [0.1, 0.5], "y_percent": [0.1, 0.5], "z_percent": [0.0, 0.5], "age_h": [20, 30]},
    "bond": {"mean_min_mpa": 20},
    "uses": {"hidden": ["diameter"], "cosmetic": ["color", "diameter"]},
}
# Mean and spread of steady lots.
STEADY = {
    "color.component_l": (0.0, 0.10),
    "color.component_a": (0.0, 0.06),
    "color.component_b": (0.0, 0.10),
    "diameter.mean": (1.75, 0.005),
    "diameter.mean_ovality": (0.02, 0.004),
    "shrinkage.x": (0.3, 0.03),
    "shrinkage.y": (0.3, 0.03),
    "shrinkage.z": (0.25, 0.03),
    "bond.mean": (32.0, 1.5),
    "gloss.gu_60": (30.0, 2.0),
}
# Good news: whose measure, and by how much it changes from its middle lot on. None of these belongs on the list.
BETTER = {
    (GOOD, WHITE): {"bond.mean": 5.0, "diameter.mean_ovality": -0.01},
    (SCATTERING, BLUE): {"bond.mean": 5.0},
}
# The unsteady supplier's colour, in multiples of a steady one's spread.
SCATTER = 14.0
# What truly moves towards a limit.
TRUE = {(*DRIFTS, "color.component_b"), (*DRIFTS, "color.lot_delta_e")}


def figures(
    pair: tuple[int, int], lots: int, rng: np.random.Generator, *, drifts: bool = True
) -> dict[str, np.ndarray]:
    """The measured figures of each lot of a supplier and grade, by measure, oldest first."""
    found = {}
    for name, (level, sd) in STEADY.items():
        scatter = SCATTER * sd if pair[0] == SCATTERING and name == "color.component_b" else sd
        found[name] = level + scatter * rng.standard_normal(lots)
        found[name][lots // 2 :] += BETTER.get(pair, {}).get(name, 0.0)
    if drifts and pair == DRIFTS:
        found["color.component_b"] += SLOPE * np.maximum(0, np.arange(lots) - FROM_LOT + 2)
    parts = [found[f"color.component_{part}"] for part in "lab"]
    found["color.lot_delta_e"] = np.sqrt(sum(part**2 for part in parts))
    return found


@dataclass(frozen=True)
class Invented:
    """A shop as the input of the week's list."""

    lots: LotSeries
    shelf: Shelf

    def week(self, short: Sequence[Short] = ()) -> Mapping[str, Any]:
        """The week's list of this shop, with short stocks."""
        suppliers: Any = {number: SimpleNamespace(name=name) for number, name in SUPPLIERS.items()}
        grades: Any = {
            number: SimpleNamespace(id=number, code=code, nominal_diameter_mm=1.75) for number, code in GRADES.items()
        }
        revisions: Any = {number: SimpleNamespace(body=LIMITS) for number in GRADES}
        told = Charted(grades, revisions, {}, {})
        owed = week.Owed([], [], self.shelf, short)
        return week.to_act_on(NOW, self.lots, owed, suppliers, told, lambda some: dict.fromkeys(some, SPOOLS * 1000.0))


def figures_of_shop(seed: int, *, drifts: bool = True) -> list[tuple[float, tuple[int, int], int, Mapping[str, float]]]:
    """Returns the lots of a shop in order: the day, 0 to 700, supplier and grade, the place among its lots, and its figures."""
    rng = np.random.default_rng([17, seed])
    measured = {pair: figures(pair, lots, rng, drifts=drifts) for pair, lots in LOTS.items()}
    # Each supplier's lots of a grade are spread over all the days.
    order = sorted((700 * (k + 1) / lots, pair, k) for pair, lots in LOTS.items() for k in range(lots))
    return [
        (days, pair, k, {name: float(values[k]) for name, values in measured[pair].items()}) for days, pair, k in order
    ]


def invented(seed: int, *, drifts: bool = True) -> Invented:
    """Returns a shop with its lots of the last two years in order; without a drift on request."""
    order = figures_of_shop(seed, drifts=drifts)
    read = {name: ["M1"] for name in ("color", "diameter", "shrinkage", "bond", "gloss")}
    rows = [
        _row(number, pair, k, NOW - timedelta(days=710 - days), measured, read)
        for number, (days, pair, k, measured) in enumerate(order, 1)
    ]
    columns = {}
    for name in (*STEADY, "color.lot_delta_e"):
        values = np.array([measured[name] for *_, measured in order])
        spread = np.column_stack([values, np.full(len(values), 1.0), np.zeros(len(values)), np.full(len(values), 0.01)])
        columns[name] = Column(np.arange(len(values)), spread)
    return Invented(LotSeries(rows, columns), Shelf({one.id: one for one in _there(rows)}, 7))


def _row(
    number: int,
    pair: tuple[int, int],
    k: int,
    at: datetime,
    measured: Mapping[str, float],
    read: Mapping[str, list[str]],
) -> SeriesLot:
    pretty = abs(measured["color.component_b"]) <= 1.0 and measured["color.lot_delta_e"] <= 1.5
    standing = "released" if pretty else "restricted"
    failed = () if pretty else ("color.component_b",)
    uses = {"hidden": True, "cosmetic": pretty}
    name = f"{SUPPLIERS[pair[0]][0]}{pair[1]}-{k + 1:02d}"
    return SeriesLot(number, *pair, name, standing, None, 1, 1, at, True, read, failed, False, uses)


def _there(rows: list[SeriesLot]) -> Iterator[LotInShop]:
    """The newest lots of each supplier and grade with all their spools; lots that fail a use stay longer."""
    newest: dict[tuple[int, int], int] = {}
    for row in reversed(rows):
        pair = row.supplier_id, row.grade_id
        newest[pair] = newest.get(pair, 0) + 1
        if newest[pair] <= THERE or (row.standing == "restricted" and newest[pair] <= 4 * THERE):
            uses = {use: "pass" if good else "fail" for use, good in row.uses.items()}
            yield LotInShop(row.id, *pair, row.supplier_lot, row.standing, row.received_at, uses, 1000.0 * SPOOLS)
