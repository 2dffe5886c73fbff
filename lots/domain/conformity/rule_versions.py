"""Which version of the rules a lot is judged by.

A rule that changes what a lot's readings lead to gets the next number. Each decision keeps the number it was made by, so that an old
one can be worked out again with the same result. A lot takes the newest when its first reading comes, and when quality reassesses it, but
never a newer one than its limits were set under.

| version | what changed |
|---|---|
| 2 | readings of spools that were not drawn never help; equal readings and one spool of several leave the guarded rule without an uncertainty; a step is no refusal; a wet reading holds each spool that was not measured dry since |
| 3 | limits may require instruments; a reading far from its neighbours waits for confirmation; specks are judged per spool; controls count within their build, and one outside its chart puts its build in doubt; instruments and printers that differ are not compared without a bridge; a failure by one instrument, printer or build alone stands; the bead is told apart from shrinkage only where the lengths allow it; each finding rests on as many drawn spools as its characteristic needs; spools of one lot are compared in a job, and their largest pair is judged |
| 4 | an uncertainty that was estimated counts with Student's t; scatter is pooled with earlier spools and differences between spools with earlier lots of the grade; colour differences and ovality are judged as lengths; the worst of many is claimed only beyond what chance makes of so many |
"""

from __future__ import annotations

FIRST = 1
SECOND = 2
THIRD = 3
CURRENT = 4

# Version of the wording of findings. Words are no rule: a lot keeps the sentences that it was assessed with until it is assessed again.
WORDING = 2


def of_limits(rules: int | None) -> int:
    """Returns the newest version that limits may be judged by; those set before versions were kept (None) stay with the second."""
    return SECOND if rules is None else rules
