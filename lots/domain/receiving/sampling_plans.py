"""Attributes sampling plans of MIL-STD-105E: sample size, accept and reject numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
SEVERITIES = ("normal", "tightened", "reduced")
AQLS = (
    *(0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0),
    *(15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0),
)
# Largest AQL in percent nonconforming; larger ones are nonconformities per hundred units.
GREATEST_PERCENT = 10.0

# MIL-STD-105E, Table I. Largest lot of each class | code letters at levels S-1, S-2, S-3, S-4, I, II, III.
CODE_LETTERS = """
     8 | A A A A A A B
    15 | A A A A A B C
    25 | A A B B B C D
    50 | A B B C C D E
    90 | B B C C C E F
   150 | B B C D D F G
   280 | B C D E E G H
   500 | B C D E F H J
  1200 | C C E F G J K
  3200 | C D E G H K L
 10000 | C D F G J L M
 35000 | C D F H K M N
150000 | D E G J L N P
500000 | D E G J M P Q
   inf | D E H K N Q R
"""

# Code letter, sample size | one cell per AQL, from 0.010 on the left to 1000 on the right. A number is the accept
# number Ac, and the reject number is Ac + 1. `v`: use the first plan below; `^`: the first above; `.`: no cell.
# MIL-STD-105E, Table II-A.
NORMAL = """
A    2 | v v v v v v v  v  v  v  v  v  v  v  0  v  v  1  2  3  5  7 10 14 21 30
B    3 | v v v v v v v  v  v  v  v  v  v  0  ^  v  1  2  3  5  7 10 14 21 30 44
C    5 | v v v v v v v  v  v  v  v  v  0  ^  v  1  2  3  5  7 10 14 21 30 44  ^
D    8 | v v v v v v v  v  v  v  v  0  ^  v  1  2  3  5  7 10 14 21 30 44  ^  ^
E   13 | v v v v v v v  v  v  v  0  ^  v  1  2  3  5  7 10 14 21 30 44  ^  ^  ^
F   20 | v v v v v v v  v  v  0  ^  v  1  2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^
G   32 | v v v v v v v  v  0  ^  v  1  2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^
H   50 | v v v v v v v  0  ^  v  1  2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^
J   80 | v v v v v v 0  ^  v  1  2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^
K  125 | v v v v v 0 ^  v  1  2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
L  200 | v v v v 0 ^ v  1  2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
M  315 | v v v 0 ^ v 1  2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
N  500 | v v 0 ^ v 1 2  3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
P  800 | v 0 ^ v 1 2 3  5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
Q 1250 | 0 ^ v 1 2 3 5  7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
R 2000 | ^ ^ 1 2 3 5 7 10 14 21  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
"""

# MIL-STD-105E, Table II-B. Letter S is used only by one arrow of letter R.
TIGHTENED = """
A    2 | v v v v v v v v  v  v  v  v  v  v  v  v  v  v  1  2  3  5  8 12 18 27
B    3 | v v v v v v v v  v  v  v  v  v  v  0  v  v  1  2  3  5  8 12 18 27 41
C    5 | v v v v v v v v  v  v  v  v  v  0  v  v  1  2  3  5  8 12 18 27 41  ^
D    8 | v v v v v v v v  v  v  v  v  0  v  v  1  2  3  5  8 12 18 27 41  ^  ^
E   13 | v v v v v v v v  v  v  v  0  v  v  1  2  3  5  8 12 18 27 41  ^  ^  ^
F   20 | v v v v v v v v  v  v  0  v  v  1  2  3  5  8 12 18  ^  ^  ^  ^  ^  ^
G   32 | v v v v v v v v  v  0  v  v  1  2  3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^
H   50 | v v v v v v v v  0  v  v  1  2  3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^
J   80 | v v v v v v v 0  v  v  1  2  3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^
K  125 | v v v v v v 0 v  v  1  2  3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
L  200 | v v v v v 0 v v  1  2  3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
M  315 | v v v v 0 v v 1  2  3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
N  500 | v v v 0 v v 1 2  3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
P  800 | v v 0 v v 1 2 3  5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
Q 1250 | v 0 v v 1 2 3 5  8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
R 2000 | 0 ^ v 1 2 3 5 8 12 18  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^  ^
S 3150 | . . 1 . . . . .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .
"""

# MIL-STD-105E, Table II-C. Ac/Re where the reject number is more than Ac + 1; too wide to align.
REDUCED = """
A   2 | v v v v v v v v v v v v v v 0 v v 1 2 3 5 7 10 14 21 30
B   2 | v v v v v v v v v v v v v 0 ^ v 0/2 1/3 2/4 3/5 5 7 10 14 21 30
C   2 | v v v v v v v v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 14/17 21/24 ^
D   3 | v v v v v v v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 14/17 21/24 ^ ^
E   5 | v v v v v v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 14/17 21/24 ^ ^ ^
F   8 | v v v v v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^
G  13 | v v v v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^
H  20 | v v v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^
J  32 | v v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^
K  50 | v v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^
L  80 | v v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^
M 125 | v v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^
N 200 | v v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^
P 315 | v 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^
Q 500 | 0 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^
R 800 | ^ ^ 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^
"""


def _rows(table: str) -> list[tuple[list[str], list[str]]]:
    """Returns the words before and after the bar of each line."""
    lines = (line.partition("|") for line in table.strip().splitlines())
    return [(head.split(), cells.split()) for head, _, cells in lines]


_CLASSES = [(float(head[0]), dict(zip(LEVELS, cells, strict=True))) for head, cells in _rows(CODE_LETTERS)]
# Severity -> code letter -> sample size and cells.
TABLES = {
    severity: {head[0]: (int(head[1]), cells) for head, cells in _rows(table)}
    for severity, table in zip(SEVERITIES, (NORMAL, TIGHTENED, REDUCED), strict=True)
}


@dataclass(frozen=True, slots=True)
class Plan:
    """Single sampling plan of one lot.

    `code_letter` is that of the lot; `plan_letter` is that of the plan after following arrows, mostly the same. `size` spools are
    measured, the whole lot when `inspect_all`. At most `accept` nonconforming spools accept the lot, `reject` or more reject it. A count in
    between, possible only under reduced inspection, accepts it and ends reduced inspection. `counts` is the counted property:
    nonconforming spools, or at an AQL above 10 nonconformities.
    """

    code_letter: str
    plan_letter: str
    size: int
    accept: int
    reject: int
    inspect_all: bool
    counts: str = "nonconforming"

    @property
    def says(self) -> str:
        """The plan in words.

        Example:
            >>> plan_for(60, "II", 1.0).says
            'Measure 13 spools (code letter E). Accept the lot with at most 0 nonconforming, reject it with 1 or more.'
        """
        sent = "" if self.plan_letter == self.code_letter else f", plan of letter {self.plan_letter} by its arrow"
        every = {1: "the only spool", 2: "both spools" if self.inspect_all else "2 spools"}
        spools = every.get(self.size, f"{'all ' if self.inspect_all else ''}{self.size} spools")
        counted = "nonconforming" if self.counts == "nonconforming" else f"{self.counts} (a spool may have several)"
        gap = [str(count) for count in range(self.accept + 1, self.reject)]
        between = f" With {' or '.join(gap)} the lot is accepted and inspection returns to normal." if gap else ""
        return (
            f"Measure {spools} (code letter {self.code_letter}{sent}). "
            f"Accept the lot with at most {self.accept} {counted}, reject it with {self.reject} or more.{between}"
        )


def code_letter_for(lot_size: int, level: str) -> str:
    """Returns the code letter of a lot.

    Args:
        lot_size: spools in the lot, >= 1. The table begins at 2; a lot of one spool counts as the smallest class.
        level: inspection level, one of LEVELS: "II" unless agreed otherwise, S-1 to S-4 where measuring is costly.

    Raises:
        ValueError: a lot without spools, or a level the table does not have.

    Reference:
        MIL-STD-105E (10 May 1989), Table I.

    Example:
        >>> code_letter_for(24, "II"), code_letter_for(25, "II"), code_letter_for(26, "II")
        ('C', 'C', 'D')
    """
    if lot_size < 1:
        raise ValueError(f"lot_size must be at least 1 spool, got {lot_size!r}")
    if level not in LEVELS:
        raise ValueError(f"level must be one of {', '.join(LEVELS)}, got {level!r}")
    return next(letters[level] for largest, letters in _CLASSES if lot_size <= largest)


def look_up(code_letter: str, aql: float, severity: str) -> tuple[str, int, int, int]:
    """Returns the plan letter, sample size, accept and reject number of a cell, following arrows.

    Args:
        code_letter: a row of the severity's table.
        aql: acceptable quality level, one of AQLS (equal to a part in 1e9): percent nonconforming up to 10,
            nonconformities per hundred spools beyond.
        severity: one of SEVERITIES.

    Raises:
        ValueError: an AQL or a severity without a table; the message lists the valid ones.

    Notes:
        An arrow leads to the first complete plan below or above, with its own sample size.

    Reference:
        MIL-STD-105E (10 May 1989), Tables II-A, II-B and II-C.

    Example:
        >>> look_up("C", 0.65, "normal"), look_up("K", 1.5, "reduced")
        (('F', 20, 0, 1), ('K', 50, 2, 5))
    """
    if severity not in SEVERITIES:
        raise ValueError(f"severity must be one of {', '.join(SEVERITIES)}, got {severity!r}")
    column = next((i for i, listed in enumerate(AQLS) if math.isclose(aql, listed, rel_tol=1e-9)), None)
    if column is None:
        raise ValueError(f"aql must be one of {', '.join(f'{listed:g}' for listed in AQLS)}, got {aql!r}")
    table = TABLES[severity]
    letters = list(table)
    row = letters.index(code_letter)
    while (cell := table[letters[row]][1][column]) in ("v", "^"):
        row += 1 if cell == "v" else -1
    accept, _, reject = cell.partition("/")
    return letters[row], table[letters[row]][0], int(accept), int(reject or int(accept) + 1)


def plan_for(lot_size: int, level: str, aql: float, severity: str = "normal") -> Plan:
    """Returns the single sampling plan for a lot.

    Args:
        lot_size: spools in the lot, >= 1. The table begins at 2; a lot of one spool counts as the smallest class.
        level: inspection level, one of LEVELS.
        aql: acceptable quality level, one of AQLS: percent nonconforming up to 10, nonconformities per hundred
            spools beyond.
        severity: one of SEVERITIES.

    Returns:
        A Plan. If the sample is as large as the lot, or larger, every spool is measured: `size` is then the lot size, and
        the accept and reject numbers stay those of the plan.

    Raises:
        ValueError: a lot without spools, or a level, AQL or severity without a table; the message lists the valid ones.

    Notes:
        The numbers apply to the lot. A nonconforming spool is rejected by itself, whether or not the lot is accepted.

    Reference:
        MIL-STD-105E (10 May 1989), Tables I, II-A, II-B and II-C with their notes on arrows and full inspection.

    Example:
        >>> plan = plan_for(24, "II", 2.5)
        >>> plan.code_letter, plan.size, plan.accept, plan.reject, plan.inspect_all
        ('C', 5, 0, 1, False)
    """
    code_letter = code_letter_for(lot_size, level)
    plan_letter, size, accept, reject = look_up(code_letter, aql, severity)
    counts = "nonconforming" if aql <= GREATEST_PERCENT * (1 + 1e-9) else "nonconformities"
    return Plan(code_letter, plan_letter, min(size, lot_size), accept, reject, size >= lot_size, counts)
