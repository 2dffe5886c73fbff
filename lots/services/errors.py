"""Why a request cannot be carried out. No HTTP numbers here; `api/http/errors.py` has the one table of those."""

from __future__ import annotations

from dataclasses import dataclass

from lots.domain.words import counted

# The store's own troubles, named here so that the API need not know the store.
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

# Faults that an answer lists; whatever has more says how many. What helps to put one right is looked up for so many only.
MOST_LISTED = 100
_MOST_QUOTED = 60


def quoted(value: object) -> str:
    """Returns a value as a message may quote it: cut where it is long.

    Example:
        >>> quoted("9" * 70)
        '999999999999999999999999999999999999999999999999999999999999... (70 characters)'
    """
    text = str(value)
    return text if len(text) <= _MOST_QUOTED else f"{text[:_MOST_QUOTED]}... ({len(text):,} characters)"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a request: where (a JSON pointer), what, and what to do.

    The pointer names the field; the sentences use the words of its label. Where the sender may confirm what was questioned, `confirm` names
    the field that does so.
    """

    pointer: str
    detail: str
    hint: str = ""
    confirm: str = ""


class LotsError(Exception):
    """A request that cannot be carried out. Nothing was stored.

    Attributes:
        detail: what is wrong, in words.
        faults: the same, field by field, where fields are to blame.
        more: further members for the answer, such as the candidates to choose from.
    """

    slug = "failed"
    title = "Request failed"

    def __init__(self, detail: str, *, faults: tuple[Fault, ...] = (), **more: object) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = faults
        self.more = more


class NotFound(LotsError):
    """Something that does not exist."""

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
    """Something that lots already rest on."""

    slug = "settled"
    title = "In use already"


class SimilarLot(Conflict):
    """A lot number that differs from a known one only in spelling."""

    slug = "similar-lot"
    title = "Similar lot number"


class SimilarName(Conflict):
    """A new job or machine that may be a known one misread."""

    slug = "similar-name"
    title = "Similar name"


class UnusualCount(Conflict):
    """Far more spools than usual, most likely mistyped."""

    slug = "unusual-count"
    title = "Unusual number of spools"


class NotLegal(Conflict):
    """A decision that may not follow the one in force."""

    slug = "not-legal"
    title = "Decision not allowed"


class NotAuthor(LotsError):
    """Something that only its author may do, or quality."""

    slug = "not-author"
    title = "Not the author"


class TooLate(Conflict):
    """A request after its deadline."""

    slug = "too-late"
    title = "Too late"


class NotFlagged(Conflict):
    """A reading that the test does not find to be an outlier."""

    slug = "not-flagged"
    title = "Not an outlier"


class Stale(LotsError):
    """Somebody changed the thing since it was read."""

    slug = "stale"
    title = "Changed meanwhile"


class KeyReused(LotsError):
    """An Idempotency-Key that came with another request before."""

    slug = "key-reused"
    title = "Idempotency-Key reused"
