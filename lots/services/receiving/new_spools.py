"""Spools of a delivery as they were given: each by itself or a number of them, with everything that makes no sense."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from lots.domain.code_identity import identity
from lots.services.errors import Fault
from lots.services.receiving.bodies import NewSpool, NewSpools
from lots.store.setup import spool_codes

# A reel holds from a sample coil to a drum. Common practice, no source.
_LEAST_G, _MOST_G = 20.0, 60_000.0


class Wanted(NamedTuple):
    """A spool that came: its code, None for one to be made up, and its net mass, g."""

    code: str | None
    net_mass_g: float


def wanted_spools(values: NewSpools) -> tuple[list[Wanted], list[Fault]]:
    """Returns the spools of a delivery, in whichever of its two forms it came, with every fault found."""
    listed, spool_count, each_g = values.get("spools"), values.get("spool_count"), values.get("net_mass_g")
    if (listed is None) == (spool_count is None):
        hint = "List each spool, or give the number of spools and the net mass of each."
        return [], [Fault("/spools", "Say once how many spools came.", hint)]
    if listed is not None:
        faults: list[Fault] = []
        seen: dict[str, tuple[int, str]] = {}
        for index, entry in enumerate(listed):
            faults += [*_mass_faults(index, entry, each_g), *_code_faults(index, entry, seen)]
        # A spool without a mass is at fault, so none is stored with this one.
        wanted = [Wanted(entry.get("code"), entry.get("net_mass_g", each_g) or 0.0) for entry in listed]
        return wanted, faults + _taken_faults(seen)
    if each_g is None:
        hint = "Give the net mass of one spool in grams."
        return [], [Fault("/net_mass_g", "How much filament is on each spool?", hint)]
    return [Wanted(None, each_g)] * (spool_count or 0), doubt_mass("/net_mass_g", each_g)


def _mass_faults(index: int, entry: NewSpool, each_g: float | None) -> list[Fault]:
    pointer, mass = f"/spools/{index}/net_mass_g", entry.get("net_mass_g", each_g)
    if mass is None:
        return [Fault(pointer, "How much filament is on this spool?", "Give its net mass in grams.")]
    return doubt_mass(pointer, mass)


def _code_faults(index: int, entry: NewSpool, seen: dict[str, tuple[int, str]]) -> list[Fault]:
    """A code that stands twice in a delivery. `seen` has the first place of each, by identity."""
    if (code := entry.get("code")) is None:
        return []
    first, written = seen.setdefault(identity(code), (index, code))
    if first == index:
        return []
    twice = "stands twice" if written == code else f"is the same as {written}"
    detail = f"The code {code} {twice} in this delivery."
    return [Fault(f"/spools/{index}/code", detail, "Each spool needs its own code.")]


def _taken_faults(seen: Mapping[str, tuple[int, str]]) -> list[Fault]:
    """Codes of spools there are already. One query."""
    taken = spool_codes.taken([code for _, code in seen.values()])
    hint = "Stick on a new code, or leave the code out to be given one."
    return [
        Fault(
            f"/spools/{index}/code",
            f"The code {code} is on another spool{'' if taken[code] == code else f' as {taken[code]}'}.",
            hint,
        )
        for index, code in seen.values()
        if code in taken
    ]


def doubt_mass(pointer: str, mass_g: float) -> list[Fault]:
    """Returns a fault where a net mass is not that of a spool."""
    if _LEAST_G <= mass_g <= _MOST_G:
        return []
    hint = "Give the net mass of one spool in grams."
    if 0 < mass_g < _LEAST_G:
        hint = f"This looks like kilograms: {mass_g:g} kg is {1000 * mass_g:g} g. Enter grams."
    return [
        Fault(pointer, f"{mass_g:g} g is not a plausible net mass of a spool ({_LEAST_G:g} to {_MOST_G:g} g).", hint)
    ]
