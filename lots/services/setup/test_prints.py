"""Test prints: recipes for coupons, specimens, plaques and first layers, in immutable numbered revisions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import TypedDict

from lots.services import clock
from lots.services.errors import AlreadyThere, Fault, NotFound
from lots.services.views import View, recorded
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.setup import test_prints as store
from lots.store.tables.models import TestPrint, TestPrintRevision

# The separator between the code of a test print and its revision.
MARK = "/"
_FIELDS = ("nozzle_c", "bed_c", "layer_height_mm", "speed_mm_s", "cooling_percent", "orientation", "geometry", "note")


class NewTestPrint(TypedDict):
    """The request to add a test print."""

    code: str
    name: str


def add(values: NewTestPrint, by: str) -> View:
    """Adds a test print. Its first revision adds the recipe.

    Raises:
        AlreadyThere: the code is taken.
    """
    with transaction():
        taken = store.find_by_code(values["code"])
        if taken is not None:
            raise AlreadyThere(f"The code {values['code']} belongs to test print {taken.id}.", existing_id=taken.id)
        now = clock.now()
        row = store.add(values["code"], values["name"], by, now)
        audit.note(None, "test print added", by, now, {"test_print": [row.id]})
        return _view(row, None)


def listed(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of test prints, each with the number of its newest revision. Two queries."""
    page = store.listed(cursor, limit)
    newest = store.newest_revisions(row.id for row in page.rows)
    return page.map(lambda row: _view(row, newest.get(row.id)))


def get(number: int) -> View:
    """Returns a test print.

    Raises:
        NotFound: it does not exist.
    """
    row = _found(number)
    return _view(row, store.newest_revisions([row.id]).get(row.id))


def add_revision(number: int, values: Mapping[str, object], by: str) -> View:
    """Adds the next revision of a recipe.

    Raises:
        NotFound: the test print does not exist.
    """
    with transaction():
        row, now = _found(number), clock.now()
        made = store.add_revision(row, values, by, now)
        audit.note(None, "test print revised", by, now, {"test_print_revision": [made.id]})
        return _revision(row, made)


def revisions(number: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of the revisions of a test print, oldest first.

    Raises:
        NotFound: the test print does not exist.
    """
    row = _found(number)
    return store.revisions(row, cursor, limit).map(lambda made: _revision(row, made))


def named(wanted: Iterable[tuple[str, str]]) -> tuple[dict[str, str], list[Fault]]:
    """Returns the code and revision of each recipe by its typed text, and an error for each unknown one. One query, two with an error.

    Args:
        wanted: JSON pointer and text of each, such as COUPON/2. COUPON alone means its newest revision.
    """
    asked = [(pointer, text, *_parts(text)) for pointer, text in wanted]
    known = store.known_revisions({code for _, _, code, _ in asked})
    found: dict[str, str] = {}
    faults = []
    for pointer, text, code, revision in asked:
        numbers = known.get(code, [])
        if numbers and (revision is None or revision in numbers):
            found[text] = f"{code}{MARK}{revision or numbers[-1]}"
        else:
            faults.append(Fault(pointer, f"Test print {text} does not exist.", _hint(code, numbers)))
    return found, faults


def _parts(text: str) -> tuple[str, int | None]:
    """Returns the code and revision of a recipe. A revision that is not a number becomes 0, which does not exist."""
    code, mark, revision = text.partition(MARK)
    if not mark:
        return code.strip(), None
    return code.strip(), int(revision) if revision.strip().isdecimal() else 0


def _hint(code: str, numbers: list[int]) -> str:
    if numbers:
        return f"Use one of the revisions of {code}: {', '.join(map(str, numbers))}."
    every = store.codes()
    if code in every:
        return f"Ask quality to add a recipe to {code}, which has no revision yet."
    near = get_close_matches(code.upper()[:200], every, n=3, cutoff=0.6)
    return f"Did you mean {' or '.join(near)}?" if near else "Ask quality to add it, or leave this field empty."


def _found(number: int) -> TestPrint:
    row = store.find(number)
    if row is None:
        raise NotFound(f"Test print {number} does not exist. See the list of test prints.")
    return row


def _view(row: TestPrint, newest: int | None) -> View:
    return {"id": row.id, "code": row.code, "name": row.name, "newest_revision": newest, **recorded(row)}


def _revision(row: TestPrint, made: TestPrintRevision) -> View:
    said = {name: getattr(made, name) for name in _FIELDS}
    recipe = f"{row.code}{MARK}{made.revision}"
    return {"id": made.id, "test_print_id": row.id, "revision": made.revision, "test_print": recipe, **said} | recorded(
        made
    )
