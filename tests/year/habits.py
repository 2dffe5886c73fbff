"""Shops without a program: a few readings on the first spool decide over the lot, on the same true values and noise."""

from __future__ import annotations

import numpy as np

from tests.year import assumptions as assumed
from tests.year.bench import Bench
from tests.year.counting import Load, Outcome
from tests.year.truth import Given, Lot, delta_e, year


def without_program(given: Given, readings: int) -> list[Outcome]:
    """Returns how a year ends where so many readings of colour and of diameter on one spool decide.

    Args:
        given: as for the program.
        readings: of each, >= 0; 0 accepts every lot unseen.
    """
    bench, found = Bench(given.seed), []
    for lot in year(given):
        accepted = not readings or _accepted(lot, bench, readings)
        loads = [
            Load(spool.code, spool.use, assumed.SPOOL_G, lot.nonconforming(spool, spool.use))
            for spool in lot.spools
            if accepted
        ]
        uses = dict.fromkeys(lot.uses, "released" if accepted else "refused")
        days = float(assumed.HABIT_AFTER_D) if readings else 0.0
        found.append(Outcome(lot, uses, loads, bench.taken[lot.name], len(bench.opened[lot.name]), days))
    return found


def _accepted(lot: Lot, bench: Bench, readings: int) -> bool:
    spool, late = lot.spools[0], lot.kind == "two instruments"
    # The late shift measures colours in its own session, as for the clerk.
    session = 0 if late else 1
    instrument = assumed.SECOND_COLOR if late else assumed.READ_WITH["color"]
    lab = np.mean(bench.colors(lot, spool, readings, session, instrument), axis=0)
    axes = np.mean(bench.diameters(lot, spool, readings, 1), axis=0)
    off = np.abs(axes - assumed.EVERY_GRADE["nominal_diameter_mm"])
    near = delta_e(lot.reference, lab[None, :])[0] <= assumed.HABIT_DELTA_E_MAX
    return bool(near and np.all(off <= assumed.HABIT_DIAMETER_TOLERANCE_MM))
