"""The history: who did what and when, with digests of the written rows, in one hash chain per lot and one for the shop.

`note` is called after a change, in its transaction. `lots check` compares the entries with the tables.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple, TypedDict

from peewee import BooleanField, Expression

from lots.domain.hash_chain import BEGINNING, Entry, digest, entry_after
from lots.domain.production.changes import Change
from lots.store.changes import numbering
from lots.store.engine.column_types import Instant
from lots.store.engine.compiled_queries import numbered
from lots.store.engine.database import db, locks_rows
from lots.store.engine.paging import Page, among, page
from lots.store.tables import decisions, loads, models, studies
from lots.store.tables.models import Chain, Event
from lots.store.tables.row import Column, Row

# The actions. They are stored in entries and covered by their hashes, so they are never renamed.
ACTIONS = (
    "delivery received",
    "delivery corrected",
    "delivery closed",
    "spools drawn",
    "sample spool replaced",
    "readings recorded",
    "reading voided",
    "void agreed",
    "reading confirmed",
    "reading excluded",
    "reading taken back in",
    "decision made",
    "lot judged again",
    "summaries recomputed",
    "lot inspected again",
    "concession asked for",
    "concession approved",
    "concession withdrawn",
    "spool loaded",
    "load refused",
    "spool unloaded",
    "job or machine added",
    "machine changed",
    "spool opened",
    "spool dried",
    "spool wound",
    "filament taken",
    "containment closed",
    "corrective action asked for",
    "corrective action answered",
    "corrective action closed",
    "supplier added",
    "supplier changed",
    "shade added",
    "shade changed",
    "shade revision approved",
    "grade added",
    "grade changed",
    "limits set",
    "visual trial kept",
    "test print added",
    "test print revised",
    "build in doubt",
    "build cleared",
    "instrument added",
    "instrument changed",
    "instrument checked",
    "instrument studied",
    "study voided",
    "working copy made",
    "reference measured again",
    "remeasurement voided",
    "inspection resumed",
    "baseline chosen",
    "file imported",
    "token made",
    "token renewed",
    "token revoked",
    "webhook added",
    "webhook ended",
    "webhook replayed",
    "instrument due",
    "shop described",
    "certificate kept",
    "letter signed",
    "letter sent",
    "shop migrated",
)
# The chain of everything that concerns no single lot. A transaction writes it after the chains of lots, which prevents deadlocks.
SHOP = "shop"
# Rows per query. Both engines limit the values per statement.
_AT_ONCE = 10_000


@dataclass(frozen=True, slots=True)
class AuditedTable:
    """A table covered by the history.

    Args:
        model: the table.
        fixed: True if rows never change, so that one digest covers all rows added together.
        derived: columns that follow from others and are not covered. `lots check` recalculates them.
    """

    model: type[Row]
    fixed: bool = False
    derived: tuple[str, ...] = ()

    @property
    def table(self) -> str:
        """The table's name."""
        return str(self.model._meta.table_name)

    @property
    def fields(self) -> list[Column]:
        """The covered columns, sorted by name."""
        kept = [field for field in self.model._meta.sorted_fields if field.name not in self.derived]
        return sorted(kept, key=lambda field: str(field.column_name))


