"""Working copies of a master plaque: a copy replaces the master with its stored offset."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.colorimetry.color_values import Lab, mean_lab
from lots.domain.statistics.summaries import standard_error

Difference = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class WorkingCopy:
    """A plaque used in place of a master.

    Args:
        code: its name.
        offset: copy minus master in L*, a*, b*; positive: lighter, redder, yellower than the master.
        u: standard uncertainty of each; None where master or copy has a single reading.
        n_master, n_copy: readings of each for the offset, >= 1.

    Raises:
        ValueError: a number is not finite, an uncertainty is negative, or a count is below 1.
    """

    code: str
    offset: Difference
    u: Difference | None
    n_master: int
    n_copy: int

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, self.offset)) or self.n_master < 1 or self.n_copy < 1:
            raise ValueError(f"an offset is three numbers from a reading of each plaque, got {self!r}")
        if self.u is not None and not all(math.isfinite(part) and part >= 0 for part in self.u):
            raise ValueError(f"uncertainties must be numbers of 0 or more: {self.u!r}")


def working_copy(code: str, master: Sequence[Lab], copy: Sequence[Lab]) -> WorkingCopy:
    """Returns a working copy with its offset to the master, both measured on one instrument, in one session, under the same conditions.

    Args:
        code: name of the copy.
        master, copy: readings of each, at least one.

    Raises:
        ValueError: either has no reading.

    Notes:
        The instrument's bias cancels in the offset, so its uncertainty is that of the replicates alone.

    Reference:
        JCGM 100:2008, 5.1.2 (uncertainty of a difference). Assessment against the master's values is common practice, no source.

    Example:
        >>> found = working_copy("W1", [Lab(95, -0.8, 1.5)], [Lab(95, -0.8, 1.75)])
        >>> found.offset
        (0.0, 0.0, 0.25)
    """
    if not master or not copy:
        raise ValueError(f"the offset of {code!r} needs a reading of the master and one of the copy")
    ours, theirs = mean_lab(list(copy)), mean_lab(list(master))
    errors = [standard_error([color.as_list() for color in colors], None) for colors in (copy, master)]
    u: Difference | None = None
    if errors[0] is not None and errors[1] is not None:
        u_l, u_a, u_b = (math.hypot(one, other) for one, other in zip(errors[0], errors[1], strict=True))
        u = (u_l, u_a, u_b)
    return WorkingCopy(code, (ours.L - theirs.L, ours.a - theirs.a, ours.b - theirs.b), u, len(master), len(copy))
