"""Instruments of a lot, its reference and its predecessor, and the agreement studies between them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.declaring.bridge import Bridge
from lots.domain.characteristics.declaring.case import SOURCES, Previous
from lots.domain.conformity import rule_versions
from lots.domain.instruments.agreement import LEAST_PLAQUES, agreement
from lots.services import lookups
from lots.services.from_rows import UNNAMED, read_on_both
from lots.store.instruments import studies
from lots.store.tables.lots import KeptFigures
from lots.store.tables.models import Instrument, Lot, Reading, ShadeRevision


def carried_sources(name: str, figures: KeptFigures) -> dict[str, list[str]]:
    """Returns the instruments and printers of a characteristic of an accepted lot, as stored with the next lot."""
    some = (figures.get("sources") or {}).get(name, ())
    return {f"{name}{SOURCES}": [source for source in some if source != UNNAMED]}


def reference_instrument(shade: ShadeRevision | None, rows: Iterable[Reading]) -> str | None:
    """Returns the code of the instrument that measured a reference, None if not stated.

    One query, none where it took one of these readings.
    """
    if shade is None or shade.instrument_id is None:
        return None
    known = (row.instrument.code for row in rows if row.instrument and row.instrument.id == shade.instrument_id)
    return next(known, None) or lookups.found("instrument", shade.instrument_id).code


def bridges_for(
    rows: Sequence[Reading], reference: str | None, previous: Mapping[str, object] | None, known_at: datetime | None
) -> dict[frozenset[str], Bridge]:
    """Returns the newest agreement study of each pair of instruments of a lot, its reference and its predecessor.

    Only studies recorded until `known_at` with enough plaques count. No query for a single instrument, otherwise one.
    """
    codes = {row.instrument.code for row in rows if row.kind == COLOR.name and row.instrument}
    return bridges_between(codes | _instruments_before(previous) | ({reference} - {None}), known_at)


def bridges_between(codes: Iterable[str | None], known_at: datetime | None = None) -> dict[frozenset[str], Bridge]:
    """Returns the newest agreement study with enough plaques of each pair of these instruments. One query at most."""
    wanted = {code for code in codes if code is not None}
    found = {}
    for row in studies.agreements(sorted(wanted), known_at) if len(wanted) > 1 else ():
        offsets = [(one.mean, one.sd, one.n) for one in agreement(read_on_both(row.body)).offsets]
        first, second = studies.pair(row)
        bridge = Bridge.of(first, second, row.id, offsets, LEAST_PLAQUES)
        if bridge is not None:
            found[frozenset((bridge.first, bridge.second))] = bridge
    return found


def concerned(lot: Lot, both: Iterable[Instrument]) -> bool:
    """Returns whether an agreement study of two instruments may change the assessment of a lot.

    It may when both measured its colours, its reference or its predecessor, from version 3 of the rules.
    """
    if (lot.rules or rule_versions.FIRST) <= rule_versions.SECOND:
        return False
    codes = set((lot.figures.get("sources") or {}).get(COLOR.name, ())) | _instruments_before(lot.previous)
    measured = lot.shade_revision.instrument_id if lot.shade_revision is not None else None
    return all(each.code in codes or each.id == measured for each in both)


def _instruments_before(previous: Mapping[str, object] | None) -> set[str]:
    return Previous.from_kept(previous or {}, {}).instruments(COLOR.name)
