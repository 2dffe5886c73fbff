"""Corrections of the spools of a delivery: their number, their codes and their net masses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from lots.domain.code_identity import identity
from lots.domain.words import counted
from lots.services.errors import Fault
from lots.services.receiving.bodies import NewSpool, SpoolsChange
from lots.services.receiving.new_spools import Wanted, doubt_mass, wanted_spools
from lots.store.tables.models import Spool

_CLOSE = "If this is wrong, ask quality to close the delivery, and log it again."


@dataclass(slots=True)
class Plan:
    """Planned changes to the spools of a delivery.

    Args:
        rows: its spools so far.
        withdrawn: spools to withdraw.
        added: spools to add.
        masses: spools with their new net masses, g.
        faults: faults of the request.
    """

    rows: Sequence[Spool]
    withdrawn: list[Spool] = field(default_factory=list)
    added: list[Wanted] = field(default_factory=list)
    masses: list[tuple[Spool, float]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    @property
    def kept(self) -> list[Spool]:
        """Spools that are not withdrawn."""
        gone = {row.id for row in self.withdrawn}
        return [row for row in self.rows if row.id not in gone]

    @property
    def count(self) -> int:
        """Number of spools after the correction."""
        return len(self.kept) + len(self.added)


def planned(values: SpoolsChange, rows: Sequence[Spool], used: set[int]) -> Plan:
    """Returns the planned changes to the spools of a delivery.

    Args:
        values: the correction: `spool_count`, or `withdraw` and `add`; `net_mass_g`, `spools`.
        rows: its spools that are not withdrawn, in the order they were logged.
        used: numbers of spools that were measured, loaded or respooled.
    """
    plan = Plan(rows)
    touched = used | {row.id for row in rows if row.opened_at or row.dried_at}
    if "spool_count" in values and ("withdraw" in values or "add" in values):
        hint = "Give either the number of spools or the spools to withdraw and to add."
        plan.faults.append(Fault("/spool_count", "The number of spools is given twice.", hint))
        return plan
    _withdraw(plan, values, touched)
    _add(plan, values)
    if not plan.faults and plan.count < 1:
        hint = "Ask quality to close the delivery instead."
        plan.faults.append(Fault("/withdraw", "A delivery must have at least one spool.", hint))
    _weigh(plan, values, used)
    return plan


def _withdraw(plan: Plan, values: SpoolsChange, touched: set[int]) -> None:
    known = _by_code(plan.rows)
    for index, code in enumerate(values.get("withdraw", ())):
        row = known.get(code) or known.get(identity(code))
        if row is None:
            plan.faults.append(_unknown(f"/withdraw/{index}", code))
        elif row.id in touched:
            detail = f"Spool {code} was measured, loaded, opened or respooled and cannot be withdrawn."
            plan.faults.append(Fault(f"/withdraw/{index}", detail, _CLOSE))
        elif row not in plan.withdrawn:
            plan.withdrawn.append(row)
    too_many = len(plan.rows) - values.get("spool_count", len(plan.rows))
    if too_many > 0:
        # The spools logged last are withdrawn first.
        free = [row for row in reversed(plan.rows) if row.id not in touched]
        plan.withdrawn = free[:too_many]
        if len(free) < too_many:
            held = counted(len(plan.rows) - len(free), "spool was", "spools were")
            detail = f"{held} measured, loaded, opened or respooled and cannot be withdrawn."
            plan.faults.append(Fault("/spool_count", detail, _CLOSE))


def _add(plan: Plan, values: SpoolsChange) -> None:
    each_g = values.get("net_mass_g")
    masses = {row.net_mass_g for row in plan.rows}
    alike = each_g if each_g is not None or len(masses) != 1 else masses.pop()
    more = values.get("spool_count", 0) - len(plan.rows)
    listed: Sequence[NewSpool] = values.get("add") or [{}] * max(0, more)
    if listed and "add" not in values and alike is None:
        hint = "Give the net mass of each, or list the added spools with their masses."
        plan.faults.append(Fault("/net_mass_g", "The net mass of the added spools is missing.", hint))
    elif listed:
        wanted, faults = wanted_spools({"spools": listed, "net_mass_g": alike})
        plan.added = wanted
        plan.faults += [replace(one, pointer=one.pointer.replace("/spools", "/add", 1)) for one in faults]


def _weigh(plan: Plan, values: SpoolsChange, used: set[int]) -> None:
    each_g = values.get("net_mass_g")
    wanted: dict[int, tuple[str, float]] = {}
    if each_g is not None:
        plan.faults += [one for one in doubt_mass("/net_mass_g", each_g) if not plan.added]
        wanted = {row.id: ("/net_mass_g", each_g) for row in plan.kept}
    known = _by_code(plan.kept)
    for index, entry in enumerate(values.get("spools", ())):
        code, mass, at = entry["code"], entry["net_mass_g"], f"/spools/{index}"
        row = known.get(code) or known.get(identity(code))
        plan.faults += doubt_mass(f"{at}/net_mass_g", mass)
        if row is None:
            plan.faults.append(_unknown(f"{at}/code", code))
        else:
            wanted[row.id] = (f"{at}/net_mass_g", mass)
    for row in plan.kept:
        at, mass = wanted.get(row.id, ("", row.net_mass_g))
        if mass == row.net_mass_g:
            continue
        if row.id in used:
            detail = f"Spool {row.code} was measured, loaded or respooled. Its net mass stays {row.net_mass_g:g} g."
            plan.faults.append(Fault(at, detail, "Give the masses of the other spools only."))
        else:
            plan.masses.append((row, mass))


def _by_code(rows: Sequence[Spool]) -> dict[str, Spool]:
    """Returns spools by their exact codes and by the identities of these."""
    return {row.identity: row for row in rows if row.identity} | {row.code: row for row in rows}


def _unknown(at: str, code: str) -> Fault:
    return Fault(at, f"Spool {code} is not in this delivery.", "Give a code from the list of its spools.")
