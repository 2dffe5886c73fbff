"""Control of the false discovery rate by the Benjamini-Hochberg procedure."""

from __future__ import annotations

from collections.abc import Sequence


def discoveries(p_values: Sequence[float], rate: float) -> list[bool]:
    """Returns for each test whether it is rejected by the Benjamini-Hochberg procedure at false discovery rate `rate`.

    The k-th smallest of m p-values is compared with rate k / m. All p-values up to the largest that does not exceed it are rejected.

    Args:
        p_values: one per test, 0..1; each valid, that is P(p <= u) <= u under its null hypothesis.
        rate: expected share of false discoveries, 0 < rate < 1.

    Raises:
        ValueError: a p-value or the rate is out of its range.

    Notes:
        Valid for independent tests, and under positive regression dependence (Benjamini and Yekutieli 2001, Annals of Statistics 29,
        1165-1188). Decreasing one p-value never removes a discovery.

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
