"""Protection by a sample: exact hypergeometric bounds on nonconforming spools in a lot that passes."""

from __future__ import annotations

from bisect import bisect_left
from fractions import Fraction
from math import ceil, comb

from lots.domain.words import plural

# Assumed nonconforming share in the sentence about detection: every eighth spool, this project's choice.
ONE_IN = 8


def upper_bound_bad(lot_size: int, size: int, found: int, confidence: float = 0.95) -> int:
    """Returns the upper confidence bound on the bad spools in a lot, given its sample.

    It is the largest number of bad spools for which `found` or fewer bad ones in the sample have a probability above 1 - confidence.

    Args:
        lot_size: spools in the lot, >= 1.
        size: spools measured, 0..lot_size, drawn at random.
        found: bad spools among them, 0..size.
        confidence: 0 < confidence < 1.

    Returns:
        Bad spools in the whole lot, including those found: `found` itself when every spool was measured.

    Raises:
        ValueError: a number outside its range.

    Notes:
        The bound applies to one lot and its own sample, without the supplier's other lots.

    Reference:
        Exact one-sided bound from the hypergeometric distribution (Clopper and Pearson 1934, Biometrika 26, 404-413,
        applied to a finite lot). For a very large lot and none found it approaches the share 1 - (1 - confidence)^(1/size).

    Example:
        >>> upper_bound_bad(24, 5, 0), upper_bound_bad(24, 24, 0)
        (9, 0)
    """
    _check(lot_size, size, found=(found, size))
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence!r}")
    # Exact decimal value: 0.95 is 19/20.
    threshold = (1 - Fraction(str(confidence))) * comb(lot_size, size)
    # The number of passing samples decreases with the number of bad spools.
    more = range(found + 1, lot_size - (size - found) + 1)
    return found + bisect_left(more, True, key=lambda bad: _passing(lot_size, bad, size, found) <= threshold)


def says(lot_size: int, size: int, accept: int, confidence: float = 0.95) -> str:
    """Returns the protection by a passed sample, in words.

    Args:
        lot_size: spools in the lot, >= 1.
        size: spools measured, 1..lot_size, drawn at random.
        accept: largest count with which the lot passes, >= 0: for a reduced plan `reject - 1`.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: a number outside its range.

    Example:
        >>> says(24, 5, 0).partition(". ")[0]
        'If the lot passes with 0 of 5 measured spools nonconforming, at most 9 of its 24 spools are nonconforming (95 % confidence)'
    """
    _check(lot_size, size, accept=(accept, None))
    if size < 1:
        raise ValueError(f"size must be at least 1 spool, got {size!r}")
    if accept >= size:
        return f"Passing proves nothing, because up to {accept} nonconforming pass and {_spools(size)} measured."
    if size == lot_size:
        every = plural(size, "The only spool is", f"All {size} spools are")
        left = (
            plural(size, "it was not", "none was")
            if accept == 0
            else f"at most {accept} {plural(accept, 'was', 'were')}"
        )
        return f"{every} measured. If the lot passes, {left} found nonconforming."
    bound = upper_bound_bad(lot_size, size, accept, confidence)
    supposed = max(ceil(lot_size / ONE_IN), accept + 1)
    caught = _times(_catching(lot_size, supposed, size, accept))
    return (
        f"If the lot passes with {'' if accept == 0 else 'at most '}{accept} of {size} measured spools nonconforming, "
        f"at most {bound} of its {lot_size} spools {plural(bound, 'is', 'are')} nonconforming ({confidence * 100:g} % confidence). "
        f"With {supposed} nonconforming {plural(supposed, 'spool')} this sample rejects the lot {caught}."
    )


def chance_of_passing(lot_size: int, bad: int, size: int, accept: int) -> float:
    """Returns the probability, 0..1, that a lot with this many bad spools passes: one point of the operating characteristic.

    Args:
        lot_size: spools in the lot, >= 1.
        bad: bad spools among them, 0..lot_size.
        size: spools measured, 0..lot_size, drawn at random.
        accept: largest count with which the lot passes, >= 0.

    Raises:
        ValueError: a number outside its range.

    Notes:
        A measured bad spool is assumed to be found bad.

    Reference:
        Hypergeometric operating characteristic of single sampling (ISO 2859-1 calls it type A; from memory).

    Example:
        >>> round(chance_of_passing(20, 3, 5, 0), 4), chance_of_passing(20, 0, 5, 0)
        (0.3991, 1.0)
    """
    _check(lot_size, size, bad=(bad, lot_size), accept=(accept, None))
    return float(1 - _catching(lot_size, bad, size, accept))


def _passing(lot_size: int, bad: int, size: int, accept: int) -> int:
    """Returns the number of possible samples with at most `accept` bad spools."""
    return sum(comb(bad, k) * comb(lot_size - bad, size - k) for k in range(min(accept, size, bad) + 1))


def _catching(lot_size: int, bad: int, size: int, accept: int) -> Fraction:
    """Returns the share of possible samples with more than `accept` bad spools."""
    return 1 - Fraction(_passing(lot_size, bad, size, accept), comb(lot_size, size))


def _check(lot_size: int, size: int, **counts: tuple[int, int | None]) -> None:
    """Raises an error for a count that is negative or above its largest value."""
    if lot_size < 1:
        raise ValueError(f"lot_size must be at least 1 spool, got {lot_size!r}")
    for name, (count, most) in {"size": (size, lot_size), **counts}.items():
        if count < 0 or (most is not None and count > most):
            span = "0 or more" if most is None else f"0 to {most}"
            raise ValueError(f"{name} must be {span}, got {count!r}")


def _times(chance: Fraction) -> str:
    """Returns a probability in words; it rounds to "every time" only if it is 1."""
    in_100 = round(100 * chance)
    if chance == 1:
        return "every time"
    if in_100 == 0:
        return "less than once in 100"
    if in_100 == 100:
        return "more than 99 times in 100"
    return plural(in_100, "once in 100", f"{in_100} times in 100")


def _spools(count: int) -> str:
    return f"only {count} {plural(count, 'spool is', 'spools are')}"
