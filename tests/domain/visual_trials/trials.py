"""Simulated visual trials: plaques about a reference, and judgements that follow a known ellipsoid."""

from __future__ import annotations

import numpy as np

from lots.domain.visual_trials.trial import Plaque

# Half axes of a true tolerance and a turned frame for them: no axis lies along a coordinate.
HALVES = (0.9, 0.6, 0.45)
FRAME = np.linalg.qr(np.array([[1.0, 0.4, -0.3], [0.2, 1.0, 0.5], [-0.6, 0.1, 1.0]]))[0]
TRUE = FRAME @ np.diag([half**-2.0 for half in HALVES]) @ FRAME.T
STEEP = 3.0


def colors(rng: np.random.Generator, plaques: int, form: np.ndarray = TRUE) -> np.ndarray:
    """Differences from 0.3 to 1.6 times the distance to the surface, in every direction."""
    ways = rng.normal(size=(plaques, 3))
    out = rng.uniform(0.3, 1.6, plaques) / np.sqrt(np.einsum("ij,jk,ik->i", ways, form, ways))
    return ways * out[:, None]


def log_odds(apart: np.ndarray, form: np.ndarray = TRUE, steep: float = STEEP) -> np.ndarray:
    """Log odds of acceptance: 0 on the surface."""
    return steep * (1 - np.einsum("ij,jk,ik->i", apart, form, apart))


def accepted_share(odds: np.ndarray) -> np.ndarray:
    """The share for these log odds."""
    return 1 / (1 + np.exp(-odds))


def trial(rng: np.random.Generator, plaques: int = 40, judged: int = 12, form: np.ndarray = TRUE) -> list[Plaque]:
    """A trial with independent judgements."""
    apart = colors(rng, plaques, form)
    accepted = rng.binomial(judged, accepted_share(log_odds(apart, form)))
    return [Plaque(*place, int(yes), judged) for place, yes in zip(apart.tolist(), accepted, strict=True)]


def panels(rng: np.random.Generator, observers: int, strictness: float, plaques: int = 40) -> list[list[Plaque]]:
    """One judgement of every plaque per observer; observers differ in their log odds by this standard deviation."""
    apart = colors(rng, plaques)
    odds = log_odds(apart)[None, :] + rng.normal(0, strictness, (observers, 1))
    accepted = rng.random(odds.shape) < accepted_share(odds)
    return [[Plaque(*place, int(yes), 1) for place, yes in zip(apart.tolist(), row, strict=True)] for row in accepted]


def true_half(direction: np.ndarray) -> float:
    """The reach of the true tolerance."""
    return float(1 / np.sqrt(direction @ TRUE @ direction / (direction @ direction)))
