"""A supplier's lots, a month apart, entered through the services, because HTTP would take longer than the tests."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from lots.services.readings import recording
from lots.services.receiving import receiving
from lots.store.engine.database import transaction
from tests.shop import CONDITIONS, WHITE, Shop, drawn_first
from tests.store.rows import connected

FIRST = datetime(2021, 11, 20, 8, tzinfo=UTC)
MONTH = timedelta(days=30)

# One spool with one reading judges a lot: whole colour within 1.0 of the reference, b* too.
COLOR: dict[str, Any] = {"sampling": {"fixed": 1}, "color": {"lot_max": 1.0, "components_max": {"b": 1.0}}}
DIAMETER: dict[str, Any] = {"sampling": {"fixed": 1}, "diameter": {"reading_tolerance_mm": 0.05}}
# The same with every characteristic, with limits too wide to decide.
EVERYTHING: dict[str, Any] = {
    "sampling": {"fixed": 1},
    "color": {"lot_max": 3.0},
    "diameter": {"mean_tolerance_mm": 0.03, "ovality_max_mm": 0.05},
    "shrinkage": {"x_percent": [0.1, 0.5], "y_percent": [0.1, 0.5], "z_percent": [0.0, 0.5], "age_h": [20, 30]},
    "bond": {"mean_min_mpa": 20, "control_ratio_min": 0.7},
    "surface": {"specks_per_dm2_max": 2},
    "moisture": {"max_percent": 0.05},
    "gloss": {"deg_20_gu": [0, 100], "deg_60_gu": [0, 100], "deg_85_gu": [0, 100]},
    "opacity": {"contrast_ratio_min": 0.9},
    "stringing": {"hairs_per_gap_max": 0.5},
}
GOOD, BAD = 1.75, 1.85

# For the few tests that need another engine's word; the others say why one is enough.
BOTH_ENGINES = pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])


@contextmanager
def at_the_desks() -> Iterator[None]:
    """The block is one transaction."""
    with connected(), transaction():
        yield


def month(number: int) -> datetime:
    """The day of receipt of the lot with this number."""
    return FIRST + number * MONTH


def asked(moment: datetime) -> str:
    """A moment in a query."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def delivery(supplier: Any, grade: Any, lot: str, at: datetime, spools: int = 1, **more: Any) -> dict[str, Any]:
    """A delivery of spools of 1 kg, by Anselm."""
    body = {
        "supplier_id": supplier["id"],
        "grade_id": grade["id"],
        "supplier_lot": lot,
        "received_at": at,
        "spool_count": spools,
        "net_mass_g": 1000.0,
        **more,
    }
    return drawn_first(receiving.receive(body, "Anselm"))


def reading(kind: str, spool: str, at: datetime, instrument: Any = None, **values: Any) -> int:
    """The number of one reading by Wilhelmina."""
    item = {"spool_code": spool, "measured_at": at, **values}
    if instrument is not None:
        item["instrument_id"] = instrument["id"]
    return recording.record(kind, [item], "Wilhelmina", as_list=False)["items"][0]["id"]


def color(spool: str, at: datetime, b: float, a: float = 0.0, l: float = 0.0, instrument: Any = None) -> int:  # noqa: E741  # L*
    """The number of a colour reading this far from the reference."""
    lab = [WHITE[0] + l, WHITE[1] + a, WHITE[2] + b]
    return reading("color", spool, at, instrument, lab=lab, conditions=CONDITIONS)


def whites(supplier: Any, grade: Any, b: Sequence[float], first: int = 1, prefix: str = "Q", **more: Any) -> list[int]:
    """Numbers of lots whose b* lies this far from the reference, one a month; a lot is numbered by its month."""
    made = []
    with at_the_desks():
        for number, apart in enumerate(b, start=first):
            came = delivery(supplier, grade, f"{prefix}-{number:02d}", month(number))
            color(came["spools"][0]["code"], month(number), apart, **more)
            made.append(came["lot_id"])
    return made


def judged(supplier: Any, grade: Any, outcomes: str, first: int = 1, prefix: str = "Q", **more: Any) -> list[int]:
    """Numbers of lots under DIAMETER that were accepted (A), rejected (R) or not measured (-), one a month."""
    made = []
    with at_the_desks():
        for number, outcome in enumerate(outcomes, start=first):
            came = delivery(supplier, grade, f"{prefix}-{number:02d}", month(number), **more)
            if outcome != "-":
                d_mm = GOOD if outcome == "A" else BAD
                reading("diameter", came["spools"][0]["code"], month(number), d1_mm=d_mm, d2_mm=d_mm)
            made.append(came["lot_id"])
    return made


def followed(shop: Shop, supplier: Any, grade: Any, characteristic: str = "color.component_b", **query: str) -> Any:
    """The drift of a characteristic, as purchasing reads it."""
    named = {"supplier_id": supplier["id"], "grade_id": grade["id"], "characteristic": characteristic, **query}
    return shop.get("purchasing", "/drift?" + "&".join(f"{name.rstrip('_')}={value}" for name, value in named.items()))
