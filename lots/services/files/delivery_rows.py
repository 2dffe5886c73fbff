"""Rows of a file of deliveries, one for each spool or for several alike, put together into the deliveries they came in. Pure."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import cast

from lots.domain.code_identity import identity
from lots.services.files.csv_tables import CellFault, fault
from lots.services.receiving.bodies import NewDelivery, NewSpool

MOST_SPOOLS = 1000
# A file is stored at once, and nobody else writes meanwhile: some 20 ms for each delivery.
MOST_DELIVERIES = 250
MOST_SPOOLS_IN_FILE = 10_000
_KEY = ("supplier_id", "supplier_code", "grade_id", "grade_code", "supplier_lot", "order_ref", "received_at")
_OF_SPOOLS = ("spools", "spool_count", "net_mass_g")
_SPLIT = "Split the file, and repeat the header in each part."
_SPOOL = re.compile(r"/spools/(\d+)/(\w+)")


@dataclass(slots=True)
class Group:
    """A delivery: what its rows say of it, its spools, and which item each spool came from."""

    first: int
    said: dict[str, object] = field(default_factory=dict)
    spools: list[NewSpool] = field(default_factory=list)
    origins: list[int] = field(default_factory=list)

    def values(self) -> NewDelivery:
        """The delivery as the receiving desk takes it."""
        return cast("NewDelivery", {**self.said, "spools": self.spools})

    def source_of(self, pointer: str) -> tuple[int, str]:
        """Returns the item a fault came from, and the field of that item."""
        if found := _SPOOL.match(pointer):
            return self.origins[int(found[1])], f"spools/0/{found[2]}"
        return self.first, pointer.strip("/")


def grouped(
    items: Sequence[NewDelivery], places: Sequence[tuple[int, int]], alone: Collection[int]
) -> tuple[list[Group], list[CellFault]]:
    """Returns the deliveries that rows belong to, and what contradicts itself between rows.

    Rows with the same supplier, grade, lot number, order and time are one delivery, wherever they stand.

    Args:
        items: one for each row, in the types of the API.
        places: row and line of each.
        alone: items that have a fault already, and might be of any delivery.
    """
    grouping = _Grouping(places)
    for index, item in enumerate(items):
        key = (index,) if index in alone else tuple(item.get(name) for name in _KEY)
        if not grouping.add(index, item, key):
            break
    return list(grouping.groups.values()), grouping.faults


class _Grouping:
    """Puts rows together, one after the other."""

    def __init__(self, places: Sequence[tuple[int, int]]) -> None:
        self.groups: dict[tuple[object, ...], Group] = {}
        self.faults: list[CellFault] = []
        self._places = places
        self._row_of: dict[str, int] = {}  # identity of a code -> its first row
        self._in_file = 0

    def add(self, index: int, item: NewDelivery, key: tuple[object, ...]) -> bool:
        """Adds a row to its delivery. False where the file holds too much, so that nothing more is read."""
        spools = item.get("spools") or [_one_of(item)] * item.get("spool_count", 1)
        self._in_file += len(spools)
        if self._in_file > MOST_SPOOLS_IN_FILE:
            self._fault(index, f"A file holds at most {MOST_SPOOLS_IN_FILE:,} spools.", _SPLIT)
            return False
        if key not in self.groups and len(self.groups) == MOST_DELIVERIES:
            self._fault(index, f"A file holds at most {MOST_DELIVERIES} deliveries.", _SPLIT)
            return False
        group = self.groups.setdefault(key, Group(index))
        self._say(index, item, group)
        spools = self._with_own_code(index, spools)
        if len(group.spools) + len(spools) > MOST_SPOOLS:
            detail = f"With this row the delivery has more than {MOST_SPOOLS} spools."
            self._fault(index, detail, "Split it by order or time of receipt.")
        else:
            group.spools += spools
            group.origins += [index] * len(spools)
        return True

    def _say(self, index: int, item: NewDelivery, group: Group) -> None:
        """Adds what a row says of its delivery; what earlier rows say otherwise is a fault."""
        for name, value in item.items():
            if name in _OF_SPOOLS or value in (None, False):
                continue
            if group.said.setdefault(name, value) not in (value, False):
                first, _ = self._places[group.first]
                detail = f"Row {first} is of the same delivery and says something else here."
                self._fault(index, detail, "Say it once, or the same in every row.", name)
            group.said[name] = group.said[name] or value

    def _with_own_code(self, index: int, spools: Sequence[NewSpool]) -> list[NewSpool]:
        """The spools of a row; one whose code stands in an earlier row is left without."""
        code = spools[0].get("code")
        if code is None:
            return list(spools)
        row, _ = self._places[index]
        first = self._row_of.setdefault(identity(code), row)
        if first == row:
            return list(spools)
        detail = f"The code {code} stands in row {first} already."
        self._fault(index, detail, "Each spool needs its own code.", "spool_code")
        return [_without_code(spools[0])]

    def _fault(self, index: int, detail: str, hint: str, column: str | None = None) -> None:
        row, line = self._places[index]
        self.faults.append(fault(detail, hint, row=row, line=line, column=column))


def _one_of(item: NewDelivery) -> NewSpool:
    """Each of several spools alike."""
    mass = item.get("net_mass_g")
    return {} if mass is None else {"net_mass_g": mass}


def _without_code(spool: NewSpool) -> NewSpool:
    return {"net_mass_g": spool["net_mass_g"]} if "net_mass_g" in spool else {}
