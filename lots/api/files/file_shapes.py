"""What a file of each kind may hold: its columns, taken from the schema that a request of that kind goes through."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import Instant
from lots.api.readings import readings
from lots.api.receiving.lots_and_deliveries import DeliveryArgs
from lots.api.setup.shades import ConditionsArgs
from lots.services.files.imports import DELIVERIES
from lots.services.files.spectral_columns import COLUMNS

SCHEMAS: dict[str, type[Schema]] = {**readings.SCHEMAS, DELIVERIES: DeliveryArgs}

# What stands in for a field at fault, so that the desk can judge the rest of its row. None of them is ever stored.
STAND_INS: dict[str, Any] = {
    "spool_code": "",
    "d1_mm": 1.75,
    "d2_mm": 1.75,
    "lab": [50.0, 0.0, 0.0],
    "spectrum": {"start_nm": 400, "step_nm": 10, "values": [0.5] * 31},
    "conditions": {"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included"},
    "axis": "x",
    "feature": "outside",
    "designed_mm": 100.0,
    "measured_mm": 99.7,
    "age_h": 24.0,
    "stress_mpa": 20.0,
    "control": False,
    "specks": 0,
    "area_dm2": 1.0,
    "moisture_percent": 0.02,
    "geometry_deg": 60,
    "gloss_gu": 50.0,
    "over_black": [50.0, 0.0, 0.0],
    "over_white": [50.0, 0.0, 0.0],
    "supplier_lot": "-",
    "received_at": datetime(2001, 1, 1, tzinfo=UTC),
    "spools": [{"net_mass_g": 1000.0}],
}
# Fields that make sense only together: with one at fault, the others say nothing.
_TOGETHER = (
    {"break_force_n", "area_mm2", "stress_mpa"},
    {"designed_mm", "measured_mm"},
    {"geometry_deg", "gloss_gu"},
    {"over_black", "over_white"},
    {"supplier_id", "supplier_code"},
    {"grade_id", "grade_code"},
)


@dataclass(frozen=True, slots=True)
class Shape:
    """What a file of one kind may hold: column -> field, how the cells of each field are read, and what each row needs."""

    paths: dict[str, str]
    readers: dict[str, str]
    needed: tuple[tuple[str, ...], ...]
    shown_only: frozenset[str]


@cache
def shape_of(kind: str) -> Shape:
    """Returns the shape of a kind, from the schema of its requests."""
    named: dict[str, tuple[str, fields.Field[Any]]] = {}
    needed: list[tuple[str, ...]] = []
    for name, one in SCHEMAS[kind]().fields.items():
        if name == "lab":
            named |= {column: (f"lab/{place}", fields.Float()) for place, column in enumerate("Lab")}
            named["lab"] = ("lab", one)
            needed += [("L", "lab"), ("a", "lab"), ("b", "lab")]
        elif name == "spectrum":
            named |= {column: (f"spectrum/{nm}", fields.Float()) for column, nm in COLUMNS.items()}
        elif name == "conditions":
            inner = ConditionsArgs().fields
            named |= {
                f"{before}{key}": (f"conditions/{key}", of)
                for key, of in inner.items()
                for before in ("", "conditions.")
            }
            needed += [(key, f"conditions.{key}") for key, of in inner.items() if of.required]
        elif name == "spools":
            named["spool_code"] = ("spools/0/code", fields.String())
        else:
            named[name] = (name, one)
            needed += [(name,)] if one.required else []
    if kind == DELIVERIES:
        needed += [("supplier_code", "supplier_id"), ("grade_code", "grade_id"), ("net_mass_g",)]
        shown: set[str] = set()
    else:
        named["instrument_code"] = ("instrument_code", fields.String())
        shown = {
            name
            for name in readings.StoredReadingSchema().fields
            if not any(name in one().fields for one in SCHEMAS.values())
        }
    readers = {path: _reader(one) for path, one in named.values()}
    return Shape({column: path for column, (path, _) in named.items()}, readers, tuple(needed), frozenset(shown))


def _reader(one: fields.Field[Any]) -> str:
    kinds: dict[str, Any] = {
        "list": fields.List,
        "truth": fields.Boolean,
        "number": (fields.Integer, fields.Float),
        "time": Instant,
    }
    return next((word for word, classes in kinds.items() if isinstance(one, classes)), "text")


def patched(item: dict[str, Any], broken: set[str]) -> dict[str, Any]:
    """An item whose fields at fault hold stand-ins; those that make no sense without them are taken along."""
    for group in _TOGETHER:
        if broken & group:
            broken |= group
    tops = {path.partition("/")[0] for path in broken}
    kept = {name: value for name, value in item.items() if name not in tops}
    kept |= {name: STAND_INS[name] for name in tops if name in STAND_INS}
    if "conditions" in tops:
        kept["conditions"] = {**STAND_INS["conditions"], **(item.get("conditions") or {})}
    if "spectrum" in tops:
        kept.pop("lab", None)
    if "spools" in tops or "net_mass_g" in tops:
        spool = dict((item.get("spools") or [{}])[0])
        wrong = {"net_mass_g", "spools/0/net_mass_g", "spools"} & broken
        kept["spools"] = [{**spool, **STAND_INS["spools"][0]} if wrong else spool]
        kept.pop("spool_count", None)
    return kept
