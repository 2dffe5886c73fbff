"""Test prints and their recipes. They are only ever added."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from peewee import fn

from lots.store.engine.paging import Page, page
from lots.store.tables.models import TestPrint, TestPrintRevision


def find(number: int) -> TestPrint | None:
    """A test print by number, or None."""
    return TestPrint.get_or_none(TestPrint.id == number)


def find_by_code(code: str) -> TestPrint | None:
    """A test print by its code, or None."""
    return TestPrint.get_or_none(TestPrint.code == code)


def add(code: str, name: str, by: str, now: datetime) -> TestPrint:
    """Adds a test print and returns it."""
    return TestPrint.create(code=code, name=name, recorded_by=by, recorded_at=now)


def listed(cursor: str | None, limit: int) -> Page[TestPrint]:
    """A page of test prints, in the order they were added. One query."""
    return page(TestPrint.select(), TestPrint.id, cursor, limit)


def newest_revisions(numbers: Iterable[int]) -> dict[int, int]:
    """The number of the newest revision of each of these test prints that has one. One query."""
    query = TestPrintRevision.select(TestPrintRevision.test_print, fn.MAX(TestPrintRevision.revision))
    query = query.where(TestPrintRevision.test_print.in_(list(numbers))).group_by(TestPrintRevision.test_print)
    return dict(query.tuples().execute())


def known_revisions(codes: Iterable[str]) -> dict[str, list[int]]:
    """The numbers of the revisions of these test prints, by code, oldest first. One query; recipes stay few."""
    wanted = list(codes)
    found: dict[str, list[int]] = {}
    if not wanted:
        return found
    query = TestPrintRevision.select(TestPrintRevision.revision, TestPrint.code).join(TestPrint)
    for row in query.where(TestPrint.code.in_(wanted)).order_by(TestPrintRevision.revision):
        found.setdefault(row.test_print.code, []).append(row.revision)
    return found


def codes() -> list[str]:
    """Every code, for a hint at the one that was meant. This table stays small."""
    return [code for (code,) in TestPrint.select(TestPrint.code).order_by(TestPrint.code).limit(500).tuples().execute()]


def add_revision(one: TestPrint, values: Mapping[str, object], by: str, now: datetime) -> TestPrintRevision:
    """Adds the next revision of a test print, whose row is held so that numbers are given out one at a time."""
    TestPrint.update(code=one.code).where(TestPrint.id == one.id).execute()
    last = newest_revisions([one.id]).get(one.id, 0)
    return TestPrintRevision.create(test_print=one, revision=last + 1, **values, recorded_by=by, recorded_at=now)


def revisions(one: TestPrint, cursor: str | None, limit: int) -> Page[TestPrintRevision]:
    """A page of the revisions of a test print, oldest first. One query."""
    return page(
        TestPrintRevision.select().where(TestPrintRevision.test_print == one), TestPrintRevision.id, cursor, limit
    )
