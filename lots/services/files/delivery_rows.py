"""Rows of a file of deliveries, one for each spool or for several alike, put together into the deliveries they came in. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from lots.domain.code_identity import identity
from lots.services.files.csv_tables import CellFault, fault

MOST_SPOOLS = 1000
# A file is stored at once, and nobody else writes meanwhile: some 20 ms for each delivery.
MOST_DELIVERIES = 250
MOST_SPOOLS_IN_FILE = 10_000
_KEY = ("supplier_id", "supplier_code", "grade_id", "grade_code", "supplier_lot", "order_ref", "received_at")
_OF_SPOOLS = ("spools", "spool_count", "net_mass_g")
_SPOOL = re.compile(r"/spools/(\d+)/(\w+)")


@dataclass(slots=True)
class Group:
    """A delivery: what its rows say of it, its spools, and which item each spool came from."""

    first: int
    said: dict[str, Any]
    spools: list[dict[str, Any]] = field(default_factory=list)
    origins: list[int] = field(default_factory=list)

    def values(self) -> dict[str, Any]:
        """The delivery as the receiving desk takes it."""
        return {**self.said, "spools": self.spools}

    def source_of(self, pointer: str) -> tuple[int, str]:
        """Returns the item a fault came from, and the field of that item."""
        if found := _SPOOL.match(pointer):
            return self.origins[int(found[1])], f"spools/0/{found[2]}"
        return self.first, pointer.strip("/")


def grouped(
    items: list[dict[str, Any]], places: list[tuple[int, int]], alone: set[int]
) -> tuple[list[Group], list[CellFault]]:
    """Returns the deliveries that rows belong to, and what contradicts itself between rows.

    Rows with the same supplier, grade, lot number, order and time are one delivery, wherever they stand.

    Args:
        items: one for each row, in the types of the API.
        places: row and line of each.
        alone: items that have a fault already, and might be of any delivery.
    """
    groups: dict[tuple[Any, ...], Group] = {}
    seen: dict[str, int] = {}
    faults: list[CellFault] = []
    in_file = 0
    for index, (item, (row, line)) in enumerate(zip(items, places, strict=True)):
        spools = item.get("spools") or [{"net_mass_g": item.get("net_mass_g")}] * item.get("spool_count", 1)
        in_file += len(spools)
        if in_file > MOST_SPOOLS_IN_FILE:
            hint = "Split the file, and repeat the header in each part."
            faults.append(fault(f"A file holds at most {MOST_SPOOLS_IN_FILE:,} spools.", hint, row=row, line=line))
            break
        said = {name: value for name, value in item.items() if name not in _OF_SPOOLS}
        key = (index,) if index in alone else tuple(item.get(name) for name in _KEY)
        if key not in groups and len(groups) == MOST_DELIVERIES:
            hint = "Split the file, and repeat the header in each part."
            faults.append(fault(f"A file holds at most {MOST_DELIVERIES} deliveries.", hint, row=row, line=line))
            break
        group = groups.setdefault(key, Group(index, {}))
        first = places[group.first][0]
        for name, value in said.items():
            if value in (None, False):
                continue
            if group.said.setdefault(name, value) not in (value, False):
                detail = f"Row {first} is of the same delivery and says something else here."
                faults.append(fault(detail, "Say it once, or the same in every row.", row=row, line=line, column=name))
            group.said[name] = group.said[name] or value
        code = spools[0].get("code")
        folded = None if code is None else identity(code)
        if folded is not None and folded in seen:
            detail = f"The code {code} stands in row {seen[folded]} already."
            faults.append(fault(detail, "Each spool needs its own code.", row=row, line=line, column="spool_code"))
            spools = [{**spools[0], "code": None}]
        elif folded is not None:
            seen[folded] = row
        if len(group.spools) + len(spools) > MOST_SPOOLS:
            detail = f"With this row the delivery has more than {MOST_SPOOLS} spools."
            faults.append(fault(detail, "Split it by order_ref or received_at.", row=row, line=line))
            continue
        group.spools += [{name: value for name, value in spool.items() if value is not None} for spool in spools]
        group.origins += [index] * len(spools)
    return list(groups.values()), faults
