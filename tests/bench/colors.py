"""CIEDE2000: one pair compared with a plain function of six numbers, a million samples with colormath's matrix function.

The plain function is the printed definition, hues as angles in degrees, without checks or value objects. The samples are compared
with one reference, anywhere in CIELAB and about a white, as filament is. For both ways the deviation of 20,000 samples from the single
pairs is printed.
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from collections.abc import Callable, Mapping

import numpy as np
from colormath.color_diff_matrix import delta_e_cie2000

from lots.domain.colorimetry.color_difference import ciede2000, delta_e, delta_e_to_each
from lots.domain.colorimetry.color_values import Lab

ROUNDS, PAIRS, SAMPLES, COMPARED = 7, 20_000, 1_000_000, 20_000


def plain(L1: float, a1: float, b1: float, L2: float, a2: float, b2: float) -> float:
    """CIEDE2000 as printed in Sharma, Wu and Dalal 2005, eqs. 2-22."""
    mean_c = (math.sqrt(a1 * a1 + b1 * b1) + math.sqrt(a2 * a2 + b2 * b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = math.sqrt(a1 * a1 + b1 * b1), math.sqrt(a2 * a2 + b2 * b2)
    h1, h2 = math.degrees(math.atan2(b1, a1)) % 360, math.degrees(math.atan2(b2, a2)) % 360
    turn, mean_h = h2 - h1, (h1 + h2) / 2
    if c1 * c2 == 0:
        turn, mean_h = 0.0, h1 + h2
    elif abs(turn) > 180:
        turn += -360 if turn > 0 else 360
        mean_h += 180 if mean_h < 180 else -180
    dH = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2))
    mean_l, mean_c = (L1 + L2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * math.cos(math.radians(mean_h - 30))
        + 0.24 * math.cos(math.radians(2 * mean_h))
        + 0.32 * math.cos(math.radians(3 * mean_h + 6))
        - 0.20 * math.cos(math.radians(4 * mean_h - 63))
    )
    r_c = 2 * math.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    r_t = -r_c * math.sin(math.radians(60 * math.exp(-(((mean_h - 275) / 25) ** 2))))
    light = (L2 - L1) / (1 + 0.015 * (mean_l - 50) ** 2 / math.sqrt(20 + (mean_l - 50) ** 2))
    chroma = (c2 - c1) / (1 + 0.045 * mean_c)
    hue = dH / (1 + 0.015 * mean_c * t)
    return math.sqrt(light * light + chroma * chroma + hue * hue + r_t * chroma * hue)


def anywhere(count: int, seed: int) -> np.ndarray:
    """Rows of L*, a*, b* from all of CIELAB."""
    return np.random.default_rng(seed).uniform([0, -100, -100], [100, 100, 100], (count, 3))


def whites(count: int, seed: int) -> np.ndarray:
    """Rows of L*, a*, b* about a white, sd 0.7 per coordinate."""
    return np.array([95.0, -0.8, 1.5]) + np.random.default_rng(seed).normal(0, 0.7, (count, 3))


def run() -> None:
    """Prints processor times and ratios: medians of alternated rounds, with the shortest and the longest."""
    for what, drawn in (("anywhere in CIELAB", anywhere), ("about a white", whites)):
        _one_pair(what, drawn(PAIRS, 1).tolist(), drawn(PAIRS, 2).tolist())
    for what, drawn in (("anywhere in CIELAB", anywhere), ("about a white", whites)):
        _a_million(what, Lab(*drawn(1, 3)[0].tolist()), drawn(SAMPLES, 4))


def _one_pair(what: str, ones: list[list[float]], others: list[list[float]]) -> None:
    numbers = [(*one, *other) for one, other in zip(ones, others, strict=True)]
    colors = [(Lab(*one), Lab(*other)) for one, other in zip(ones, others, strict=True)]

    def plainly() -> None:
        for six in numbers:
            plain(*six)

    def by(formula: Callable[[Lab, Lab], float]) -> Callable[[], None]:
        def all_pairs() -> None:
            for one, other in colors:
                formula(one, other)

        return all_pairs

    ways = {"plain(six numbers)": plainly, "ciede2000(Lab, Lab)": by(ciede2000), "delta_e(Lab, Lab)": by(delta_e)}
    sys.stdout.write(
        f"one pair, {what}, mean of {PAIRS}\n{'':30}{'us':>8} {'spread':>14}{'x plain':>9} {'spread':>12}\n"
    )
    taken = _alternated(ways)
    for name, each in taken.items():
        ratios = [one / base for one, base in zip(each, taken["plain(six numbers)"], strict=True)]
        sys.stdout.write(f"{name:30}{_spread([1e6 * one / PAIRS for one in each], 8)}{_spread(ratios, 9)}\n")


def _a_million(what: str, reference: Lab, samples: np.ndarray) -> None:
    asked = np.array(reference.as_list())
    some = samples[: SAMPLES // 10].tolist()

    def plainly() -> None:
        for sample in some:
            plain(*reference.as_list(), *sample)

    theirs, ours, loop = "colormath's matrix function", "delta_e_to_each", "plain loop, of a tenth, x 10"
    taken = _alternated(
        {
            theirs: lambda: delta_e_cie2000(asked, samples),
            ours: lambda: delta_e_to_each(reference, samples),
            loop: plainly,
        }
    )
    taken[loop] = [10 * each for each in taken[loop]]
    sys.stdout.write(
        f"one reference, {SAMPLES} samples {what}\n{'':30}{'ms':>8} {'spread':>14}{'times as fast as colormath':>30}\n"
    )
    for name, each in taken.items():
        ratios = [base / one for one, base in zip(each, taken[theirs], strict=True)]
        sys.stdout.write(f"{name:30}{_spread([1e3 * one for one in each], 8)}{_spread(ratios, 9)}\n")
    singly = np.array([ciede2000(reference, Lab(*row)) for row in samples[:COMPARED].tolist()])
    for name, found in ((theirs, delta_e_cie2000(asked, samples)), (ours, delta_e_to_each(reference, samples))):
        sys.stdout.write(
            f"{name}: at most {np.abs(found[:COMPARED] - singly).max():.1e} from ciede2000 in {COMPARED}\n"
        )


def _alternated(ways: Mapping[str, Callable[[], object]]) -> dict[str, list[float]]:
    """Processor time of each way in each round, s; a round before them is not counted."""
    taken: dict[str, list[float]] = {name: [] for name in ways}
    for number in range(ROUNDS + 1):
        for name, way in ways.items():
            began = time.process_time()
            way()
            if number:
                taken[name].append(time.process_time() - began)
    return taken


def _spread(values: list[float], width: int) -> str:
    """The median, and the least and the greatest."""
    return f"{statistics.median(values):{width}.2f} {f'({min(values):.2f}-{max(values):.2f})':>14}"
