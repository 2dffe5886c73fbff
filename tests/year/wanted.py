"""The next measurements, read from the words of findings as a clerk reads them."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

# How many more of something would settle a finding, such as "take about 6 more readings".
_MORE = re.compile(r"(\d+) more ([a-z-]+)")
_STUCK = (
    "ask quality for a decision",
    "an instrument with a standard uncertainty",
    "record an agreement study",
)
STEP, WET = "step", "wet"
_OTHER_INSTRUMENT = re.compile(r"measure with (\S+), which measured the reference")


@dataclass(frozen=True)
class Asked:
    """The request of one finding.

    Args:
        code: of the finding.
        kind: of the measurement.
        spools: codes of named spools; empty where any measured spool is enough.
        more: the named number of further readings, None without one.
        unit: of what, such as readings or spools.
        instrument: code of the instrument that it asks for; "" for the usual one.
        remedy: `step` waits for quality's decision, `wet` for a drying; "" for a measurement.
        stuck: True where it says that measuring cannot settle it.
    """

    code: str
    kind: str
    spools: tuple[str, ...] = ()
    more: int | None = None
    unit: str = ""
    instrument: str = ""
    remedy: str = ""
    stuck: bool = False


@dataclass
class Plan:
    """One round of measuring: kind and spool -> how many readings, coupons or specimens; spools to dry; the first requesting finding.

    With `wait_until` nothing is measured before that moment.
    """

    readings: dict[tuple[str, str], int] = field(default_factory=dict)
    instrument: dict[str, str] = field(default_factory=dict)
    dry: bool = False
    wait_until: datetime | None = None
    asked_by: dict[str, str] = field(default_factory=dict)

    def want(self, asked: Asked, spool: str, n: int) -> None:
        """Adds n readings of a spool, unless as many are planned."""
        key = (asked.kind, spool)
        self.readings[key] = max(n, self.readings.get(key, 0))
        self.asked_by.setdefault(asked.kind, asked.code)
        if asked.instrument:
            self.instrument[asked.kind] = asked.instrument

    def of(self, kind: str) -> dict[str, int]:
        """Spool -> how many, of one kind."""
        return {spool: n for (what, spool), n in self.readings.items() if what == kind}


def still_open(assessment: dict[str, Any]) -> list[dict[str, Any]]:
    """Returns the findings that keep a use open: not passed, and required by a use that is not refused."""
    uses = {use for use, verdict in assessment["uses"].items() if verdict in ("near", "missing")}
    return [
        one for one in assessment["findings"] if one["verdict"] != "pass" and uses & set(one["uses"])
        and (one["verdict"] != "fail" or one["hold"])
    ]  # fmt: skip


def asked_by(finding: dict[str, Any], codes: Collection[str]) -> Asked:
    """Returns the request of a finding.

    Args:
        finding: of an assessment, not passed.
        codes: of the lot's spools.
    """
    words, kind = finding["to_measure"] or "", finding["characteristic"]
    made: dict[str, Any] = {"code": finding["code"], "kind": kind}
    if finding["hold"]:
        return Asked(**made, remedy=STEP if finding["measure"].startswith(STEP) else WET)
    named = tuple(code for code in codes if re.search(rf"{re.escape(code)}(?!\d)", words))
    if not named and finding["subject"]:
        named = tuple(code for code in codes if re.search(rf"{re.escape(code)}(?!\d)", finding["subject"]))
    more, other = _MORE.search(words), _OTHER_INSTRUMENT.search(words)
    return Asked(
        **made,
        spools=named,
        more=int(more[1]) if more else None,
        unit=more[2] if more else "",
        instrument=other[1] if other else "",
        stuck=not other and any(text in words for text in _STUCK) and "or take at least two readings" not in words,
    )


def spread_over(spools: Sequence[str], more: int) -> dict[str, int]:
    """Returns how many readings each spool gets where so many more are asked for in all.

    Example:
        >>> spread_over(["A", "B", "C"], 4)
        {'A': 2, 'B': 2, 'C': 2}
    """
    return dict.fromkeys(spools, -(-more // max(1, len(spools))))