# Columns of a lot that follow from its readings: its status, and values stored for production and series.
LOT_DERIVED = (
    *("standing", "assessed", "uses", "why", "to_measure", "accepted", "lab", "lab_uncertainty", "shrinkage"),
    *("shrinkage_uncertainty", "flow_factor", "figures", "retestable", "concessions"),
    *("reinspected_until", "wet", "identity", "likeness"),
    *("color_between", "printed", "flow_uncertainty", "moisture_at"),
)
DELIVERY_DERIVED = ("came_at", "corrected")
SPOOL_DERIVED = ("flow_factor", "nonconforming", "dry_at", "identity", "likeness", "color", "flow_uncertainty")
# The covered tables. A new column of such a table is covered unless it is listed as derived.
AUDITED = {
    cover.table: cover
    for cover in (
        # The time of last use is not part of the history. A version only counts changes.
        AuditedTable(models.Token, derived=("last_used_at",)),
        AuditedTable(models.ShopDetails),
        AuditedTable(models.Supplier),
        AuditedTable(models.Shade),
        AuditedTable(models.ShadeRevision, fixed=True),
        AuditedTable(models.Grade),
        AuditedTable(models.LimitsRevision, fixed=True),
        AuditedTable(models.Instrument, derived=("version",)),
        AuditedTable(models.InstrumentCheck, fixed=True),
        AuditedTable(models.TestPrint, fixed=True),
        AuditedTable(models.TestPrintRevision, fixed=True),
        *(AuditedTable(table, fixed=True) for table in studies.STUDY_TABLES),
        AuditedTable(models.VisualTrial, fixed=True),
        AuditedTable(models.Lot, derived=(*LOT_DERIVED, "version")),
        AuditedTable(models.Delivery, fixed=True, derived=DELIVERY_DERIVED),
        AuditedTable(models.DeliveryCorrection, fixed=True),
        AuditedTable(models.Certificate, fixed=True),
        AuditedTable(models.Spool, derived=SPOOL_DERIVED),
        AuditedTable(models.SampleDraw, fixed=True),
        AuditedTable(models.SampleSubstitute, fixed=True),
        AuditedTable(models.SpoolParent, fixed=True),
        AuditedTable(models.SpoolLot, fixed=True),
        AuditedTable(models.Drying, fixed=True),
        AuditedTable(models.Reading, fixed=True),
        AuditedTable(models.ReadingVoid, fixed=True),
        AuditedTable(models.VoidAgreement, fixed=True),
        AuditedTable(models.ReadingConfirmation, fixed=True),
        AuditedTable(models.BuildDoubt),
        AuditedTable(models.ReadingExclusion),
        AuditedTable(decisions.Decision, fixed=True),
        AuditedTable(decisions.Reinspection, fixed=True),
        AuditedTable(decisions.Concession),
        AuditedTable(models.Resumption, fixed=True),
        AuditedTable(loads.Job, fixed=True, derived=("likeness",)),
        AuditedTable(loads.Machine, derived=("likeness", "version")),
        AuditedTable(loads.Load, derived=("on_machine", "of_job")),
        AuditedTable(loads.Containment),
        AuditedTable(loads.LoadRefusal, fixed=True),
        AuditedTable(models.Baseline, fixed=True),
        AuditedTable(decisions.CorrectiveAction),
        AuditedTable(decisions.Letter, fixed=True),
        AuditedTable(decisions.LetterSent, fixed=True),
        AuditedTable(models.Import, fixed=True),
        AuditedTable(models.Webhook, derived=("position", "failing_since")),
    )
}
# Tables that are not covered: the schema version, rows with a retention time, search keys, attempts at sending, and the history itself.
NOT_COVERED = (
    *(models.SchemaVersion, models.WebSession, models.RepeatedRequest, models.SearchKey, models.WebhookMessage),
    *(Chain, Event),
)


def note(
    lot_id: int | None,
    what: str,
    by: str,
    now: datetime,
    rows: Mapping[str, Iterable[int]],
    values: Mapping[str, object] | None = None,
    changes: Sequence[Change] = (),
) -> None:
    """Appends an entry to the history of a lot or of the shop. Call it after the change, in its transaction.

    Three statements, and one per written table. On PostgreSQL one more for an entry with changes for the feed.

    Args:
        lot_id: the lot; None for the shop.
        what: one of ACTIONS.
        by: the person or program.
        now: the time.
        rows: table -> ids of new or changed rows. The rows are read back, so the digests cover the stored values.
        values: the new values of rows whose old values are stored nowhere else.
        changes: the changes for the feed.

    Raises:
        ValueError: the action is not one of ACTIONS, or a row is missing.
        KeyError: a table that is not covered.
    """
    if what not in ACTIONS:
        raise ValueError(f'"{what}" is not an action of the history')
    written = {table: sorted(set(numbers)) for table, numbers in rows.items()}
    content: dict[str, object] = {
        "rows": {table: _covering(AUDITED[table], numbers) for table, numbers in written.items() if numbers}
    }
    if values:
        content["values"] = {
            name: Instant().db_value(value) if isinstance(value, datetime) else value for name, value in values.items()
        }
    if changes:
        content["changes"] = list(changes)
    chain = chain_of(lot_id)
    held = hold(chain)
    last = (held.length, held.head) if held.length else None
    entry = entry_after(last, chain, str(Instant().db_value(now)), by, what, content)
    if changes:
        numbering.announce()
    Event.insert(
        chain=chain,
        number=entry.number,
        lot_id=lot_id,
        at=now,
        by=by,
        what=what,
        content=content,
        previous=entry.previous,
        hash=entry.hash,
        announces=True if changes else None,
    ).execute()
    Chain.update(length=entry.number, head=entry.hash).where(Chain.id == held.id).execute()


def chain_of(lot_id: int | None) -> str:
    """Returns the name of a lot's chain, `lot:7`, or of the shop's."""
    return SHOP if lot_id is None else f"lot:{lot_id}"


def _covering(cover: AuditedTable, numbers: list[int]) -> dict[str, object]:
    found = stored(cover, numbers)
    if absent := [number for number in numbers if number not in found]:
        raise ValueError(f"{cover.table} has no row {absent[0]}")
    return {"ids": numbers, **cover_of(cover, list(found.values()))}


def cover_of(cover: AuditedTable, rows: list[dict[str, object]]) -> dict[str, object]:
    """Returns the digests of rows for an entry: one for all rows of a fixed table, otherwise one per row."""
    return {"digest": digest(rows)} if cover.fixed else {"digests": [digest(row) for row in rows]}


