"""Compiled queries: the same results as the query language, and None for missing rows of an outer join."""

import pytest

from lots.store.assessment import lots
from lots.store.production import shelf
from lots.store.tables.lots import FIGURES_SOURCES
from lots.store.tables.models import Grade, Lot, Spool
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


def attributes(fields, model):
    """Attribute names of these columns of a model; a foreign key gives its number."""
    return [
        field.object_id_name if hasattr(field, "rel_model") else field.name for field in fields if field.model is model
    ]


@pytest.mark.parametrize("limits", [SIMPLE_LIMITS, None], ids=["with limits", "without"])
def test_a_clearance_sees_the_row_that_everybody_sees(shop, limits):
    """A clearance reads each column as the models do, times, documents and booleans included, on first and repeated requests."""
    shop.receive(shop.supplier(), shop.grade(limits=limits), spools=2)
    with connected():
        for code in ("L1-S001", "L1-S002"):
            whole, seen = lots.spool(code), lots.spool_seen(code)
            for model, row, read in (
                (Spool, whole, seen),
                (Lot, whole.lot, seen.lot),
                (Grade, whole.lot.grade, seen.lot.grade),
            ):
                for name in attributes([*Spool._meta.sorted_fields, *lots.TO_CHECK], model):
                    stored = getattr(row, name)
                    # A spool check reads only the instruments from the figures.
                    expected = {"sources": stored["sources"]} if name == "figures" else stored
                    assert expected == getattr(read, name), name
            assert whole.delivery.came_at == seen.delivery.came_at
            for name, part in (("limits_revision", "body"), ("shade_revision", "conditions")):
                revision = getattr(whole.lot, name)
                assert (None if revision is None else getattr(revision, part)) == getattr(
                    getattr(seen.lot, name), part, None
                )


@pytest.mark.parametrize(
    ("kept", "sources"),
    [
        (
            {"measures": {}, "sources": {"color": ['S-1,"sources":{}']}, "failed": ["x"]},
            {"color": ['S-1,"sources":{}']},
        ),
        ({"measures": {"color.lot_delta_e": [1.0, 5, 0.1, None]}, "sources": {}}, {}),
        ({"sources": {"color": ["S-1"]}, "measures": {}}, {"color": ["S-1"]}),
        ({}, None),
    ],
)
def test_of_figures_the_sources_alone_are_read(kept, sources):
    """Only the sources of figures are read, whatever the instrument's name; an unassessed lot has none."""
    text = Lot.figures.db_value(kept)
    assert sources == FIGURES_SOURCES.python_value(text).get("sources")


def test_a_grade_that_many_rows_share_is_one_object(shop):
    """Spools of one grade share its object with documents parsed once; each spool and lot is its own object."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    numbers = [shop.good_lot(supplier, grade, name, spools=1)["lot_id"] for name in ("A", "B")]
    with connected():
        rows = shelf.lots_to_check(numbers)
        assert 2 == len({id(row) for row in rows})
        assert 1 == len({id(row.grade) for row in rows}) == len({id(row.limits_revision) for row in rows})


def test_what_is_not_there_is_none(shop):
    """An unknown code gives None, and a code is a value whatever it contains."""
    with connected():
        assert lots.spool_seen("X") is None
        assert lots.spool_seen("' OR '1'='1") is None
