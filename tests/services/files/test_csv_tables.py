import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.services.files.color_exchange import read_exchange
from lots.services.files.csv_tables import MOST_COLUMNS, MOST_FAULTS, MOST_ROWS, Table, fault, read_csv, strays, text_of
from lots.services.files.formula_guard import guarded, unguarded

CELL = st.text(alphabet=st.sampled_from("ab1,;\"\r\n\t =+-@'äß\u2028."), max_size=12)
ANY = st.text() | st.text(alphabet=st.sampled_from('a,;"\r\n \t#=1.'), max_size=80)


def at(table: Table):
    """Row and column of each error of a table."""
    return [(one.row, one.column) for one in table.faults]


def test_quotes_commas_and_line_breaks_belong_to_a_quoted_cell():
    """Quoted cells contain commas, line breaks and doubled quotes (RFC 4180)."""
    table = read_csv('a,b\r\n"1,2","say ""x""\r\nor y"\r\n3,4\r\n')
    assert [["1,2", 'say "x"\r\nor y'], ["3", "4"]] == [row.cells for row in table.rows]
    assert [(2, 2), (3, 4)] == [(row.number, row.line) for row in table.rows]
    assert [] == table.faults


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
def test_lines_may_end_in_any_of_the_three_ways(end):
    """The three line ends, with or without a last one, give the same rows."""
    whole = end.join(["a,b", "1,2", "3,"])
    for text in (whole, whole + end):
        assert [["1", "2"], ["3", ""]] == [row.cells for row in read_csv(text).rows]


def test_blank_rows_are_left_out_and_counted():
    """Blank rows are skipped, and rows keep the numbers of a spreadsheet."""
    table = read_csv("a,b\n\n1,2\n,\n3,4\n\n")
    assert [3, 5] == [row.number for row in table.rows]
    assert 2 == table.count


def test_a_row_of_another_length_is_a_fault_and_the_rest_is_read():
    """A row with too few or too many cells is an error with its counts, and the rest is read."""
    table = read_csv("a,b\n1\n1,2,3\n1,2\n")
    assert [(2, None), (3, None)] == at(table)
    assert "This row has 1 cell, but the header has 2." == table.faults[0].detail
    assert [4] == [row.number for row in table.rows]


def test_a_decimal_comma_that_splits_a_cell_is_guessed():
    """1,75 between commas makes an extra cell, with the probable cause in the hint."""
    assert "If numbers have a decimal comma, choose ; as the separator." in read_csv("a,b\n1,75,2\n").faults[0].hint


@pytest.mark.parametrize("broken", ['"open,2', '"shut"x,2', 'in"side,2', '1," open', ' "late",2'])
def test_broken_quotes_are_a_fault_of_their_row_and_the_next_line_is_read(broken):
    """An unclosed quote is an error of its row, and the next line is read."""
    table = read_csv(f"a,b\n{broken}\n3,4\n")
    assert 2 == table.faults[0].row
    assert [["3", "4"]] == [row.cells for row in table.rows]


def test_a_file_with_another_delimiter_is_recognised():
    """A header with a single column leads to a hint on the delimiter."""
    assert "Choose ; as the separator (command: --delimiter)." == read_csv("a;b\n1;2\n").faults[0].hint
    assert "Choose a comma as the separator (command: --delimiter)." in read_csv("a,b\n1,2\n", ";").faults[0].hint
    assert "TAB" in read_csv("a\tb\n1\t2\n").faults[0].detail


def test_an_empty_file_is_a_fault():
    """An empty file, or one of blank lines, is an error."""
    assert ["This file is empty."] == [one.detail for one in read_csv("").faults]
    assert ["This file is empty."] == [one.detail for one in read_csv("\r\n\r\n").faults]


def test_too_many_rows_are_refused_at_the_first_too_many():
    """The first row over the limit is refused and reading stops."""
    table = read_csv("a,b\n" + "1,2\n" * (MOST_ROWS + 5))
    assert [(MOST_ROWS + 2, None)] == at(table)
    assert MOST_ROWS == len(table.rows)
    assert [] == read_csv("a,b\n" + "1,2\n" * MOST_ROWS).faults


def test_too_many_columns_are_no_header():
    """A header of thousands of cells is refused."""
    assert [(1, None)] == at(read_csv("a," * MOST_COLUMNS + "b\n"))


@pytest.mark.parametrize("text", ['"' * 200_001, '""' * 100_000, '"a' * 100_000, '"\n' * 100_000, 'a"' * 100_000])
def test_no_text_is_slow_to_read(text):
    """A text with many broken quotes is read in linear time."""
    assert read_csv(text).columns or read_csv(text).faults


