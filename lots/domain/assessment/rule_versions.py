"""Which version of the rules a lot is judged by.

A rule that changes what a lot's readings lead to gets the next number. Each decision keeps the number it was made by, so that an old
one can be worked out again with the same result; a lot takes the newest when its first reading comes, and when quality reassesses it.

| version | what changed |
|---|---|
| 2 | readings of spools that were not drawn never help; equal readings and one spool of several leave the guarded rule without an uncertainty; a step is no refusal; a wet reading holds each spool that was not measured dry since |
"""

from __future__ import annotations

FIRST = 1
CURRENT = 2
