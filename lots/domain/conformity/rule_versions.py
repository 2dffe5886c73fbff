"""Versions of the assessment rules.

A change that can alter a verdict gets the next number. Each decision keeps the number it was made under, so that it can be reproduced.
A lot takes the newest version with its first reading and when quality reassesses it. It never takes a newer version than its limits have.

| version | changes |
|---|---|
| 2 | readings of spools that were not drawn can only count against a lot; under guarded acceptance, equal readings and one spool of several give no uncertainty; a step holds a lot instead of rejecting it; a wet reading holds each spool that was not measured dry since |
| 3 | limits may require instruments; a reading far from its neighbours waits for confirmation; specks are assessed per spool; controls count within their build, and a control outside its chart makes its build suspect; different instruments and printers are compared only with an agreement study; a failure by one instrument, printer or build alone counts; bead offset and shrinkage are separated only where the lengths allow it; each finding needs as many drawn spools as its characteristic requires; spools of one lot are compared in a job, and their largest difference is assessed |
| 4 | an estimated uncertainty counts with Student's t; the spread of readings is pooled with earlier spools of the grade, and differences between spools with earlier lots; colour differences and ovality are assessed as lengths; nonconformity of the worst of many is proved only beyond the effect of chance |
"""

from __future__ import annotations

FIRST = 1
SECOND = 2
THIRD = 3
CURRENT = 4

# Version of the wording of findings. Words are no rule: a lot keeps the sentences that it was assessed with until it is assessed again.
WORDING = 2


def of_limits(rules: int | None) -> int:
    """Returns the newest version that applies to limits; None, for limits older than versions, gives the second."""
    return SECOND if rules is None else rules
