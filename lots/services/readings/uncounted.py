"""Readings that are stored and do not help their lot: each reason is one function here, and the person who stored the reading is told at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.characteristics.declaring.case import Taken
from lots.domain.characteristics.declaring.declaration import Characteristic, every_reading
from lots.domain.colorimetry.color_values import Conditions
from lots.domain.conformity import rule_versions
from lots.domain.receiving.coverage import named
from lots.services.assessment.lot_assessment import Judged
from lots.services.from_rows import conditions_of


@dataclass(frozen=True, slots=True)
class Stored:
    """A reading that was just stored, with its lot as it is judged now."""

    declared: Characteristic
    item: dict[str, Any]
    spool: str
    measured_at: datetime
    judged: Judged

    @property
    def other_material(self) -> bool:
        """True for a reading that says nothing of the lot itself, such as of a control bar."""
        if self.declared.of_lot is every_reading:
            return False
        taken = Taken(self.spool, self.declared.stored(self.item), self.measured_at)
        return not self.declared.of_lot(self.declared.reading(taken))


Warned = dict[str, Any]


def warnings(
    declared: Characteristic,
    items: Sequence[dict[str, Any]],
    spools: Mapping[str, Any],
    judged: Mapping[int, Judged],
    now: datetime,
) -> list[list[Warned]]:
    """Returns for each reading why it does not help its lot; a screening reading was never meant to.

    Args:
        declared: what was measured.
        items: readings that were stored.
        spools: by their codes.
        judged: the lots they belong to, by number, with these readings.
        now: the present moment.

    Returns:
        Warnings as a reading's answer has them, each with `helps: false`.
    """
    # What a reason says depends on the spool or the conditions, so that most of a list is told alike.
    found = []
    for item in items:
        # The code may be typed otherwise than it was logged.
        spool = spools[item["spool_code"]]
        stored = Stored(declared, item, spool.code, item.get("measured_at") or now, judged[spool.lot_id])
        told = [] if item.get("screening") else [reason(stored) for reason in REASONS]
        found.append([{**warned, "helps": False} for warned in told if warned is not None])
    return found


def _under_other_conditions(stored: Stored) -> Warned | None:
    """A lot is still judged under an older revision of its shade, measured under other conditions than this reading."""
    revision, said = stored.judged.shade, stored.declared.of_type("conditions")
    if (
        revision is None
        or said is None
        or not Conditions(**stored.item[said.name]).differences(conditions_of(revision))
    ):
        return None
    return {
        "field": "conditions",
        "detail": (
            f"This lot is judged under revision {revision.revision} of its shade, measured under other conditions, so "
            "the reading does not count for it yet."
        ),
        "hint": "It will when quality has the lot judged again under the newest revisions.",
    }


def _outside_the_limits_terms(stored: Stored) -> Warned | None:
    """The limits count other readings only, such as those of one thickness or age."""
    declared, judged = stored.declared, stored.judged
    if judged.limits is None or not declared.not_comparable or declared.of_type("conditions") is not None:
        return None
    block = limits_from(judged.limits.body).given.get(declared.name)
    taken = Taken(stored.spool, declared.stored(stored.item), stored.measured_at)
    if declared.comparable(declared.reading(taken), block, None) is not None:
        return None
    return {
        "field": "spool_code",
        "detail": f"This reading does not count for the lot: {declared.not_comparable}.",
        "hint": f"Revision {judged.limits.revision} of the limits says which readings count.",
    }


def _not_drawn(stored: Stored) -> Warned | None:
    """The spool was not drawn for the sample."""
    judged, code = stored.judged, stored.spool
    if judged.rules == rule_versions.FIRST or judged.coverage.is_drawn(code) or stored.other_material:
        return None
    return {
        "field": "spool_code",
        "detail": f"Spool {code} was not drawn for the sample: this reading can refuse the lot but never release it.",
        "hint": f"Measure the drawn spools: {named(judged.coverage.drawn)}. If one is damaged or missing, ask quality for a substitute.",
    }


REASONS: tuple[Callable[[Stored], Warned | None], ...] = (
    _under_other_conditions,
    _outside_the_limits_terms,
    _not_drawn,
)
