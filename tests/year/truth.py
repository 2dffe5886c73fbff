"""The true values of a year's lots: drawn once from a seed, the same for every way of working."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np

from tests.year import assumptions as assumed

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")
    from colour.difference import delta_E_CIE2000

AXES = ("x", "y", "z")


@dataclass(frozen=True)
class Given:
    """The input of a year.

    Args:
        seed: of all chance.
        lots: how many, >= 10; kinds keep their shares.
        scatter: factor on the assumed spread of colours between lots, > 0.
        rule: `guarded`, or `simple` for the same limits without guard bands.
    """

    seed: int = assumed.SEED
    lots: int = assumed.LOTS
    scatter: float = 1.0
    rule: str = "guarded"


@dataclass
class Spool:
    """The true values of a spool, and its planned use. Moisture changes with drying."""

    code: str
    lab: np.ndarray
    diameter_mm: float
    ovality_mm: float
    specks_per_dm2: float
    moisture_percent: float
    bond_mpa: float
    shrinkage: dict[str, float]
    use: str = ""
    wanted_at: datetime = assumed.START


@dataclass
class Lot:
    """The true values of a lot of one supplier and grade."""

    number: int
    kind: str
    supplier: str
    grade: str
    received_at: datetime
    spools: list[Spool] = field(default_factory=list)
    bad_on_arrival: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The supplier's lot number."""
        return f"{self.supplier}-{self.grade[0]}{self.number:03d}"

    @property
    def limits(self) -> dict[str, Any]:
        """The limits of its grade."""
        return assumed.LIMITS[self.grade]

    @property
    def reference(self) -> np.ndarray:
        """The approved colour."""
        return np.array(assumed.GRADES[self.grade]["lab"])

    @property
    def uses(self) -> tuple[str, ...]:
        """The uses that its limits name."""
        return tuple(self.limits["uses"])

    @cached_property
    def off_colour(self) -> dict[str, float]:
        """Colour difference of each spool from the reference."""
        apart = delta_e(self.reference, np.array([spool.lab for spool in self.spools]))
        return dict(zip((spool.code for spool in self.spools), apart.tolist(), strict=True))

    @cached_property
    def off_by_mean(self) -> bool:
        """Whether the mean colour of its spools is beyond a limit on the lot."""
        limits, mean = self.limits["color"], np.mean([spool.lab for spool in self.spools], axis=0)
        parts = dict(zip("Lab", np.abs(mean - self.reference), strict=True))
        by_part = any(parts[axis] > most for axis, most in limits["components_max"].items())
        return bool(by_part or delta_e(self.reference, mean[None, :])[0] > limits["lot_max"])

    @cached_property
    def spread(self) -> float:
        """Mean colour difference of the spools from their mean."""
        labs = np.array([spool.lab for spool in self.spools])
        return float(np.mean(delta_e(labs.mean(axis=0), labs)))

    def nonconforming(self, spool: Spool, use: str) -> bool:
        """Returns whether a spool is beyond a limit for a use now: by its own true value, or by its lot's where the limit is on the lot."""
        return any(_BEYOND[name](self, spool, self.limits[name]) for name in self.limits["uses"][use])

    @cached_property
    def good_for(self) -> tuple[str, ...]:
        """The uses for which every spool conformed on receipt, of one shade where colour counts."""
        even = self.spread <= self.limits["color"]["spread_max"]
        return tuple(
            use
            for use, needs in self.limits["uses"].items()
            if not any(self.nonconforming(spool, use) for spool in self.spools) and (even or "color" not in needs)
        )

    @property
    def good(self) -> bool:
        """Whether it was good for every use on receipt."""
        return self.good_for == self.uses


