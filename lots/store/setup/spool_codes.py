"""Lookup of spools by code in any spelling, existing codes, and codes that can be confused."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from peewee import Expression, ModelSelect

from lots.domain.code_identity import alike, identity, likeness
from lots.store.tables.models import Grade, Lot, Spool, Supplier

# Both engines limit the values per statement.
_AT_ONCE = 10_000
# A longer list would not help to choose.
_MOST_SIMILAR = 5


def written(code: str) -> Expression:
    """Returns the condition for spools with this code or its identity. `chosen` selects one of them. Both columns have a unique index."""
    return (Spool.code == code) | (Spool.identity == identity(code))


def chosen(code: str, found: Iterable[Spool]) -> Spool | None:
    """Returns the spool with exactly this code, else the only one with its identity, else None.

    Several codes of an older shop may have one identity. Each is then found by its exact text only, because another spelling is
    ambiguous. One query for another spelling, otherwise none.

    Args:
        code: as typed.
        found: spools with this code or its identity.
    """
    rows = list(found)
    exact = next((row for row in rows if row.code == code), None)
    return exact if exact is not None or not rows or _shared([code]) else rows[0]


def _shared(codes: Iterable[str]) -> set[str]:
    """Returns the identities of these codes that several spools of an older shop share. One query per 10,000 codes."""
    folded = {likeness(code) for code in codes}
    return {identity(row.code) for row in _each(Spool.select(Spool.code).where(Spool.identity.is_null()), folded)}


def _each(query: ModelSelect[Spool], likenesses: set[str]) -> Iterator[Spool]:
    for part in _parts(likenesses):
        yield from query.where(Spool.likeness.in_(part))


def _parts(values: Iterable[str]) -> Iterator[list[str]]:
    wanted = sorted(values)
    return (wanted[start : start + _AT_ONCE] for start in range(0, len(wanted), _AT_ONCE))


def spool_number(code: str) -> int | None:
    """Returns the id of the spool with a code, or None. One query, one more for another spelling."""
    row = chosen(code, Spool.select(Spool.id, Spool.code).where(written(code)))
    return row.id if row else None


def spools_by_code(codes: Iterable[str]) -> dict[str, Spool]:
    """Returns spools with lot and grade by the requested codes.

    One query per 10,000 codes, and two more for other spellings.
    """
    wanted, query = set(codes), Spool.select(Spool, Lot, Grade).join(Lot).join(Grade)
    found = {row.code: row for part in _parts(wanted) for row in query.where(Spool.code.in_(part))}
    otherwise = {code: identity(code) for code in wanted - found.keys()}
    if otherwise:
        rows = [row for part in _parts(set(otherwise.values())) for row in query.where(Spool.identity.in_(part))]
        shared = _shared(otherwise) if rows else set()
        known = {row.identity: row for row in rows if row.identity not in shared}
        found |= {code: known[folded] for code, folded in otherwise.items() if folded in known}
    return found


def similar(code: str) -> list[str]:
    """Returns at most five spool codes that may be confused with this one, oldest first. One query on an index."""
    rows = Spool.select(Spool.code).where(Spool.likeness == likeness(code)).order_by(Spool.id)
    return [row.code for row in rows if alike(row.code, code)][:_MOST_SIMILAR]


def taken(codes: Sequence[str]) -> dict[str, str]:
    """Returns the existing spool code with the same identity, for each of these codes that has one. One query per 10,000 codes."""
    folded = {code: identity(code) for code in codes}
    # At least one of the spools that share an identity has it stored, so the others need no query.
    query = Spool.select(Spool.identity, Spool.code)
    known = {
        row.identity: row.code for part in _parts(set(folded.values())) for row in query.where(Spool.identity.in_(part))
    }
    return {code: known[one] for code, one in folded.items() if one in known}


def spools_in_doubt(most: int) -> list[tuple[Spool, list[str]]]:
    """Returns spools of an older shop that share their identity with another, by id, each with the other codes. Two queries on indexes."""
    query = Spool.select(Spool, Lot).join(Lot).where(Spool.identity.is_null()).order_by(Spool.id).limit(most)
    rows = list(query)
    sharing = Spool.select(Spool.id, Spool.code, Spool.likeness)
    others = [
        row for part in _parts({likeness(row.code) for row in rows}) for row in sharing.where(Spool.likeness.in_(part))
    ]
    return [
        (row, [o.code for o in others if o.id != row.id and identity(o.code) == identity(row.code)]) for row in rows
    ]


def lots_in_doubt(most: int) -> list[tuple[Lot, list[str]]]:
    """Returns lots of an older shop that share their identity within a supplier and grade, each with the other numbers. Two queries."""
    query = Lot.select(Lot, Supplier, Grade).join(Supplier).switch(Lot).join(Grade)
    rows = list(query.where(Lot.identity.is_null()).order_by(Lot.id).limit(most))
    sharing = Lot.select(Lot.id, Lot.supplier, Lot.grade, Lot.supplier_lot)
    folded = {identity(row.supplier_lot) for row in rows}
    others = [*rows, *(row for part in _parts(folded) for row in sharing.where(Lot.identity.in_(part)))]

    def same(one: Lot, other: Lot) -> bool:
        apart = (other.supplier_id, other.grade_id) != (one.supplier_id, one.grade_id) or other.id == one.id
        return not apart and identity(other.supplier_lot) == identity(one.supplier_lot)

    return [(row, [other.supplier_lot for other in others if same(row, other)]) for row in rows]
