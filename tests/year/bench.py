"""Readings with noise. Each spool and kind has its own stream, so that the nth reading is the same for every way of working."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from tests.year import assumptions as assumed
from tests.year.truth import AXES, Lot, Spool

_KINDS = {
    "color": 1,
    "diameter": 2,
    "shrinkage": 3,
    "bond": 4,
    "surface": 5,
    "moisture": 6,
    "control": 7,
    "day": 8,
    "build": 9,
}
# The coupon: axis, feature, designed length in mm.
COUPON = (
    ("x", "outside", 100.0),
    ("x", "inside", 60.0),
    ("y", "outside", 100.0),
    ("y", "inside", 60.0),
    ("z", "outside", 60.0),
    ("z", "outside", 60.0),
)
CONTROL_COUPON = (("x", "outside", 100.0), ("y", "outside", 100.0), ("z", "outside", 60.0))


class Bench:
    """Instruments and printer of one way of working.

    `taken` counts the readings of each lot by kind, controls too; `opened` are the spools that were measured.
    """

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._streams: dict[tuple[int, ...], np.random.Generator] = {}
        self.taken: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self.opened: defaultdict[str, set[str]] = defaultdict(set)

    def _stream(self, lot: Lot, kind: str, *more: int) -> np.random.Generator:
        key = (self.seed, 3, lot.number, _KINDS[kind], *more)
        if key not in self._streams:
            self._streams[key] = np.random.default_rng(key)
        return self._streams[key]

    def _read(self, lot: Lot, spool: Spool, kind: str, n: int) -> int:
        self.taken[lot.name][kind] += n
        self.opened[lot.name].add(spool.code)
        return lot.spools.index(spool)

    def _day(self, lot: Lot, kind: str, nth_day: int) -> np.ndarray:
        """Standard normal numbers common to all readings of a kind of one lot on one day."""
        return np.random.default_rng((self.seed, 4, lot.number, _KINDS[kind], nth_day)).normal(size=3)

    def colors(
        self, lot: Lot, spool: Spool, n: int, day: int, instrument: str = assumed.READ_WITH["color"]
    ) -> list[list[float]]:
        """Returns n readings of a spool's plaque in CIELAB; the plaque is printed once."""
        noise, place = assumed.NOISE["color"], self._read(lot, spool, "color", n)
        stream = self._stream(lot, "color", place)
        plaque = np.random.default_rng((self.seed, 5, lot.number, place)).normal(0, noise["print"])
        offset = np.array(assumed.SECOND_OFFSET if instrument == assumed.SECOND_COLOR else (0, 0, 0))
        mean = spool.lab + plaque + offset + self._day(lot, "color", day) * noise["day"]
        return [(mean + stream.normal(0, noise["reading"])).round(noise["resolution"]).tolist() for _ in range(n)]

    def diameters(self, lot: Lot, spool: Spool, n: int, day: int) -> list[tuple[float, float]]:
        """Returns two perpendicular diameters at n positions, mm; the oval turns along the spool."""
        noise = assumed.NOISE["diameter"]
        stream = self._stream(lot, "diameter", self._read(lot, spool, "diameter", n))
        shift = float(self._day(lot, "diameter", day)[0]) * noise["day"]
        found = []
        for _ in range(n):
            middle, turn = spool.diameter_mm + shift + stream.normal(0, noise["position"]), stream.uniform(0, np.pi)
            half = spool.ovality_mm / 2 * np.cos(2 * turn)
            pair = (middle + side * half + stream.normal(0, noise["reading"]) for side in (1, -1))
            found.append(tuple(round(float(one), noise["resolution"]) for one in pair))
        return found

    def specks(self, lot: Lot, spool: Spool, n: int) -> list[int]:
        """Returns specks counted on n first layers of 1 dm2."""
        return (
            self._stream(lot, "surface", self._read(lot, spool, "surface", n)).poisson(spool.specks_per_dm2, n).tolist()
        )

    def moistures(self, lot: Lot, spool: Spool, n: int, day: int) -> list[float]:
        """Returns n moisture readings, %."""
        noise = assumed.NOISE["moisture"]
        stream = self._stream(lot, "moisture", self._read(lot, spool, "moisture", n))
        shift = float(self._day(lot, "moisture", day)[0]) * noise["day"]
        values = spool.moisture_percent + shift + stream.normal(0, noise["reading"], n)
        return [max(0.001, round(float(one), noise["resolution"])) for one in values]

    def coupons(
        self, lot: Lot, spool: Spool, build: int, lengths: Sequence[tuple[str, str, float]] = COUPON
    ) -> list[dict[str, Any]]:
        """Returns the lengths of one coupon of a spool, printed in a build of the lot."""
        own = self._stream(lot, "shrinkage", self._read(lot, spool, "shrinkage", len(lengths)))
        return self._lengths(lot, build, spool.shrinkage, own, lengths)

    def control_coupon(self, lot: Lot, build: int) -> list[dict[str, Any]]:
        """Returns the lengths of the control spool's coupon in that build."""
        self.taken[lot.name]["shrinkage"] += len(CONTROL_COUPON)
        means = assumed.MEANS["shrinkage_percent"]
        return self._lengths(lot, build, means, self._stream(lot, "control", 1), CONTROL_COUPON)

    def _lengths(
        self,
        lot: Lot,
        build: int,
        percent: dict[str, float],
        own: np.random.Generator,
        lengths: Sequence[tuple[str, str, float]],
    ) -> list[dict[str, Any]]:
        noise, shared = assumed.NOISE["shrinkage"], self._day(lot, "build", build)
        coupon = dict(zip(AXES, own.normal(0, noise["coupon_percent"], 3), strict=True))
        rows = []
        for axis, feature, designed in lengths:
            share = percent[axis] + coupon[axis] + noise["build_percent"] * shared[AXES.index(axis)]
            # The bead makes outside lengths longer and inside lengths shorter; towers along Z have no bead effect.
            bead = 0.0 if axis == "z" else noise["bead_mm"] * (1 if feature == "outside" else -1)
            measured = designed * (1 - share / 100) + bead + own.normal(0, noise["reading_mm"])
            rows.append(
                {
                    "axis": axis,
                    "feature": feature,
                    "designed_mm": designed,
                    "measured_mm": round(float(measured), noise["resolution"]),
                }
            )
        return rows

    def bars(self, lot: Lot, spool: Spool, n: int, build: int) -> list[float]:
        """Returns breaking stresses of n specimens of a spool in a build of the lot, MPa."""
        return self._break(lot, spool.bond_mpa, n, build, self._stream(lot, "bond", self._read(lot, spool, "bond", n)))

    def control_bars(self, lot: Lot, n: int, build: int) -> list[float]:
        """Returns breaking stresses of n specimens of the control spool in that build, MPa."""
        self.taken[lot.name]["bond"] += n
        return self._break(lot, assumed.MEANS["control_bond_mpa"], n, build, self._stream(lot, "control", 2))

    def _break(self, lot: Lot, mean: float, n: int, build: int, own: np.random.Generator) -> list[float]:
        noise = assumed.NOISE["bond"]
        shared = 1 + noise["build_share"] * float(self._day(lot, "bond", build)[0])
        values = mean * shared * (1 + own.normal(0, noise["bar_share"], n)) + own.normal(0, noise["reading"], n)
        return [round(float(one), noise["resolution"]) for one in values]


def written(moment: datetime) -> str:
    """A moment as sent."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"
