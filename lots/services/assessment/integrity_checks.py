"""The checks of `lots check`: the history, the tables against it, masses, and lots' rows against their readings."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol, Required, TypedDict, TypeVar, cast

from lots.domain.conformity.rule_versions import WORDING
from lots.domain.hash_chain import Entry, digest, verify
from lots.domain.production.masses import misfits
from lots.domain.words import plural
from lots.services import clock
from lots.services.assessment import concessions
from lots.services.assessment.judging import derived, failures_of, judge_lot, of_spools
from lots.services.assessment.lot_assessment import Terms, assess_lot
from lots.store import audit
from lots.store.assessment import lots, spool_findings
from lots.store.engine.database import transaction
from lots.store.receiving import deliveries
from lots.store.tables.models import Lot
from lots.store.upkeep import integrity

# Relative tolerance for equal numbers, because versions of a library may add in another order.
SAME = 1e-12
_T = TypeVar("_T")


class Watch(Protocol):
    """A progress display for a list."""

    def __call__(self, label: str, items: Sequence[_T], /) -> Iterable[_T]:
        """Yields the items and shows the progress."""


@dataclass(frozen=True, slots=True)
class Flaw:
    """An integrity error.

    Args:
        says: the error, as a clause.
        lot: number and supplier's number of the lot, None when it concerns no single lot.
        entry: number of the entry in the history that shows it, None without one.
        summary: True when a lot's row does not follow from its readings, which can be recomputed.
        named: True when search keys do not follow from a code, number or name, which can be recomputed.
    """

    says: str
    lot: tuple[int, str] | None = None
    entry: int | None = None
    summary: bool = False
    named: bool = False

    @property
    def line(self) -> str:
        """The error as one line: lot or shop, entry, error."""
        whose = "shop" if self.lot is None else f"lot {self.lot[1]} ({self.lot[0]})"
        return f"{whose}{'' if self.entry is None else f', entry {self.entry}'}: {' '.join(self.says.split())}."


def unwatched(_label: str, items: Sequence[_T]) -> Iterable[_T]:
    """Returns the items without a progress display."""
    return items


def found(watch: Watch = unwatched) -> Iterator[Flaw]:
    """Yields every integrity error. Read-only; best run within `checking.snapshot`."""
    names = integrity.lot_names()
    yield from _whole(names)
    yield from proved(names, watch)
    yield from _masses(names)
    yield from _misnamed(names)
    for number in watch("Lots", list(names)):
        yield from judged_again(number, names[number])


def proved(names: Mapping[int, str], watch: Watch = unwatched) -> Iterator[Flaw]:
    """Recomputes every hash chain, and compares its entries with the tables.

    Args:
        names: lot -> supplier's number.
    """
    told, heads = _RowsByEntry(), audit.heads()
    for chain in watch("Histories", audit.chains()):
        yield from _history(chain, heads.get(chain, (None, None)), names, told)
    for cover in watch("Tables", list(audit.AUDITED.values())):
        yield from _rows(cover, names, told)


def against(noted: Mapping[str, tuple[int, str]]) -> Iterator[Flaw]:
    """Compares noted heads with the present entries, which detects a rewritten history.

    Args:
        noted: chain -> (length, hash of the last entry) as noted.
    """
    names = integrity.lot_names()
    for chain, (length, head) in noted.items():
        there = {entry.number: entry.hash for entry, _ in audit.entries(chain)}
        if there.get(length) != head:
            yield Flaw(f"entry {length} differs from the noted one", _named(_lot_in(chain), names), length)


@dataclass(slots=True)
class _RowsByEntry:
    """Rows by the entries: numbers of fixed rows, and the last digest of rows that may change, with lot and entry."""

    there: dict[str, set[int]] = field(default_factory=dict)
    last: dict[str, dict[int, tuple[int | None, int, str]]] = field(default_factory=dict)


def _named(lot_id: int | None, names: Mapping[int, str]) -> tuple[int, str] | None:
    return None if lot_id is None else (lot_id, names.get(lot_id, "missing"))


def _lot_in(chain: str) -> int | None:
    number = chain.removeprefix("lot:")
    return int(number) if number != chain and number.isdecimal() else None


def _whole(names: Mapping[int, str]) -> Iterator[Flaw]:
    """Yields damage found by the database engine, and rows with missing references."""
    for damage in integrity.damage():
        yield Flaw(f"the file is damaged: {damage}")
    for table, row, missing in integrity.orphans():
        lot = _named(integrity.lot_of_row(table, row), names)
        yield Flaw(f"{_words(table)} {row['id']} refers to {_words(missing)}, which does not exist", lot)


def _words(table: str) -> str:
    return table.replace("_", " ")


def _history(
    chain: str, head: tuple[int | None, str | None], names: Mapping[int, str], told: _RowsByEntry
) -> Iterator[Flaw]:
    """Yields breaks of a chain, and fixed rows that differ from its entries."""
    number = _lot_in(chain)
    lot = _named(number, names)
    read = audit.entries(chain)
    for flaw in verify([entry for entry, _ in read], *head):
        yield Flaw(flaw.says, lot, flaw.number)
    if chain != audit.chain_of(number):
        yield Flaw(f'history "{chain}" belongs neither to a lot nor to the shop')
    for entry, beside in read:
        for says in _edited(entry, beside, number):
            yield Flaw(f"entry {entry.number} was edited: {says}", lot, entry.number)
        for table, rows in _rows_in(entry):
            yield from _collected(audit.AUDITED[table], rows, lot, entry.number, told)


def _edited(entry: Entry, beside: audit.Beside, lot_id: int | None) -> Iterator[str]:
    """Yields columns of an entry that contradict it."""
    if beside.lot_id != lot_id:
        yield f"its row names lot {beside.lot_id}"
    if beside.announces != _holds_changes(entry):
        yield (
            "the feed of changes omits it"
            if _holds_changes(entry)
            else "its row announces changes that it does not hold"
        )


def _collected(
    cover: audit.AuditedTable, says: Rows, lot: tuple[int, str] | None, entry: int, told: _RowsByEntry
) -> Iterator[Flaw]:
    """Collects the rows of a table named by an entry. Fixed rows are compared at once."""
    numbers = says["ids"]
    if cover.fixed:
        told.there.setdefault(cover.table, set()).update(numbers)
        yield from _as_added(cover, says, lot, entry)
    else:
        last, lot_id = told.last.setdefault(cover.table, {}), lot[0] if lot else None
        last.update(zip(numbers, ((lot_id, entry, one) for one in says["digests"]), strict=False))


class Rows(TypedDict, total=False):
    """Rows of a table in an entry: their numbers, and one digest of all, or one of each where they may change."""

    ids: Required[list[int]]
    digest: str
    digests: list[str]


def _holds_changes(entry: Entry) -> bool:
    """Returns whether an entry holds changes."""
    return isinstance(entry.content, dict) and bool(entry.content.get("changes"))


def _rows_in(entry: Entry) -> Iterator[tuple[str, Rows]]:
    """Yields the rows of each table in an entry.

    Unreadable parts are skipped, because the chain already shows the edit.
    """
    rows = entry.content.get("rows") if isinstance(entry.content, dict) else None
    for table, says in (rows if isinstance(rows, dict) else {}).items():
        if table in audit.AUDITED and isinstance(says, dict) and isinstance(says.get("ids"), list):
            wanted = {"digest": str} if audit.AUDITED[table].fixed else {"digests": list}
            numbers_are_right = all(isinstance(number, int) for number in says["ids"])
            if numbers_are_right and all(isinstance(says.get(name), kind) for name, kind in wanted.items()):
                yield table, cast("Rows", says)


def _as_added(cover: audit.AuditedTable, says: Rows, lot: tuple[int, str] | None, entry: int) -> Iterator[Flaw]:
    numbers, rows = says["ids"], audit.stored(cover, says["ids"])
    gone = [number for number in numbers if number not in rows]
    if gone:
        rest = "" if len(gone) == len(numbers) else "; the other rows of the entry cannot be verified"
        yield Flaw(f"{_listed(cover.table, gone)} deleted{rest}", lot, entry)
    elif digest(list(rows.values())) != says["digest"]:
        which = _listed(cover.table, numbers) if len(numbers) == 1 else f"one of {_range(cover.table, numbers)} was"
        yield Flaw(f"{which} edited", lot, entry)


def _listed(table: str, numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"{_words(table)} {numbers[0]} was"
    shown = ", ".join(str(number) for number in numbers[:10])
    return f"{len(numbers)} of {_words(table)} ({shown}{', ...' if len(numbers) > 10 else ''}) were"


def _range(table: str, numbers: Sequence[int]) -> str:
    return f"{_words(table)} {numbers[0]} to {numbers[-1]}"


def _rows(cover: audit.AuditedTable, names: Mapping[int, str], told: _RowsByEntry) -> Iterator[Flaw]:
    """Yields rows without an entry, and rows that differ from their last entry."""
    there, last = told.there.pop(cover.table, set()), told.last.pop(cover.table, {})
    for number, row in audit.every_stored(cover):
        known = last.pop(number, None)
        if known is None and number not in there:
            lot = _named(integrity.lot_of_row(cover.table, row), names)
            yield Flaw(f"{_words(cover.table)} {number} was added without an entry", lot)
        elif known is not None and digest(row) != known[2]:
            yield Flaw(f"{_words(cover.table)} {number} was edited since", _named(known[0], names), known[1])
    for number, (lot_id, entry, _) in last.items():
        yield Flaw(f"{_words(cover.table)} {number} was deleted since", _named(lot_id, names), entry)


def _masses(names: Mapping[int, str]) -> Iterator[Flaw]:
    for lot_id, code, spool in integrity.booked():
        for misfit in misfits(spool):
            yield Flaw(f"spool {code}: {misfit}", _named(lot_id, names))
    for load in integrity.odd_loads():
        yield Flaw(
            f"load {load.id} ended with more filament than it began with, or before it began",
            _named(load.lot_id, names),
        )


def _misnamed(names: Mapping[int, str]) -> Iterator[Flaw]:
    for one in integrity.misnamed():
        columns = " and ".join(_words(name) for name in one.wanted)
        says = f"{columns} of {_words(one.model._meta.table_name)} {one.number} do not follow from {one.text}"
        yield Flaw(says, _named(one.lot, names), named=one.lot is not None)
    for lost in integrity.unfindable():
        follow = f"do not follow from {lost.text}" if lost.text else "belong to no name"
        says = f"search keys of {lost.kind} {lost.number} {follow}"
        yield Flaw(says, _named(lost.lot, names), named=lost.lot is not None)


def judged_again(number: int, name: str) -> Iterator[Flaw]:
    """Assesses a lot from its readings, and yields the differences from its row and its spools. Stores nothing."""
    lot = (number, name)
    try:
        differing = _differing(number)
    except Exception as error:  # whatever was edited, of all that judging reads: the check goes on
        yield Flaw(f"it cannot be assessed from its readings: {type(error).__name__}: {error}", lot)
        return
    if differing:
        yield Flaw(
            f"{', '.join(differing)} {plural(len(differing), 'does', 'do')} not follow from its readings",
            lot,
            summary=True,
        )


def _differing(number: int) -> list[str]:
    row = lots.find(number)
    if row is None:
        return []
    judged = assess_lot(row, Terms.of(row))
    wanted = {**derived(judged), "concessions": concessions.left_of(number)}
    older = row.wording != WORDING
    differing = [_words(name) for name, value in wanted.items() if not _agree(name, getattr(row, name), value, older)]
    for delivery, came_at, corrected in deliveries.derived(number):
        if (delivery.came_at, delivery.corrected) != (came_at, corrected):
            differing.append(f"the row of delivery {delivery.id}")
    kept, failures = of_spools(judged), failures_of(judged)
    spools = lots.spools_of(row)
    passed_on = spool_findings.inherited(spool.id for spool in spools if spool.spliced)
    for spool in spools:
        fails = [*failures.get(spool.code, ()), *passed_on.get(spool.id, ())]
        wanted = {**{name: some.get(spool.code) for name, some in kept.items()}, "nonconforming": fails or None}
        if not all(_agree(name, getattr(spool, name), value, older) for name, value in wanted.items()):
            differing.append(f"the row of spool {spool.code}")
    return differing


def _agree(name: str, stored: object, computed: object, older_wording: bool) -> bool:
    """Returns True for a column that holds what was computed. Sentences of an older wording are not compared."""
    left, right = stored, _as_stored(computed)
    if older_wording and name in _WORDED:
        left, right = _without_sentences(left), _without_sentences(right)
    return _same(left, right)


# Columns that hold sentences.
_WORDED = ("why", "to_measure", "nonconforming")


def _without_sentences(kept: object) -> object:
    """Returns the uses of reasons, the uses and parents of a spool's failures, or whether anything is to be measured."""
    if isinstance(kept, dict):
        return sorted(kept)
    failures = [{**one, "message": ""} for one in kept if isinstance(one, dict)] if isinstance(kept, list) else []
    return failures or bool(kept)


