"""Lists of jobs and machines, and the codes of an older shop that differ only in writing."""

from __future__ import annotations

from lots.services.setup import views
from lots.services.views import View
from lots.store.engine.paging import Page
from lots.store.setup import names, spool_codes
from lots.store.tables.loads import Job, Machine

# The most codes listed. Our choice, no source.
_MOST = 500


def jobs(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of jobs, in the order of their first loads."""
    return names.listed(Job, cursor, limit).map(views.job)


def newest_jobs(most: int) -> list[View]:
    """Returns the jobs whose first loads were recorded last, the newest first. One query."""
    return [views.job(row) for row in names.newest(Job, most)]


def machines(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of machines, in the order of their first loads."""
    return names.listed(Machine, cursor, limit).map(views.machine)


def codes_in_doubt() -> View:
    """Returns the spool codes and lot numbers of an older shop that are the same code in several spellings, at most 500 of each.

    Each is only found by its exact spelling. Four queries on indexes for a shop of any size.
    """
    spools = [
        {"code": row.code, "same_as": same, "lot_id": row.lot_id, "supplier_lot": row.lot.supplier_lot}
        for row, same in spool_codes.spools_in_doubt(_MOST)
    ]
    lots = [
        {
            "id": row.id,
            "supplier_lot": row.supplier_lot,
            "same_as": same,
            "supplier_code": row.supplier.code,
            "grade_code": row.grade.code,
        }
        for row, same in spool_codes.lots_in_doubt(_MOST)
    ]
    return {"spools": spools, "lots": lots}
