"""Jobs and machines: one row for each, by the identity of its name, whichever way the name was typed."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any

from peewee import JOIN, ModelSelect

from lots.domain.code_identity import alike, identity, likeness
from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.paging import Page, page
from lots.store.tables.loads import Job, Load, Machine
from lots.store.tables.models import Lot, Spool

# Subject -> its table, and the column with its name as it was first typed.
_SUBJECTS: dict[str, tuple[Any, Any]] = {"job": (Job, Job.number), "machine": (Machine, Machine.name)}
# More names than these would help nobody to choose.
_MOST_SIMILAR = 5


def known(subject: str, typed: str) -> Any:
    """The job or machine that a typed name stands for, or None. One query on a unique index."""
    table, _ = _SUBJECTS[subject]
    return table.select().where(table.identity == identity(typed)).first()


def number_of(subject: str, typed: str) -> Any:
    """The number of the job or machine that a typed name stands for, to be put into another query."""
    table, _ = _SUBJECTS[subject]
    named = table.alias()
    return named.select(named.id).where(named.identity == identity(typed))


def similar(subject: str, typed: str) -> list[str]:
    """Names of other jobs or machines that a typed one may be misread for, the first made first. One query on an index."""
    _, name = _SUBJECTS[subject]
    rows = sorted(_MISREAD[subject].all(likeness=likeness(typed), identity=identity(typed)), key=lambda row: row.id)
    return [known for row in rows if alike(known := getattr(row, name.name), typed)][:_MOST_SIMILAR]


def _misread(subject: str) -> Any:
    table, name = _SUBJECTS[subject]
    like = (table.likeness == given("likeness")) & (table.identity != given("identity"))
    return table.select(table.id, name).where(like)


# A clearance for a new job asks this, so it is compiled once.
_MISREAD = {subject: Prepared(partial(_misread, subject)) for subject in _SUBJECTS}


def named(subject: str, typed: str, by: str, now: datetime) -> tuple[Any, list[int]]:
    """The row of a job or machine, made when this is the first load that names it. At most three statements.

    Returns the row, and its number in a list when it was made here.
    """
    found = known(subject, typed)
    if found is not None:
        return found, []
    table, name = _SUBJECTS[subject]
    values = {name: typed, "identity": identity(typed), "likeness": likeness(typed)}
    made = table.insert({**values, "recorded_by": by, "recorded_at": now}).on_conflict_ignore().execute()
    # Another request may have made it first.
    found = known(subject, typed)
    return found, [found.id] if made else []


def listed(subject: str, cursor: str | None, limit: int) -> Page:
    """A page of jobs or machines, in the order they were first named. One query."""
    table, _ = _SUBJECTS[subject]
    return page(table.select(), table.id, cursor, limit)


def with_names() -> ModelSelect[Load]:
    """Loads with what names their spool, lot, job and machine; each document of a lot would be read at every load for nothing."""
    of_spool, of_lot = (Spool.id, Spool.code, Spool.spliced), (Lot.id, Lot.supplier_lot)
    return (
        Load.select(Load, *of_spool, *of_lot, Job.id, Job.number, Machine.id, Machine.name, Machine.slots)
        .join(Spool)
        .switch(Load)
        .join(Lot)
        .switch(Load)
        .join(Job, JOIN.LEFT_OUTER)
        .switch(Load)
        .join(Machine, JOIN.LEFT_OUTER)
    )