def delta_e(reference: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Returns CIEDE2000 differences of samples from a reference, by another library than the program's."""
    return np.atleast_1d(delta_E_CIE2000(np.broadcast_to(reference, samples.shape), samples))


def _color_beyond(lot: Lot, spool: Spool, limits: dict[str, Any]) -> bool:
    return lot.off_by_mean or lot.off_colour[spool.code] > limits["spool_max"]


def _diameter_beyond(lot: Lot, spool: Spool, limits: dict[str, Any]) -> bool:
    nominal = assumed.EVERY_GRADE["nominal_diameter_mm"]
    off = abs(spool.diameter_mm - nominal)
    return off > limits["mean_tolerance_mm"] or spool.ovality_mm > limits["ovality_max_mm"]


def _shrinkage_beyond(lot: Lot, spool: Spool, limits: dict[str, Any]) -> bool:
    means = {axis: float(np.mean([one.shrinkage[axis] for one in lot.spools])) for axis in AXES}
    return any(not limits[f"{axis}_percent"][0] <= means[axis] <= limits[f"{axis}_percent"][1] for axis in AXES)


def _bond_beyond(lot: Lot, spool: Spool, limits: dict[str, Any]) -> bool:
    mean = float(np.mean([one.bond_mpa for one in lot.spools]))
    return mean < limits["mean_min_mpa"] or mean / assumed.MEANS["control_bond_mpa"] < limits["control_ratio_min"]


_BEYOND = {
    "color": _color_beyond,
    "diameter": _diameter_beyond,
    "shrinkage": _shrinkage_beyond,
    "bond": _bond_beyond,
    "surface": lambda lot, spool, limits: spool.specks_per_dm2 > limits["specks_per_dm2_max"],
    "moisture": lambda lot, spool, limits: spool.moisture_percent > limits["max_percent"],
}


def year(given: Given) -> list[Lot]:
    """Returns the lots of a year in order of receipt; the same for the same seed."""
    seed, lots = given.seed, given.lots
    chance = np.random.default_rng([seed, 1])
    names = list(assumed.STREAMS)
    shares = np.array(list(assumed.STREAMS.values()))
    streams = [names[place] for place in chance.choice(len(names), size=lots, p=shares / shares.sum())]
    biases = {name: chance.normal(0, assumed.SUPPLIER_SD["lab"]) for name in names}
    step = timedelta(days=(assumed.DAYS - 60) / lots)
    kinds = _kinds(chance, streams)
    walked, walks = 0, kinds.count("drifting")
    made = []
    for number, (stream, kind) in enumerate(zip(streams, kinds, strict=True)):
        walked += kind == "drifting"
        lot = Lot(number, kind, *stream, assumed.START + timedelta(days=3) + number * step)
        own = np.random.default_rng([seed, 2, number])
        lab = _lot_lab(lot, biases[stream], own, walked / max(walks, 1), given.scatter)
        _fill(lot, lab, own)
        # Asked now, since drying changes a lot.
        lot.bad_on_arrival = tuple(spool.code for spool in lot.spools if lot.nonconforming(spool, spool.use))
        made.append(lot)
        _ = lot.good
    return made


def _kinds(chance: np.random.Generator, streams: list[tuple[str, str]]) -> list[str]:
    """One kind for each lot. The last lots of one stream drift; a kind without a limit of the grade does not occur."""
    total = sum(assumed.KINDS.values())
    wanted = {kind: max(1, round(n * len(streams) / total)) for kind, n in assumed.KINDS.items() if kind != "good"}
    kinds = ["good"] * len(streams)
    of_stream = [place for place, stream in enumerate(streams) if stream == assumed.DRIFTING_STREAM]
    for place in of_stream[-wanted.pop("drifting") :]:
        kinds[place] = "drifting"
    needs = {"weak bond": "bond", "shrinks too much": "shrinkage", "wet": "moisture"}
    for kind, n in sorted(wanted.items(), key=lambda item: item[0] not in needs):
        free = [
            place
            for place, (_, grade) in enumerate(streams)
            if kinds[place] == "good" and needs.get(kind, "color") in assumed.LIMITS[grade]
        ]
        for place in chance.permutation(free)[:n]:
            kinds[place] = kind
    return kinds


def _fill(lot: Lot, lab: np.ndarray, chance: np.random.Generator) -> None:
    """Draws the spools of a lot about its colour."""
    grade, count = assumed.GRADES[lot.grade], int(chance.integers(assumed.SPOOLS[0], assumed.SPOOLS[1] + 1))
    labs = lab + chance.normal(0, assumed.SPOOL_SD["lab"], size=(count, 3))
    labs = _split(lot, labs, chance)
    diameter = assumed.EVERY_GRADE["nominal_diameter_mm"] + chance.normal(0, assumed.LOT_SD["diameter_mm"])
    diameters = diameter + chance.normal(0, assumed.SPOOL_SD["diameter_mm"], count)
    ovals = _ovals(lot, count, chance)
    specks = chance.uniform(*assumed.MEANS["specks_per_dm2"]) * chance.gamma(8, 1 / 8, count)
    moisture = _moisture(lot, chance) * (1 + chance.normal(0, assumed.SPOOL_SD["moisture_share"], count))
    bond = _bond(lot, grade["bond_mpa"], chance) * (1 + chance.normal(0, assumed.SPOOL_SD["bond_share"], count))
    shrinkage = _shrinkage(lot, chance)
    shrunk = {
        axis: mean + chance.normal(0, assumed.SPOOL_SD["shrinkage_percent"], count) for axis, mean in shrinkage.items()
    }
    uses, shares = list(grade["demand"]), list(grade["demand"].values())
    for place in range(count):
        own = {axis: float(values[place]) for axis, values in shrunk.items()}
        after = timedelta(days=float(chance.uniform(*assumed.WANTED_AFTER_D)))
        numbers = (values[place] for values in (diameters, ovals, specks, moisture, bond))
        use = str(chance.choice(uses, p=shares))
        code = f"{lot.name}-{place + 1}"
        lot.spools.append(Spool(code, labs[place], *map(float, numbers), own, use, lot.received_at + after))


def _lot_lab(lot: Lot, bias: np.ndarray, chance: np.random.Generator, walked: float, scatter: float) -> np.ndarray:
    natural = lot.reference + scatter * (bias + chance.normal(0, assumed.LOT_SD["lab"]))
    most, direction = lot.limits["color"]["lot_max"], chance.normal(0, (1.0, 0.3, 1.0))
    if lot.kind in ("shifted a little", "shifted far"):
        times = chance.uniform(*assumed.DEPARTURES[f"{lot.kind}, times lot_max"])
        return _away(lot.reference, direction, times * most)
    if lot.kind == "drifting":
        furthest = assumed.DEPARTURES["drifting, times lot_max at the last lot"][1] * most
        yellower = _away(lot.reference, np.array(assumed.DRIFT_DIRECTION), furthest)
        return lot.reference + walked * (yellower - lot.reference) + 0.3 * chance.normal(0, assumed.LOT_SD["lab"])
    return natural


def _away(start: np.ndarray, direction: np.ndarray, wanted: float) -> np.ndarray:
    """The colour in a direction from a start that differs from it by this much, by bisection."""
    low, high = 0.0, 50.0 / float(np.linalg.norm(direction))
    for _ in range(24):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if delta_e(start, (start + middle * direction)[None, :])[0] < wanted else (low, middle)
        )
    return start + low * direction


