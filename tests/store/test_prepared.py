"""Queries compiled once: they find what the query language finds, and what an outer join does not find is None."""

import pytest

from lots.store import lots
from lots.store.models import Grade, Lot, Spool
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


def values(row, model, *, without=()):
    """What an object holds of a model's columns."""
    return {
        name: getattr(row, name)
        for name in sorted(
            field.object_id_name if hasattr(field, "rel_model") else field.name for field in model._meta.sorted_fields
        )
        if name not in without
    }


@pytest.mark.parametrize("limits", [SIMPLE_LIMITS, None], ids=["with limits", "without"])
def test_a_clearance_sees_the_row_that_everybody_sees(shop, limits):
    """Column by column as the models give them, moments, documents and truths included; first asked, and asked again."""
    shop.receive(shop.supplier(), shop.grade(limits=limits), spools=2)
    with connected():
        for code in ("L1-S001", "L1-S002"):
            whole, seen = lots.spool(code), lots.spool_seen(code)
            assert values(whole, Spool) == values(seen, Spool)
            assert values(whole.lot, Lot, without=("figures",)) == values(seen.lot, Lot, without=("figures",))
            assert values(whole.lot.grade, Grade) == values(seen.lot.grade, Grade)
            assert whole.delivery.received_at == seen.delivery.received_at
            for name, part in (("limits_revision", "body"), ("shade_revision", "conditions")):
                revision = getattr(whole.lot, name)
                assert (None if revision is None else getattr(revision, part)) == getattr(
                    getattr(seen.lot, name), part, None
                )


def test_what_is_not_there_is_none(shop):
    """No spool of this code; and a code is a value, whatever it says."""
    with connected():
        assert lots.spool_seen("X") is None
        assert lots.spool_seen("' OR '1'='1") is None
