"""Which of many tests to report, so that of those reported only a stated share is false on average."""

from __future__ import annotations

from collections.abc import Sequence


def discoveries(p_values: Sequence[float], rate: float) -> list[bool]:
    """Returns for each test whether it is reported, at a false discovery rate of at most `rate`.

    With the p-values in order, the k-th smallest of m is held against rate k / m. All up to the last that is not above are reported.

    Args:
        p_values: one per test, 0..1; each at most as often below a level as that level says, while its null hypothesis is true.
        rate: expected share of false ones among those reported, 0 < rate < 1.

    Raises:
        ValueError: a p-value or the rate is out of its range.

    Notes:
        Holds for independent tests, and for tests that depend positively on each other (Benjamini and Yekutieli 2001, Annals of Statistics
        29, 1165-1188). A p-value that falls, the others staying, never takes a test off the list.

    Reference:
        Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289-300.

    Example:
        >>> discoveries([0.6, 0.001, 0.03, 0.04], 0.1)
        [False, True, True, True]
    """
    if not 0 < rate < 1 or not all(0 <= p <= 1 for p in p_values):
        raise ValueError(
            f"p-values must lie between 0 and 1 and the rate between them, got {list(p_values)!r}, {rate!r}"
        )
    m = len(p_values)
    kept = [p for k, p in enumerate(sorted(p_values), start=1) if p <= rate * k / m]
    return [bool(kept) and p <= kept[-1] for p in p_values]
