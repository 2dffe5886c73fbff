import pytest

from lots.services.files.color_exchange import is_exchange_text, read_exchange

FILE = """CGATS.17
ORIGINATOR "bench 2"
CREATED "2026-11-20T10:00:00Z"   # a comment
ILLUMINATION_NAME "D65"
OBSERVER_ANGLE "10"
MEASUREMENT_GEOMETRY "d/8"
SPECULAR "included"
KEYWORD "SHOP_NOTE"
SHOP_NOTE "harbour white"

NUMBER_OF_FIELDS 6
BEGIN_DATA_FORMAT
SAMPLE_ID SAMPLE_NAME
XYZ_Y LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
1 "HW 1" 87.6 95.01 -0.80 1.52
2 HW-2 87.5 94.98 -0.79 1.49
END_DATA
"""


def said(text):
    """The errors of a text, in words."""
    return " ".join(one.detail for one in read_exchange(text).faults)


def test_colours_are_read_by_name_with_the_sample_as_spool_code():
    """Colours are read by column name with the sample name as spool code, and rows are numbered by line."""
    table = read_exchange(FILE)
    assert [] == table.faults
    assert {"SAMPLE_NAME": "spool_code", "LAB_L": "L", "LAB_A": "a", "LAB_B": "b"} == table.meanings
    assert [(18, "HW 1"), (19, "HW-2")] == [(row.number, row.cells[1]) for row in table.rows]
    assert "2026-11-20T10:00:00Z" == table.measured_at


def test_conditions_are_read_from_the_header():
    """Illuminant, observer, geometry and specular component are read from the keywords."""
    assert {"illuminant": "D65", "observer_deg": "10", "geometry": "d/8", "specular": "included"} == read_exchange(
        FILE
    ).said


@pytest.mark.parametrize(
    ("line", "conditions"),
    [
        ('ILLUMINANT "D50"', {"illuminant": "D50"}),
        ('OBSERVER "CIE 1964"', {"observer_deg": "10"}),
        ('OBSERVER_ANGLE "2 degree"', {"observer_deg": "2"}),
        ('OBSERVER "CIE 1931 2 deg"', {"observer_deg": "2"}),
        ('OBSERVER "standard"', {"observer_deg": "standard"}),
        ('MEASUREMENT_GEOMETRY "de:8"', {"geometry": "de:8", "specular": "excluded"}),
        ('GEOMETRY "di:8"', {"geometry": "di:8", "specular": "included"}),
        ('SPECULAR "SPEX"', {"specular": "excluded"}),
        ('FILTER "UV-cut"', {"uv": "excluded"}),
        ('FILTER "D65"', {}),
        ('SAMPLE_BACKING "black"', {"backing": "black"}),
        ('MEASUREMENT_SOURCE "Illumination=D50 ObserverAngle=2"', {"illuminant": "D50", "observer_deg": "2"}),
    ],
)
def test_each_condition_is_read_in_several_forms(line, conditions):
    """Each condition is read in several forms."""
    assert conditions == read_exchange(f"CGATS.17\n{line}\n").said


def test_sample_id_is_the_spool_code_where_there_is_no_name():
    """SAMPLE_ID is the spool code where there is no SAMPLE_NAME."""
    table = read_exchange(FILE.replace("SAMPLE_ID SAMPLE_NAME", "SAMPLE_ID NOTE"))
    assert "spool_code" == table.meanings["SAMPLE_ID"]


def test_counts_that_do_not_hold_are_faults():
    """Counts that do not agree with the file are errors."""
    assert "NUMBER_OF_SETS is 3, but the number of lines after BEGIN_DATA is 2." in said(
        FILE.replace("SETS 2", "SETS 3")
    )
    assert "NUMBER_OF_FIELDS is 5, but BEGIN_DATA_FORMAT names 6." in said(FILE.replace("FIELDS 6", "FIELDS 5"))
    assert "This file has no END_DATA." in said(FILE.removesuffix("END_DATA\n"))


def test_a_line_of_another_length_is_a_fault_of_that_line():
    """A line of another length is an error of that line, such as a name with a space without quotes."""
    table = read_exchange(FILE.replace('"HW 1"', "HW 1"))
    assert [18] == [one.row for one in table.faults]
    assert "quotes" in table.faults[0].hint


def test_a_file_without_colours_or_names_says_what_is_missing():
    """A file without CIELAB or names states what is missing."""
    words = said(FILE.replace("LAB_A", "LAB_C").replace("SAMPLE_ID SAMPLE_NAME", "PATCH ROW"))
    assert "BEGIN_DATA_FORMAT has no field LAB_A" in words
    assert "BEGIN_DATA_FORMAT has no field SAMPLE_NAME" in words


def test_a_second_table_is_refused():
    """A second table is refused."""
    assert "A second table begins here." in said(FILE + FILE)


def test_a_quote_that_is_not_closed_is_a_fault_of_its_line():
    """An unclosed quote is an error of its line, and the rest is read."""
    table = read_exchange(FILE.replace('"bench 2"', '"bench 2'))
    assert [2] == [one.row for one in table.faults]
    assert 2 == len(table.rows)


def test_exchange_text_is_told_from_csv():
    """Exchange text is recognised by its first word or its markers."""
    assert is_exchange_text(FILE)
    assert is_exchange_text(FILE.replace("CGATS.17", "BENCH_EXPORT_1"))
    assert not is_exchange_text("spool_code,L,a,b\nCGATS,1,2,3\n")
