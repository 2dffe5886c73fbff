"""Permitted columns of each kind of file, derived from the matching request schema."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any, TypeAlias

from marshmallow import Schema, fields

from lots.api.http.fields import Instant
from lots.api.readings import readings
from lots.api.readings.reading_args import ARGS
from lots.api.receiving.lots_and_deliveries import DeliveryArgs
from lots.api.setup.shades import ConditionsArgs
from lots.domain.characteristics.declaring.declaration import Characteristic, Field
from lots.domain.characteristics.registry import DECLARED
from lots.services.files.imports import DELIVERIES
from lots.services.files.spectral_columns import COLUMNS

SCHEMAS: dict[str, type[Schema]] = {**ARGS, DELIVERIES: DeliveryArgs}

# Placeholders for invalid fields, so that services can check the rest of a row. They are never stored.
_OF_READINGS = {"spool_code": ""}
_OF_DELIVERIES: dict[str, Any] = {
    "supplier_lot": "-",
    "received_at": datetime(2001, 1, 1, tzinfo=UTC),
    "spools": [{"net_mass_g": 1000.0}],
}
# Fields of a delivery that depend on each other.
_TOGETHER = (frozenset({"supplier_id", "supplier_code"}), frozenset({"grade_id", "grade_code"}))


@dataclass(frozen=True, slots=True)
class Shape:
    """The permitted columns of one kind of file.

    Args:
        declared: Characteristic of the readings; None for deliveries.
        paths: Field by column.
        readers: Cell type by field.
        needed: Required values of each row, as alternative columns.
        shown_only: Columns of an export that are ignored.
    """

    declared: Characteristic | None
    paths: dict[str, str]
    readers: dict[str, str]
    needed: tuple[tuple[str, ...], ...]
    shown_only: frozenset[str]

    def name_of(self, kind: str) -> str | None:
        """Returns the name of the field of a type, such as spectrum, None without one."""
        found = self.declared.of_type(kind) if self.declared else None
        return found.name if found else None

    @property
    def split(self) -> tuple[Field, ...]:
        """Fields with a column for each part."""
        return tuple(one for one in self.declared.fields if one.columns) if self.declared else ()


# Columns of a field, and required columns of each row.
_Columns: TypeAlias = dict[str, tuple[str, fields.Field[Any]]]
_Needed: TypeAlias = list[tuple[str, ...]]


@cache
def shape_of(kind: str) -> Shape:
    """Returns the shape of a kind, from the schema of its requests."""
    declared = DECLARED.get(kind)
    named: _Columns = {}
    needed: _Needed = []
    for name, one in SCHEMAS[kind]().fields.items():
        own = declared.field(name) if declared else None
        columns, rows_need = _of_field(declared, own, one) if declared and own else _of_any(kind, name, one)
        named |= columns
        needed += rows_need
    if declared is None:
        needed += [("supplier_code", "supplier_id"), ("grade_code", "grade_id"), ("net_mass_g",)]
    else:
        named["instrument_code"] = ("instrument_code", fields.String())
    readers = {path: _reader(one) for path, one in named.values()}
    paths = {column: path for column, (path, _) in named.items()}
    return Shape(declared, paths, readers, tuple(needed), _shown_only(declared))


def _of_field(declared: Characteristic, own: Field, one: fields.Field[Any]) -> tuple[_Columns, _Needed]:
    """Returns the columns of a declared field."""
    name = own.name
    if own.columns:
        parts: _Columns = {column: (f"{name}/{place}", fields.Float()) for place, column in enumerate(own.columns)}
        needs = [(column, name) for column in own.columns] if is_needed(own, declared) else []
        return {**parts, name: (name, one)}, [*needs]
    if own.type == "spectrum":
        return {column: (f"{name}/{nm}", fields.Float()) for column, nm in COLUMNS.items()}, []
    if own.type == "conditions":
        inner = ConditionsArgs().fields
        stated = {f"{before}{key}": (f"{name}/{key}", of) for key, of in inner.items() for before in ("", f"{name}.")}
        return stated, [(key, f"{name}.{key}") for key, of in inner.items() if own.needed and of.required]
    return _of_any("", name, one)


def _of_any(kind: str, name: str, one: fields.Field[Any]) -> tuple[_Columns, _Needed]:
    """Returns the column of a field with one value. In a file of deliveries each row is a spool."""
    if kind == DELIVERIES and name == "spools":
        return {"spool_code": ("spools/0/code", fields.String())}, []
    return {name: (name, one)}, [(name,)] if one.required else []


def is_needed(field: Field, declared: Characteristic) -> bool:
    """Returns whether each row requires a field. A spectrum may replace it."""
    return field.needed or declared.of_type("spectrum") is not None


def _shown_only(declared: Characteristic | None) -> frozenset[str]:
    if declared is None:
        return frozenset()
    asked = {name for one in SCHEMAS.values() for name in one().fields}
    worked_out = {out.name for out in declared.worked_out if declared.field(out.name) is None}
    return frozenset(readings.StoredReadingSchema().fields) - asked | worked_out


def _reader(one: fields.Field[Any]) -> str:
    kinds: dict[str, Any] = {
        "list": fields.List,
        "truth": fields.Boolean,
        "number": (fields.Integer, fields.Float),
        "time": Instant,
    }
    return next((word for word, classes in kinds.items() if isinstance(one, classes)), "text")


def list_hint(field: Field | None) -> str:
    """Returns a hint for writing a list field in a cell or in columns."""
    example = (field.example or field.stand_in) if field else None
    written = f"Write it like {example}" if example else "Write it as an export does, in [ ]"
    return f"{written}, or as columns {', '.join(field.columns)}." if field and field.columns else f"{written}."


def patched(shape: Shape, item: dict[str, Any], broken: set[str]) -> dict[str, Any]:
    """Returns an item with placeholders for invalid fields and for fields that depend on them."""
    if shape.declared is None:
        return _patched_delivery(item, _with_their_like(broken, _TOGETHER))
    own = shape.declared.fields
    tops = _tops(_with_their_like(broken, dict.fromkeys(frozenset(one.together) for one in own)))
    stand_ins = {**_OF_READINGS, **{one.name: one.stand_in for one in own if one.stand_in is not None}}
    kept = _stood_in(item, tops, stand_ins)
    if (conditions := shape.name_of("conditions")) in tops:
        kept[conditions] = {**stand_ins.get(conditions, {}), **(item.get(conditions) or {})}
    if (color := shape.name_of("lab")) and shape.name_of("spectrum") in tops:
        kept.pop(color, None)
    return kept


def _with_their_like(broken: set[str], together: Iterable[frozenset[str]]) -> set[str]:
    """Returns invalid fields with the fields that depend on them."""
    for group in together:
        if broken & group:
            broken |= group
    return broken


def _tops(paths: Iterable[str]) -> set[str]:
    return {path.partition("/")[0] for path in paths}


def _stood_in(item: dict[str, Any], tops: set[str], stand_ins: Mapping[str, Any]) -> dict[str, Any]:
    kept = {name: value for name, value in item.items() if name not in tops}
    return kept | {name: stand_ins[name] for name in tops if name in stand_ins}


def _patched_delivery(item: dict[str, Any], broken: set[str]) -> dict[str, Any]:
    tops = _tops(broken)
    kept = _stood_in(item, tops, _OF_DELIVERIES)
    if "spools" in tops or "net_mass_g" in tops:
        spool = dict((item.get("spools") or [{}])[0])
        wrong = {"net_mass_g", "spools/0/net_mass_g", "spools"} & broken
        kept["spools"] = [{**spool, **_OF_DELIVERIES["spools"][0]} if wrong else spool]
        kept.pop("spool_count", None)
    return kept
