import pytest

from lots.store.engine.paging import BadCursor, Page, page
from lots.store.tables.models import Supplier
from tests.store.rows import connected


def numbers(limit, cursor=None):
    """The ids of one page of suppliers, and its cursor."""
    found = page(Supplier.select(), Supplier.id, cursor, limit)
    return [row.id for row in found.rows], found.next


def test_pages_follow_each_other_without_gap_or_overlap(shop):
    """Each page starts after the last row of the page before."""
    made = [shop.supplier(f"S{n}")["id"] for n in range(5)]
    with connected():
        first, cursor = numbers(2)
        second, after = numbers(2, cursor)
        third, end = numbers(2, after)
    assert [made[:2], made[2:4], made[4:]] == [first, second, third]
    assert end is None


def test_a_cursor_survives_the_row_it_names(shop):
    """A cursor continues after a number, whether its row exists or not."""
    made = [shop.supplier(f"S{n}")["id"] for n in range(3)]
    with connected():
        _, cursor = numbers(1)
        Supplier.delete_by_id(made[0])
        assert made[1:] == numbers(5, cursor)[0]


@pytest.mark.parametrize(
    "cursor", ["", "x", "YWZ0ZXI6", "YWZ0ZXI6LTE", "YWZ0ZXI6MDE", "YmVmb3JlOjE", "\u0661", "YWZ0ZXI6MQ=="]
)
def test_a_cursor_of_somebody_else_is_refused(cursor):
    """Only a cursor of this program is accepted."""
    with pytest.raises(BadCursor):
        page(Supplier.select(), Supplier.id, cursor, 5)


def test_a_page_is_shown_row_by_row():
    """Rows of a page keep their order and the cursor when formatted."""
    assert Page([2, 4], "next") == Page([1, 2], "next").map(lambda row: 2 * row)
