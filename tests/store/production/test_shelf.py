"""Queries of the shelf: bounded, in the requested order."""

from __future__ import annotations

from lots.services import clock
from lots.store.production import shelf
from lots.store.tables.models import Spool
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


def test_lots_that_come_first_are_read_however_many_are_older(shop):
    """With more lots than the bound, those of the job come first, then the oldest."""
    grade, supplier = shop.grade(limits=SIMPLE_LIMITS), shop.supplier()
    for number, day in ((1, 3), (2, 1), (3, 2), (4, 4)):
        shop.good_lot(supplier, grade, f"L-{number}", received_at=f"2026-10-{day:02}T08:00:00Z")
    with connected():
        read = {most: [lot.id for lot in shelf.lots_instead(grade["id"], None, [4], most)] for most in (1, 3, 200)}
        bare = [lot.id for lot in shelf.lots_instead(grade["id"], None, [])]
    assert {1: [4], 3: [4, 2, 3], 200: [4, 2, 3, 1]} == read
    assert [2, 3, 1, 4] == bare


def test_a_spool_that_never_came_is_not_in_stock(shop):
    """A lot whose last spool was withdrawn by a correction is neither offered, picked nor matched."""
    grade, supplier = shop.grade(limits=SIMPLE_LIMITS), shop.supplier()
    for number in (1, 2):
        shop.good_lot(supplier, grade, f"L-{number}", spools=1)
    with connected():
        Spool.update(withdrawn_at=clock.now()).where(Spool.lot == 1).execute()
        assert [2] == [lot.id for lot in shelf.lots_instead(grade["id"], None, [])]
        assert [2] == [lot.id for lot in shelf.lots_to_match(grade["id"])]
        assert [2] == [spool.lot_id for spool in shelf.spools_on_shelf(grade["id"])]