def _split(lot: Lot, labs: np.ndarray, chance: np.random.Generator) -> np.ndarray:
    if lot.kind != "split":
        return labs
    share = chance.uniform(*assumed.DEPARTURES["split, share of spools"])
    others = chance.permutation(len(labs))[: max(1, round(share * len(labs)))]
    apart = chance.uniform(*assumed.DEPARTURES["split, CIEDE2000 from the others"])
    middle = labs.mean(axis=0)
    labs[others] += _away(middle, chance.normal(0, (1.0, 0.3, 1.0)), apart) - middle
    return labs


def _ovals(lot: Lot, count: int, chance: np.random.Generator) -> np.ndarray:
    ovals = chance.uniform(*assumed.MEANS["ovality_mm"], count)
    if lot.kind == "oval":
        some = chance.permutation(count)[
            : max(1, round(chance.uniform(*assumed.DEPARTURES["oval, share of spools"]) * count))
        ]
        ovals[some] = chance.uniform(*assumed.DEPARTURES["oval, mm"]) * (1 + chance.normal(0, 0.05, len(some)))
    return ovals


def _moisture(lot: Lot, chance: np.random.Generator) -> float:
    if lot.kind == "wet":
        return float(chance.uniform(*assumed.DEPARTURES["wet, %"]))
    return max(0.008, assumed.MEANS["moisture_percent"] + float(chance.normal(0, assumed.LOT_SD["moisture_percent"])))


def _bond(lot: Lot, usual: float, chance: np.random.Generator) -> float:
    natural = usual * (1 + float(chance.normal(0, assumed.LOT_SD["bond_share"])))
    if lot.kind == "weak bond":
        return (
            float(chance.uniform(*assumed.DEPARTURES["weak bond, times the floor"]))
            * lot.limits["bond"]["mean_min_mpa"]
        )
    return natural


def _shrinkage(lot: Lot, chance: np.random.Generator) -> dict[str, float]:
    means = assumed.MEANS["shrinkage_percent"]
    natural = {axis: means[axis] + float(chance.normal(0, assumed.LOT_SD["shrinkage_percent"])) for axis in AXES}
    if lot.kind == "shrinks too much":
        much = float(chance.uniform(*assumed.DEPARTURES["shrinks too much, % along X and Y"]))
        return {**natural, "x": much, "y": much - 0.02}
    return natural
