"""Grouping of the rows of a delivery file into deliveries. A row holds one spool, or several equal ones. Pure."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import cast

from lots.domain.code_identity import identity
from lots.services.files.csv_tables import CellFault, fault
from lots.services.receiving.bodies import NewDelivery, NewSpool

MOST_SPOOLS = 1000
# A file is stored in one transaction, which blocks other writers for about 20 ms per delivery.
MOST_DELIVERIES = 250
MOST_SPOOLS_IN_FILE = 10_000
_KEY = ("supplier_id", "supplier_code", "grade_id", "grade_code", "supplier_lot", "order_ref", "received_at")
_OF_SPOOLS = ("spools", "spool_count", "net_mass_g")
_SPLIT = "Split the file, and repeat the header in each part."
_SPOOL = re.compile(r"/spools/(\d+)/(\w+)")


@dataclass(slots=True)
class Group:
    """A delivery: the values of its rows, its spools, and the item of each spool."""

    first: int
    said: dict[str, object] = field(default_factory=dict)
    spools: list[NewSpool] = field(default_factory=list)
    origins: list[int] = field(default_factory=list)

    def values(self) -> NewDelivery:
        """Returns the delivery in the form that receiving takes."""
        return cast("NewDelivery", {**self.said, "spools": self.spools})

    def source_of(self, pointer: str) -> tuple[int, str]:
        """Returns the item of a fault, and the field in that item."""
        if found := _SPOOL.match(pointer):
            return self.origins[int(found[1])], f"spools/0/{found[2]}"
        return self.first, pointer.strip("/")


def grouped(
    items: Sequence[NewDelivery], places: Sequence[tuple[int, int]], alone: Collection[int]
) -> tuple[list[Group], list[CellFault]]:
    """Returns the deliveries of these rows, and the contradictions between rows of one delivery.

    Rows with the same supplier, grade, lot number, order and time are one delivery, in any order.

    Args:
        items: one for each row, in the types of the API.
        places: row and line of each.
        alone: items that already have an error, and are not grouped.
    """
    grouping = _Grouping(places)
    for index, item in enumerate(items):
        key = (index,) if index in alone else tuple(item.get(name) for name in _KEY)
        if not grouping.add(index, item, key):
            break
    return list(grouping.groups.values()), grouping.faults


class _Grouping:
    """Collects rows into deliveries, one after the other."""

    def __init__(self, places: Sequence[tuple[int, int]]) -> None:
        self.groups: dict[tuple[object, ...], Group] = {}
        self.faults: list[CellFault] = []
        self._places = places
        self._row_of: dict[str, int] = {}  # identity of a code -> its first row
        self._in_file = 0

    def add(self, index: int, item: NewDelivery, key: tuple[object, ...]) -> bool:
        """Adds a row to its delivery. Returns False if the file is too large, so that reading stops."""
        spools = item.get("spools") or [_one_of(item)] * item.get("spool_count", 1)
        self._in_file += len(spools)
        if self._in_file > MOST_SPOOLS_IN_FILE:
            self._fault(index, f"A file may hold at most {MOST_SPOOLS_IN_FILE:,} spools.", _SPLIT)
            return False
        if key not in self.groups and len(self.groups) == MOST_DELIVERIES:
            self._fault(index, f"A file may hold at most {MOST_DELIVERIES} deliveries.", _SPLIT)
            return False
        group = self.groups.setdefault(key, Group(index))
        self._add_values(index, item, group)
        spools = self._with_own_code(index, spools)
        if len(group.spools) + len(spools) > MOST_SPOOLS:
            detail = f"With this row the delivery has more than {MOST_SPOOLS} spools."
            self._fault(index, detail, "Split the delivery by order or time of receipt.")
        else:
            group.spools += spools
            group.origins += [index] * len(spools)
        return True

    def _add_values(self, index: int, item: NewDelivery, group: Group) -> None:
        """Adds the values of a row to its delivery, with an error for each that contradicts an earlier row."""
        for name, value in item.items():
            if name in _OF_SPOOLS or value in (None, False):
                continue
            if group.said.setdefault(name, value) not in (value, False):
                first, _ = self._places[group.first]
                detail = f"Row {first} belongs to the same delivery and has another value."
                self._fault(index, detail, "Give the value in one row, or the same value in every row.", name)
            group.said[name] = group.said[name] or value

    def _with_own_code(self, index: int, spools: Sequence[NewSpool]) -> list[NewSpool]:
        """Returns the spools of a row. A code that an earlier row has is left out, with an error."""
        code = spools[0].get("code")
        if code is None:
            return list(spools)
        row, _ = self._places[index]
        first = self._row_of.setdefault(identity(code), row)
        if first == row:
            return list(spools)
        detail = f"Row {first} already has the code {code}."
        self._fault(index, detail, "Give each spool its own code.", "spool_code")
        return [_without_code(spools[0])]

    def _fault(self, index: int, detail: str, hint: str, column: str | None = None) -> None:
        row, line = self._places[index]
        self.faults.append(fault(detail, hint, row=row, line=line, column=column))


def _one_of(item: NewDelivery) -> NewSpool:
    """Returns one of several equal spools."""
    mass = item.get("net_mass_g")
    return {} if mass is None else {"net_mass_g": mass}


def _without_code(spool: NewSpool) -> NewSpool:
    return {"net_mass_g": spool["net_mass_g"]} if "net_mass_g" in spool else {}
