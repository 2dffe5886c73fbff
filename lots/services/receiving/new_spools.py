"""Checks of the spools of a new delivery."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from lots.domain.code_identity import identity
from lots.services.errors import Fault
from lots.services.receiving.bodies import NewSpool, NewSpools
from lots.store.setup import spool_codes

# Net masses of a sample coil and of a drum. Common practice, no source.
_LEAST_G, _MOST_G = 20.0, 60_000.0


class Wanted(NamedTuple):
    """A new spool: its code, None for an assigned one, and its net mass, g."""

    code: str | None
    net_mass_g: float


def wanted_spools(values: NewSpools) -> tuple[list[Wanted], list[Fault]]:
    """Returns the spools of a delivery, from a list or from a number, and every fault."""
    listed, spool_count, each_g = values.get("spools"), values.get("spool_count"), values.get("net_mass_g")
    if (listed is None) == (spool_count is None):
        hint = "List each spool, or give the number of spools and the net mass of each."
        given = "is missing" if listed is None else "is given twice"
        return [], [Fault("/spools", f"The number of spools {given}.", hint)]
    if listed is not None:
        faults: list[Fault] = []
        seen: dict[str, tuple[int, str]] = {}
        for index, entry in enumerate(listed):
            faults += [*_mass_faults(index, entry, each_g), *_code_faults(index, entry, seen)]
        # 0.0 is never stored, because a spool without a mass is a fault.
        wanted = [Wanted(entry.get("code"), entry.get("net_mass_g", each_g) or 0.0) for entry in listed]
        return wanted, faults + _taken_faults(seen)
    if each_g is None:
        hint = "Give the net mass of one spool in grams."
        return [], [Fault("/net_mass_g", "The net mass of one spool is missing.", hint)]
    return [Wanted(None, each_g)] * (spool_count or 0), doubt_mass("/net_mass_g", each_g)


def _mass_faults(index: int, entry: NewSpool, each_g: float | None) -> list[Fault]:
    pointer, mass = f"/spools/{index}/net_mass_g", entry.get("net_mass_g", each_g)
    if mass is None:
        return [Fault(pointer, "The net mass of this spool is missing.", "Give its net mass in grams.")]
    return doubt_mass(pointer, mass)


def _code_faults(index: int, entry: NewSpool, seen: dict[str, tuple[int, str]]) -> list[Fault]:
    """Returns a fault for a code that appears twice in a delivery. `seen` has the first place of each, by identity."""
    if (code := entry.get("code")) is None:
        return []
    first, written = seen.setdefault(identity(code), (index, code))
    if first == index:
        return []
    twice = "appears twice" if written == code else f"is the same as {written}"
    detail = f"Code {code} {twice} in this delivery."
    return [Fault(f"/spools/{index}/code", detail, "Give each spool its own code.")]


def _taken_faults(seen: Mapping[str, tuple[int, str]]) -> list[Fault]:
    """Returns a fault for each code that is already used. One query."""
    taken = spool_codes.taken([code for _, code in seen.values()])
    hint = "Use a new code, or leave the code out to have one assigned."
    return [
        Fault(
            f"/spools/{index}/code",
            f"Code {code} is already on another spool{'' if taken[code] == code else f', written {taken[code]}'}.",
            hint,
        )
        for index, code in seen.values()
        if code in taken
    ]


def doubt_mass(pointer: str, mass_g: float) -> list[Fault]:
    """Returns a fault when a net mass is not plausible for a spool."""
    if _LEAST_G <= mass_g <= _MOST_G:
        return []
    hint = "Give the net mass of one spool in grams."
    if 0 < mass_g < _LEAST_G:
        hint = f"Enter grams. {mass_g:g} kg is {1000 * mass_g:g} g."
    return [
        Fault(pointer, f"{mass_g:g} g is not a plausible net mass of a spool ({_LEAST_G:g} to {_MOST_G:g} g).", hint)
    ]
