"""Errors of requests. The table in `api/http/errors.py` gives each an HTTP status."""

from __future__ import annotations

from dataclasses import dataclass

from lots.domain.words import counted

# Errors of the store, exported again because the API does not import the store.
from lots.store.engine.paging import BadCursor as BadCursor
from lots.store.engine.troubles import Clash as Clash
from lots.store.engine.troubles import Damaged as Damaged
from lots.store.engine.troubles import Full as Full
from lots.store.engine.troubles import Gone as Gone
from lots.store.engine.troubles import ReadOnly as ReadOnly
from lots.store.engine.troubles import Unanswered as Unanswered
from lots.store.engine.troubles import Unavailable as Unavailable
from lots.store.engine.troubles import Uncertain as Uncertain
from lots.store.engine.troubles import of_engine as of_engine

# The most faults that an answer lists; proposals are looked up for as many.
MOST_LISTED = 100
_MOST_QUOTED = 60


def quoted(value: object) -> str:
    """Returns a value for a message, shortened where it is long.

    Example:
        >>> quoted("9" * 70)
        '999999999999999999999999999999999999999999999999999999999999... (70 characters)'
    """
    text = str(value)
    return text if len(text) <= _MOST_QUOTED else f"{text[:_MOST_QUOTED]}... ({len(text):,} characters)"


@dataclass(frozen=True, slots=True)
class Fault:
    """An error in one field of a request: its JSON pointer, the problem and the remedy.

    The sentences use the field's label. `confirm` names the field with which the sender can confirm a questioned value,
    "" for none.
    """

    pointer: str
    detail: str
    hint: str = ""
    confirm: str = ""


class LotsError(Exception):
    """A request that cannot be carried out. Nothing was stored.

    Attributes:
        detail: the problem in words.
        faults: the problem field by field, where fields cause it.
        more: further members of the answer, such as candidates to choose from.
    """

    slug = "failed"
    title = "Request failed"

    def __init__(self, detail: str, *, faults: tuple[Fault, ...] = (), **more: object) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = faults
        self.more = more


class NotFound(LotsError):
    """A record that does not exist."""

    slug = "not-found"
    title = "Not found"


class Invalid(LotsError):
    """Fields with values that cannot be accepted."""

    slug = "invalid"
    title = "Invalid request"

    def __init__(self, *faults: Fault) -> None:
        detail = faults[0].detail if len(faults) == 1 else f"{counted(len(faults), 'error')} found. Correct each."
        super().__init__(detail, faults=faults)


class Conflict(LotsError):
    """A valid request that the present state does not allow."""

    slug = "conflict"
    title = "Conflict"


class AlreadyThere(Conflict):
    """A code or number that is taken."""

    slug = "already-there"
    title = "Already exists"


class Settled(Conflict):
    """A record that cannot be changed because lots depend on it."""

    slug = "settled"
    title = "Already in use"


class SimilarLot(Conflict):
    """A lot number that differs from a known one only in spelling."""

    slug = "similar-lot"
    title = "Similar lot number"


class SimilarName(Conflict):
    """A new job or machine whose name is similar to a known one."""

    slug = "similar-name"
    title = "Similar name"


class UnusualCount(Conflict):
    """A number of spools far above the usual, most likely a typing error."""

    slug = "unusual-count"
    title = "Unusual number of spools"


class NotLegal(Conflict):
    """A decision that is not allowed after the current decision."""

    slug = "not-legal"
    title = "Decision not allowed"


class NotAuthor(LotsError):
    """An action that only the author and quality may take."""

    slug = "not-author"
    title = "Not the author"


class TooLate(Conflict):
    """A request after its deadline."""

    slug = "too-late"
    title = "Too late"


class NotFlagged(Conflict):
    """A reading that the outlier test does not flag."""

    slug = "not-flagged"
    title = "Not an outlier"


class Stale(LotsError):
    """A record that was changed after the sender read it."""

    slug = "stale"
    title = "Changed meanwhile"


class KeyReused(LotsError):
    """An Idempotency-Key that was used for another request before."""

    slug = "key-reused"
    title = "Idempotency-Key reused"
