"""Test prints and their recipes. Rows are only added."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from peewee import fn

from lots.store.engine.paging import Page, page
from lots.store.tables.models import TestPrint, TestPrintRevision


def find(number: int) -> TestPrint | None:
    """Returns a test print by id, or None."""
    return TestPrint.get_or_none(TestPrint.id == number)


def find_by_code(code: str) -> TestPrint | None:
    """Returns a test print by its code, or None."""
    return TestPrint.get_or_none(TestPrint.code == code)


def add(code: str, name: str, by: str, now: datetime) -> TestPrint:
    """Stores a test print and returns it."""
    return TestPrint.create(code=code, name=name, recorded_by=by, recorded_at=now)


def listed(cursor: str | None, limit: int) -> Page[TestPrint]:
    """Returns a page of test prints, oldest first. One query."""
    return page(TestPrint.select(), TestPrint.id, cursor, limit)


def newest_revisions(numbers: Iterable[int]) -> dict[int, int]:
    """Returns the newest revision number by test print. Those without one are left out. One query."""
    query = TestPrintRevision.select(TestPrintRevision.test_print, fn.MAX(TestPrintRevision.revision))
    query = query.where(TestPrintRevision.test_print.in_(list(numbers))).group_by(TestPrintRevision.test_print)
    return dict(query.tuples().execute())


def known_revisions(codes: Iterable[str]) -> dict[str, list[int]]:
    """Returns the revision numbers of these test prints by code, oldest first. One query of a small table."""
    wanted = list(codes)
    found: dict[str, list[int]] = {}
    if not wanted:
        return found
    query = TestPrintRevision.select(TestPrintRevision.revision, TestPrint.code).join(TestPrint)
    for row in query.where(TestPrint.code.in_(wanted)).order_by(TestPrintRevision.revision):
        found.setdefault(row.test_print.code, []).append(row.revision)
    return found


def codes() -> list[str]:
    """Returns the codes, at most 500, for a hint at a misspelt code."""
    return [code for (code,) in TestPrint.select(TestPrint.code).order_by(TestPrint.code).limit(500).tuples().execute()]


def add_revision(one: TestPrint, values: Mapping[str, object], by: str, now: datetime) -> TestPrintRevision:
    """Stores the next revision of a test print. Its row is locked, so that numbers are assigned one at a time."""
    TestPrint.update(code=one.code).where(TestPrint.id == one.id).execute()
    last = newest_revisions([one.id]).get(one.id, 0)
    return TestPrintRevision.create(test_print=one, revision=last + 1, **values, recorded_by=by, recorded_at=now)


def revisions(one: TestPrint, cursor: str | None, limit: int) -> Page[TestPrintRevision]:
    """Returns a page of the revisions of a test print, oldest first. One query."""
    return page(
        TestPrintRevision.select().where(TestPrintRevision.test_print == one), TestPrintRevision.id, cursor, limit
    )