def test_a_byte_order_mark_is_no_part_of_the_first_column():
    """A byte order mark is removed from the first column."""
    assert ("a,b\n", []) == text_of(b"\xef\xbb\xbfa,b\n")


def test_another_encoding_is_named_or_stays_visible():
    """UTF-16 is refused, and bytes of an older encoding are errors of their cells."""
    assert "UTF-16" in text_of("a,b".encode("utf-16"))[1][0].detail
    text, faults = text_of("a,b\nM\xfcller,2\n".encode("latin-1"))
    assert [] == faults
    assert ["0xFC"] == strays(read_csv(text).rows[0].cells[0])


def test_a_fault_tells_the_line_where_it_is_not_the_row():
    """An error names its line where quoted line breaks make it differ from the row."""
    assert (7, "d1_mm", None) == ((one := fault("x", row=7, line=7, column="d1_mm")).row, one.column, one.line)
    assert ("row 7, column d1_mm", 9) == ((one := fault("x", row=7, line=9, column="d1_mm")).pointer, one.line)
    assert "uv" == fault("x", column="uv").pointer


@given(ANY, st.sampled_from(",;"))
def test_any_text_gives_rows_or_faults(text, delimiter):
    """Any text gives rows as wide as the header, or errors."""
    table = read_csv(text, delimiter)
    assert table.faults or table.columns
    assert {len(row.cells) for row in table.rows} <= {len(table.columns)}


@given(ANY | ANY.map(lambda text: f"CGATS.17\n{text}"))
def test_any_text_read_as_exchange_text_gives_rows_or_faults(text):
    """Any text read as exchange text gives rows or errors."""
    table = read_exchange(text)
    assert table.faults or table.columns
    assert {len(row.cells) for row in table.rows} <= {len(table.columns)}


@given(st.binary(max_size=200))
def test_any_bytes_give_a_text_or_a_fault(content):
    """Any bytes give a text or an error."""
    text, faults = text_of(content)
    assert faults or read_csv(text)


@given(st.lists(st.lists(CELL, min_size=2, max_size=2), max_size=6), st.sampled_from(",;"))
def test_what_a_csv_writer_writes_is_read_back(written, delimiter):
    """Rows of a CSV writer are read back cell by cell, except for blank ones."""
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator="\r\n", quoting=csv.QUOTE_ALL).writerows([["p", "q"], *written])
    table = read_csv(out.getvalue(), delimiter)
    assert [] == table.faults
    assert [cells for cells in written if any(cell.strip() for cell in cells)] == [row.cells for row in table.rows]


@given(st.text(alphabet=st.sampled_from("'=+-@\t\r\nab1"), max_size=8))
def test_a_guarded_text_comes_back_as_it_was(text):
    """Removing the apostrophe of the guard restores every text."""
    assert text == unguarded(guarded(text))
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r"))


def test_blank_lines_are_passed_over_and_counted():
    """After many blank lines rows keep their numbers and lines."""
    text = "\n" * 5 + "a,b\r\n" + " \t\n" * 3 + ",\r\r\n" + '"x\ny",2\n\n' + "3,4"
    table = read_csv(text)
    assert [(12, 12, ["x\ny", "2"]), (14, 15, ["3", "4"])] == [(row.number, row.line, row.cells) for row in table.rows]
    assert (2, []) == (table.count, table.faults)


def test_a_million_blank_lines_are_one_step():
    """A million blank lines are matched at once."""
    table = read_csv("a,b\n" + "\n" * 1_000_000 + "1,2")
    assert (1_000_002, ["1", "2"]) == (table.rows[0].number, table.rows[0].cells)


def test_a_row_of_endless_cells_is_at_fault_and_the_next_one_is_read():
    """Cells beyond the limit are not read; the row is an error, and the next one is read."""
    table = read_csv("a,b\n" + "1," * 100_000 + "1\n3,4\n")
    assert ["This row has more than 1000 cells, but the header has 2."] == [one.detail for one in table.faults]
    assert [(3, 3, ["3", "4"])] == [(row.number, row.line, row.cells) for row in table.rows]
    assert "more than 1000" in read_csv("a," * 100_000).faults[0].detail


def test_reading_stops_after_so_many_faults():
    """Reading stops after a number of errors."""
    table = read_csv("a,b\n" + '"x"y,2\n' * 20_000)
    assert MOST_FAULTS + 1 == len(table.faults)
    assert "Reading stopped after 10,000 errors." == table.faults[-1].detail
