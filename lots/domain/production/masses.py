"""Filament is neither made nor lost: what is left on a spool, with what its loads used and what was wound off it, is what it came with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.code_identity import identity

# Sums of some hundred masses differ from each other by less than this in binary, g; no scale shows it.
NOISE_G = 1e-6


@dataclass(frozen=True, slots=True)
class SpoolMass:
    """Everything that was booked of a spool. Nothing is refused here: whether it fits is what `misfits` says.

    Args:
        net_g: what it came with, or what was wound onto it, g.
        left_g: what is left on it, g.
        used_g: what its ended loads used, together, g.
        taken_g: what was wound off it onto other spools, together, g.
        wound_g: what was wound onto it from other spools, together, g; None for one that came from the supplier.
        machine: where it is said to be loaded, None on the shelf; it may be written otherwise than in `loaded`.
        loaded: (machine, mass when it was loaded in g) of each load that has not ended.
    """

    net_g: float
    left_g: float
    used_g: float = 0.0
    taken_g: float = 0.0
    wound_g: float | None = None
    machine: str | None = None
    loaded: Sequence[tuple[str, float]] = ()


def misfits(spool: SpoolMass) -> list[str]:
    """Returns in words what of a spool's masses and loads does not fit together; nothing when all does.

    Notes:
        Used mass is negative where a spool was weighed heavier than it was booked, which unloading refuses.

    Example:
        >>> misfits(SpoolMass(net_g=1000.0, left_g=700.0, used_g=200.0, taken_g=100.0))
        []
        >>> misfits(SpoolMass(net_g=1000.0, left_g=900.0, used_g=200.0))
        ['900 g are left, but 1000 g less 200 g used and 0 g wound off are 800 g']
    """
    found = []
    if spool.left_g < 0:
        found.append(f"{spool.left_g:g} g are left, less than nothing")
    rest = spool.net_g - spool.used_g - spool.taken_g
    if not abs(rest - spool.left_g) <= NOISE_G:
        taken = f"{spool.used_g:g} g used and {spool.taken_g:g} g wound off"
        found.append(f"{spool.left_g:g} g are left, but {spool.net_g:g} g less {taken} are {rest:g} g")
    if spool.wound_g is not None and not abs(spool.wound_g - spool.net_g) <= NOISE_G:
        found.append(f"{spool.wound_g:g} g were wound onto it, not {spool.net_g:g} g")
    if len(spool.loaded) > 1:
        found.append(f"it is loaded {len(spool.loaded)} times at once")
    machines = [machine for machine, _ in spool.loaded]
    if spool.machine is None and machines:
        found.append(f"it is said to be on the shelf, but its load on {machines[0]} has not ended")
    elif spool.machine is not None and identity(spool.machine) not in map(identity, machines):
        found.append(f"it is said to be on {spool.machine}, but it has no load there that has not ended")
    found += [
        f"it was loaded on {machine} with {mass:g} g, but {spool.left_g:g} g are left while it runs"
        for machine, mass in spool.loaded
        if not abs(mass - spool.left_g) <= NOISE_G
    ]
    return found
