"""Mass balance of a spool: net mass equals mass left plus mass used plus mass respooled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.code_identity import identity

# Sums of some hundred masses differ by less than this in binary, g, far below the resolution of a scale.
NOISE_G = 1e-6


@dataclass(frozen=True, slots=True)
class SpoolMass:
    """All booked masses of a spool. It accepts any values; `misfits` reports contradictions.

    Args:
        net_g: net mass on receipt, or mass respooled onto it, g.
        left_g: mass left, g.
        used_g: total used by its ended loads, g.
        taken_g: total respooled from it onto other spools, g.
        wound_g: total respooled onto it from other spools, g; None for a spool from the supplier.
        machine: machine recorded for the spool, None on the shelf; its spelling may differ from that in `loaded`.
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
    """Returns the contradictions between a spool's masses and loads, in words; empty without any.

    Notes:
        Used mass is negative where a spool was weighed heavier than booked, which unloading rejects.

    Example:
        >>> misfits(SpoolMass(net_g=1000.0, left_g=700.0, used_g=200.0, taken_g=100.0))
        []
        >>> misfits(SpoolMass(net_g=1000.0, left_g=900.0, used_g=200.0))
        ['900 g are left, but 1000 g less 200 g used and 0 g respooled are 800 g']
    """
    found = []
    if spool.left_g < 0:
        found.append(f"{spool.left_g:g} g are left, which is below zero")
    rest = spool.net_g - spool.used_g - spool.taken_g
    if not abs(rest - spool.left_g) <= NOISE_G:
        taken = f"{spool.used_g:g} g used and {spool.taken_g:g} g respooled"
        found.append(f"{spool.left_g:g} g are left, but {spool.net_g:g} g less {taken} are {rest:g} g")
    if spool.wound_g is not None and not abs(spool.wound_g - spool.net_g) <= NOISE_G:
        found.append(f"{spool.wound_g:g} g were respooled onto it, not {spool.net_g:g} g")
    if len(spool.loaded) > 1:
        found.append(f"it has {len(spool.loaded)} open loads")
    machines = [machine for machine, _ in spool.loaded]
    if spool.machine is None and machines:
        found.append(f"it is recorded on the shelf, but its load on {machines[0]} has not ended")
    elif spool.machine is not None and identity(spool.machine) not in map(identity, machines):
        found.append(f"it is recorded on {spool.machine}, but it has no open load there")
    found += [
        f"it was loaded on {machine} with {mass:g} g, but {spool.left_g:g} g are left during the load"
        for machine, mass in spool.loaded
        if not abs(mass - spool.left_g) <= NOISE_G
    ]
    return found
