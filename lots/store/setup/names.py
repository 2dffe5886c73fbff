"""Jobs and machines: one row each, found by the identity of a name, which does not depend on its spelling."""

from __future__ import annotations

from datetime import datetime
from typing import Literal, TypeAlias, TypeVar, overload

from peewee import JOIN, Field, ModelSelect

from lots.domain.code_identity import alike, identity, likeness
from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.paging import Page, page
from lots.store.setup import search_keys
from lots.store.tables.loads import Job, Load, Machine
from lots.store.tables.models import Lot, Spool
from lots.store.tables.row import Column

_S = TypeVar("_S", Job, Machine)
_Subject: TypeAlias = Literal["job", "machine"]
# Subject -> its table, and the column with its name as first typed.
_SUBJECTS: dict[str, tuple[type[Job | Machine], Field[str]]] = {
    "job": (Job, Job.number),
    "machine": (Machine, Machine.name),
}
# A longer list would not help to choose.
_MOST_SIMILAR = 5


@overload
def known(subject: Literal["job"], typed: str) -> Job | None: ...
@overload
def known(subject: Literal["machine"], typed: str) -> Machine | None: ...
def known(subject: _Subject, typed: str) -> Job | Machine | None:
    """Returns the job or machine of a typed name, or None. One query on a unique index."""
    table, _ = _SUBJECTS[subject]
    found: Job | Machine | None = table.select().where(table.identity == identity(typed)).first()
    return found


def number_of(subject: _Subject, typed: str) -> ModelSelect[Job] | ModelSelect[Machine]:
    """Returns a subquery for the id of the job or machine of a typed name."""
    table, _ = _SUBJECTS[subject]
    named = table.alias()
    return named.select(named.id).where(named.identity == identity(typed))


def similar(subject: _Subject, typed: str) -> list[str]:
    """Returns names of other jobs or machines that a typed name may be confused with, oldest first. One query on an index."""
    _, name = _SUBJECTS[subject]
    rows = sorted(_MISREAD[subject].all(likeness=likeness(typed), identity=identity(typed)), key=lambda row: row.id)
    return [known for row in rows if alike(known := getattr(row, name.name), typed)][:_MOST_SIMILAR]


def _misread(table: type[_S], name: Field[str]) -> ModelSelect[_S]:
    like = (table.likeness == given("likeness")) & (table.identity != given("identity"))
    return table.select(table.id, name).where(like)


# Prepared, because each spool check for a new job reads it.
_MISREAD: dict[str, Prepared[Job] | Prepared[Machine]] = {
    "job": Prepared(lambda: _misread(Job, Job.number)),
    "machine": Prepared(lambda: _misread(Machine, Machine.name)),
}


@overload
def named(subject: Literal["job"], typed: str, by: str, now: datetime) -> tuple[Job, list[int]]: ...
@overload
def named(subject: Literal["machine"], typed: str, by: str, now: datetime) -> tuple[Machine, list[int]]: ...
def named(subject: _Subject, typed: str, by: str, now: datetime) -> tuple[Job | Machine, list[int]]:
    """Returns the job or machine of a typed name, storing a new one. At most four statements.

    Returns the row, and a list with its id if it is new.
    """
    found = known(subject, typed)
    if found is not None:
        return found, []
    table, name = _SUBJECTS[subject]
    values = {name: typed, "identity": identity(typed), "likeness": likeness(typed)}
    made = table.insert({**values, "recorded_by": by, "recorded_at": now}).on_conflict_ignore().execute()
    # A concurrent request may have stored it first.
    found = known(subject, typed)
    if found is None:
        raise LookupError(f"{subject} {typed} was stored but is missing")
    if made and subject == "job":
        search_keys.keep("job", found.id, typed, new=True)
    return found, [found.id] if made else []


def listed(model: type[_S], cursor: str | None, limit: int) -> Page[_S]:
    """Returns a page of jobs or machines, oldest first. One query."""
    return page(model.select(), model.id, cursor, limit)


def newest(model: type[_S], most: int) -> list[_S]:
    """Returns the newest jobs or machines, newest first. One query."""
    return list(model.select().order_by(model.id.desc()).limit(most))


def machine(number: int) -> Machine | None:
    """Returns a machine by id, or None."""
    return Machine.get_or_none(Machine.id == number)


def with_names(*columns: Column) -> ModelSelect[Load]:
    """Returns a query of loads with the names of their spool, lot, job and machine, and all or the given columns.

    The JSON columns of a lot would be parsed in vain.
    """
    of_spool, of_lot = (Spool.id, Spool.code, Spool.spliced), (Lot.id, Lot.supplier_lot)
    return (
        Load.select(
            *(columns or (Load,)), *of_spool, *of_lot, Job.id, Job.number, Machine.id, Machine.name, Machine.slots
        )
        .join(Spool)
        .switch(Load)
        .join(Lot)
        .switch(Load)
        .join(Job, JOIN.LEFT_OUTER)
        .switch(Load)
        .join(Machine, JOIN.LEFT_OUTER)
    )
