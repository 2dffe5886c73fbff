from hypothesis import given
from hypothesis import strategies as st

from lots.services.files.delivery_rows import MOST_DELIVERIES, MOST_SPOOLS_IN_FILE, grouped

ITEMS = st.lists(
    st.fixed_dictionaries(
        {"supplier_lot": st.sampled_from(["Q-1", "Q-2", "Q-3"]), "net_mass_g": st.just(750.0)},
        optional={"order_ref": st.sampled_from(["PO 1", "PO 2"]), "spool_count": st.integers(1, 5)},
    ),
    max_size=20,
)


def places(items):
    """Rows below a header, one per line."""
    return [(row, row) for row, _ in enumerate(items, 2)]


@given(ITEMS, st.randoms())
def test_the_order_of_rows_does_not_matter(items, chance):
    """Rows of one delivery belong together in any order."""
    shuffled = list(items)
    chance.shuffle(shuffled)
    sizes = [
        sorted((group.said["supplier_lot"], len(group.spools)) for group in grouped(rows, places(rows), set())[0])
        for rows in (items, shuffled)
    ]
    assert sizes[0] == sizes[1]


@given(ITEMS)
def test_no_spool_is_lost_or_doubled(items):
    """Every spool of every row is in exactly one delivery, with its row."""
    groups, faults = grouped(items, places(items), set())
    assert [] == faults
    assert sum(item.get("spool_count", 1) for item in items) == sum(len(group.spools) for group in groups)
    for group in groups:
        assert len(group.spools) == len(group.origins)
        assert {group.said["supplier_lot"]} == {items[origin]["supplier_lot"] for origin in group.origins}


def test_a_row_with_a_fault_is_a_delivery_of_its_own():
    """An invalid row is a delivery of its own."""
    items = [{"supplier_lot": "Q-1", "net_mass_g": 750.0}] * 3
    assert [2, 1] == [len(group.spools) for group in grouped(items, places(items), {1})[0]]


def test_a_fault_of_a_spool_is_that_of_its_row():
    """An error of a spool belongs to its row, other errors to the first row of the delivery."""
    items = [{"supplier_lot": "Q-1", "spools": [{"code": code}]} for code in ("A", "B")]
    group = grouped(items, places(items), set())[0][0]
    assert (1, "spools/0/net_mass_g") == group.source_of("/spools/1/net_mass_g")
    assert (0, "supplier_id") == group.source_of("/supplier_id")


def test_a_code_stands_once_in_a_file_whatever_the_delivery():
    """A repeated code in a file is an error of the later row, with the earlier one."""
    items = [{"supplier_lot": lot, "spools": [{"code": "A"}]} for lot in ("Q-1", "Q-2")]
    faults = grouped(items, places(items), set())[1]
    assert [(3, "spool_code")] == [(one.row, one.column) for one in faults]
    assert "Row 2" in faults[0].detail


def test_more_deliveries_than_a_file_may_hold_are_refused():
    """The first delivery over the limit is named."""
    items = [{"supplier_lot": f"Q-{n}", "net_mass_g": 750.0} for n in range(MOST_DELIVERIES + 2)]
    groups, faults = grouped(items, places(items), set())
    assert MOST_DELIVERIES == len(groups)
    assert [MOST_DELIVERIES + 2] == [one.row for one in faults]


def test_a_file_holds_so_many_spools():
    """The row whose spool count exceeds the limit is named, and reading stops."""
    items = [{"supplier_lot": f"Q-{n}", "net_mass_g": 750.0, "spool_count": 1000} for n in range(12)]
    groups, faults = grouped(items, [(n + 2, n + 2) for n in range(12)], set())
    assert MOST_SPOOLS_IN_FILE == sum(len(group.spools) for group in groups)
    assert [(12, "A file may hold at most 10,000 spools.")] == [(one.row, one.detail) for one in faults]