def _as_stored(value: object) -> object:
    stored: object = value if isinstance(value, datetime) else json.loads(json.dumps(value))
    return stored


def _same(one: object, other: object) -> bool:
    """Returns whether values are equal, numbers within SAME."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    if isinstance(one, float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=SAME, abs_tol=SAME)
    return bool(one == other)


def rebuild(flaws: Iterable[Flaw], by: str, watch: Watch = unwatched) -> tuple[list[Flaw], list[Flaw]]:
    """Recomputes columns of lots that do not follow from their readings and codes, and adds this to their histories.

    Args:
        flaws: the errors found.
        by: the caller.

    Returns:
        (corrected errors, errors left). A lot with any other error is left alone, and so are all lots when the shop has
        an error,
        because the data behind the assessment may have been edited.
    """
    flaws = list(flaws)
    spoiled = {flaw.lot for flaw in flaws if not (flaw.summary or flaw.named)}
    right = [flaw for flaw in flaws if flaw.lot not in spoiled and None not in spoiled]
    named = any(flaw.named for flaw in right)
    misnamed, lost = (list(integrity.misnamed()), list(integrity.unfindable())) if named else ([], [])
    for (number, _), mine in watch("Recomputing", list(_by_lot(right).items())):
        with transaction():
            lot = lots.lock([number])[number]
            _name_again([one for one in misnamed if one.lot == number], [one for one in lost if one.lot == number])
            _note_again(lot, mine, by)
    return right, [flaw for flaw in flaws if flaw not in right]


def _name_again(misnamed: Iterable[integrity.Misnamed], lost: Iterable[integrity.Unfindable]) -> None:
    for one in misnamed:
        integrity.name_again(one)
    for row in lost:
        integrity.find_again(row)


def _note_again(lot: Lot, flaws: Sequence[Flaw], by: str) -> None:
    """Reassesses a lot whose row does not follow from its readings, and adds the corrections to its history."""
    now, what = clock.now(), "summaries recomputed"
    if not any(flaw.summary for flaw in flaws):
        audit.note(lot.id, what, by, now, {"lot": [lot.id]})
        return
    concessions.refresh(lot)
    deliveries.work_out_again(lot.id)
    reason = f"Recomputed by lots check: {', '.join(flaw.says for flaw in flaws)}."
    judge_lot(lot, by, now, action="reassess", reason=reason, what=what)


def _by_lot(flaws: Iterable[Flaw]) -> dict[tuple[int, str], list[Flaw]]:
    found: dict[tuple[int, str], list[Flaw]] = {}
    for flaw in flaws:
        if flaw.lot is not None:
            found.setdefault(flaw.lot, []).append(flaw)
    return found