def stored(cover: AuditedTable, numbers: Iterable[int]) -> dict[int, dict[str, object]]:
    """Returns the covered columns of rows as stored, by id, ascending. One query per 10,000 rows."""
    wanted = sorted(set(numbers))
    found: dict[int, dict[str, object]] = {}
    for start in range(0, len(wanted), _AT_ONCE):
        part = wanted[start : start + _AT_ONCE]
        # Rows stored together have consecutive ids. A list of ids would take longer than reading the rows.
        in_a_row = part[-1] - part[0] + 1 == len(part)
        key = cover.model.id
        found |= _read(cover, key.between(part[0], part[-1]) if in_a_row else numbered(key, part))
    return found


def every_stored(cover: AuditedTable) -> Iterator[tuple[int, dict[str, object]]]:
    """Yields the covered columns of all rows of a table, by id."""
    after = -(2**63)
    while rows := _read(cover, cover.model.id > after, limit=1000):
        yield from rows.items()
        after = max(rows)


def _read(cover: AuditedTable, which: Expression, limit: int | None = None) -> dict[int, dict[str, object]]:
    """Returns rows without the ORM's conversion, because invalid JSON or times must be found, not stop the check."""
    columns = cover.fields
    place = [field.name for field in columns].index("id")
    query = cover.model.select(*columns).where(which).order_by(cover.model.id).limit(limit)
    found: dict[int, dict[str, object]] = {}
    for values in db.execute(query).fetchall():
        row: dict[str, object] = {
            field.column_name: _plain(field, value) for field, value in zip(columns, values, strict=True)
        }
        # NULL is left out, so that a column added later does not change existing digests.
        found[values[place]] = {name: value for name, value in row.items() if value is not None}
    return found


def _plain(field: Column, value: object) -> object:
    """Returns a JSON value that is equal on both engines. SQLite stores booleans as 0 and 1, and no negative zero."""
    if isinstance(field, BooleanField) and value in (0, 1):
        return bool(value)
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else repr(value)
    return repr(value) if isinstance(value, bytes) else value


def hold(chain: str) -> Chain:
    """Returns a chain's row, locked until the transaction ends. On SQLite the write lock suffices. A missing chain is created."""
    query = Chain.select().where(Chain.chain == chain)
    if locks_rows():
        query = query.for_update()
    held: Chain | None = query.first()
    if held is None:
        # A concurrent transaction that inserts the chain waits here and then finds it.
        Chain.insert(chain=chain, length=0, head=BEGINNING).on_conflict_ignore().execute()
        held = Chain.get(Chain.chain == chain)
    return held


class EntryFilters(TypedDict, total=False):
    """Filters of a list of entries, with the names of the API."""

    made_from: datetime
    made_to: datetime
    lot_id: int
    by: str
    what: str


def listed(filters: EntryFilters, cursor: str | None, limit: int) -> Page[Event]:
    """Returns a page of entries, oldest first. One query."""
    query = among(Event.select(), Event, "at", filters.get("made_from"), filters.get("made_to"))
    for name, value in filters.items():
        if name not in ("made_from", "made_to"):
            query = query.where(getattr(Event, name) == value)
    return page(query, Event.id, cursor, limit)


def last_of(what: str) -> Event | None:
    """Returns the newest entry of an action, or None. One query on an index."""
    found: Event | None = Event.select().where(Event.what == what).order_by(Event.id.desc()).first()
    return found


def heads() -> dict[str, tuple[int, str]]:
    """Returns length and head of every chain by its name. One query."""
    return {row.chain: (row.length, row.head) for row in Chain.select().order_by(Chain.id)}


def chains() -> list[str]:
    """Returns the names of all chains with a head or an entry, in the order of their first entries. Two queries."""
    with_entries = Event.select(Event.chain).distinct().order_by(Event.chain)
    return list(dict.fromkeys([*heads(), *(row.chain for row in with_entries)]))


class Beside(NamedTuple):
    """The columns of an entry that follow from others: the id of its lot, and whether it has changes for the feed."""

    lot_id: int | None
    announces: bool


def entries(chain: str) -> list[tuple[Entry, Beside]]:
    """Returns all entries of a chain as stored, with their derived columns, by number. One query on an index."""
    names = ("number", "at", "by", "what", "content", "previous", "hash", "lot_id", "announces")
    query = Event.select(*(getattr(Event, name) for name in names)).where(Event.chain == chain)
    found = []
    for number, at, by, what, content, previous, own, *beside in db.execute(query.order_by(Event.number)).fetchall():
        entry = Entry(chain, number, at, by, what, _parsed(content), previous, own)
        found.append((entry, Beside(beside[0], bool(beside[1]))))
    return found


def _parsed(text: str) -> object:
    """Returns the content of an entry. Invalid JSON is returned as text, which gives another hash."""
    try:
        return json.loads(text, parse_constant=lambda name: [name])
    except ValueError:
        return text
