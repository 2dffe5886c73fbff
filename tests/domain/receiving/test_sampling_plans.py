"""Attributes sampling plans. Sources: MIL-STD-105E (10 May 1989), Tables I and II-A to II-C; scipy."""

from itertools import groupby, pairwise
from math import inf, nan, nextafter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom, hypergeom

from lots.domain.receiving.sampling_plans import (
    AQLS,
    LEVELS,
    SEVERITIES,
    TABLES,
    Plan,
    code_letter_for,
    look_up,
    plan_for,
)
from tests.domain.builders import reference_csv
from tests.tolerances import PRINTED_10

CLASSES = reference_csv("mil_std_105e_code_letters.csv")
CELLS = reference_csv("mil_std_105e_single_sampling.csv")
CASES = reference_csv("sampling_plan_cases.csv")
# The cells of one code letter in one table, as in one line of the printed page.
LINES = [list(cells) for _, cells in groupby(CELLS, key=lambda cell: (cell["inspection"], cell["code_letter"]))]
LETTERS = "ABCDEFGHJKLMNPQR"

# The last bits of two sums of binomial terms, which decide nothing about which of two plans is the stricter.
LAST_BITS = 1e-12


def case_id(row):
    """The name of a look-up."""
    return f"{row['lot_size']}-{row['level']}-{row['inspection']}-{row['aql']}"


def asked(row):
    """The plan for a row of the cases file."""
    return plan_for(int(row["lot_size"]), row["level"], float(row["aql"]), row["inspection"])


def as_printed(cell: str) -> str:
    """A cell of this project's table in the notation of the reference file."""
    arrows = {"v": "down", "^": "up"}
    return arrows.get(cell) or (cell if "/" in cell else f"{cell}/{int(cell) + 1}")


@pytest.mark.parametrize("row", CLASSES, ids=[f"{row['lot_min']}-{row['lot_max'] or 'more'}" for row in CLASSES])
def test_code_letters_are_those_of_table_i(row):
    """The smallest and the largest lot of a class have its letter at all seven levels (Table I)."""
    expected = [row[level] for level in LEVELS]
    for lot_size in (int(row["lot_min"]), int(row["lot_max"] or 10**9)):
        assert expected == [code_letter_for(lot_size, level) for level in LEVELS]


def test_a_lot_of_one_spool_counts_as_the_smallest_class():
    """One spool has the letters of 2 to 8, where Table I begins (this project's rule)."""
    assert [CLASSES[0][level] for level in LEVELS] == [code_letter_for(1, level) for level in LEVELS]


def test_the_reference_file_holds_every_cell():
    """Sixteen letters by 26 AQLs in three tables are 1,248 cells, and letter S has one more (Tables II-A to II-C)."""
    assert 3 * 16 * 26 + 1 == len(CELLS)
    assert 3 * 16 + 1 == len(LINES)


@pytest.mark.parametrize("line", LINES, ids=[f"{line[0]['inspection']}-{line[0]['code_letter']}" for line in LINES])
def test_every_cell_is_the_one_printed(line):
    """Each number or arrow is where the standard prints it (Tables II-A, II-B, II-C)."""
    _, cells = TABLES[line[0]["inspection"]][line[0]["code_letter"]]
    expected = {float(cell["aql"]): cell["printed"] for cell in line}
    assert expected == {aql: as_printed(cell) for aql, cell in zip(AQLS, cells, strict=True) if cell != "."}


@pytest.mark.parametrize("line", LINES, ids=[f"{line[0]['inspection']}-{line[0]['code_letter']}" for line in LINES])
def test_every_cell_leads_to_its_plan(line):
    """Each AQL of a letter leads, over its arrow, to the plan letter, size, Ac and Re (Tables II-A, II-B, II-C)."""
    expected = [(cell["plan_letter"], int(cell["n"]), int(cell["Ac"]), int(cell["Re"])) for cell in line]
    assert expected == [look_up(cell["code_letter"], float(cell["aql"]), cell["inspection"]) for cell in line]


def test_the_aqls_are_those_of_the_tables():
    """26 AQLs from 0.010 to 1000 (Table II-A)."""
    assert tuple(float(cell["aql"]) for cell in LINES[0]) == AQLS


@pytest.mark.parametrize("row", CASES, ids=case_id)
def test_a_lot_finds_its_plan(row):
    """Twenty look-ups give the plan of the lot; a sample at least as large as the lot is the whole lot (reference file)."""
    expected = Plan(
        row["code_letter"],
        row["plan_letter"],
        min(int(row["n"]), int(row["lot_size"])),
        int(row["Ac"]),
        int(row["Re"]),
        row["inspect_all"] == "1",
    )
    assert expected == asked(row)


@pytest.mark.parametrize("row", CASES, ids=case_id)
def test_a_plan_has_the_operating_characteristic_computed_for_it(row):
    """The probability of at most Ac of n is that of the reference file, at the AQL and its 95, 50 and 10 % points (scipy)."""
    plan, aql = asked(row), float(row["aql"])
    _, size, accept, _ = look_up(plan.code_letter, aql, row["inspection"])
    assert pytest.approx(float(row["Pa_at_AQL_binomial"]), abs=PRINTED_10) == binom.cdf(accept, size, aql / 100)
    for percent in (95, 50, 10):
        point = beta.ppf(1 - percent / 100, accept + 1, size - accept)
        assert pytest.approx(float(row[f"p_at_Pa{percent}"]), abs=PRINTED_10) == point


@pytest.mark.parametrize(("lot_size", "size", "whole"), [(1, 1, True), (2, 2, True), (3, 2, False), (8, 2, False)])
def test_a_sample_as_large_as_the_lot_is_the_whole_lot(lot_size, size, whole):
    """Letter A measures two spools, which is the whole lot of two or one, but not of three (note to Table II-A)."""
    plan = plan_for(lot_size, "II", 6.5)
    assert (size, whole, 0, 1) == (plan.size, plan.inspect_all, plan.accept, plan.reject)


@pytest.mark.parametrize("row", [row for row in CASES if row["lot_nonconforming_D"]], ids=case_id)
def test_a_plan_on_a_finite_lot_has_the_probability_computed_for_it(row):
    """With D nonconforming in the lot the acceptance probability is that of the reference file (scipy, hypergeometric)."""
    plan, lot_size, bad = asked(row), int(row["lot_size"]), int(row["lot_nonconforming_D"])
    found = hypergeom.cdf(plan.accept, lot_size, bad, plan.size)
    assert pytest.approx(float(row["Pa_hypergeometric_at_D"]), abs=PRINTED_10) == found


@pytest.mark.parametrize("aql", [1, 1.0, 0.65, 0.1 + 0.3, nextafter(6.5, 0), nextafter(10.0, inf)], ids=repr)
def test_an_aql_may_be_off_by_its_last_bit(aql):
    """1, 1.0 and a number off by rounding are one AQL, counts included."""
    nearest = min(AQLS, key=lambda listed: abs(listed - aql))
    assert plan_for(500, "II", nearest) == plan_for(500, "II", aql)


@pytest.mark.parametrize("aql", [0.0, -1.0, 2.0, 0.0101, 1001.0, nan, inf], ids=repr)
def test_an_aql_without_a_column_is_refused_with_those_there_are(aql):
    """An AQL between the columns is refused with the valid ones."""
    with pytest.raises(ValueError, match=r"aql must be one of 0.01, 0.015, .*, 0.65, 1, 1.5, .*, 650, 1000, got"):
        plan_for(24, "II", aql)


@pytest.mark.parametrize(
    ("lot_size", "level", "severity", "message"),
    [
        (0, "II", "normal", r"lot_size must be at least 1 spool, got 0"),
        (-5, "II", "normal", r"lot_size must be at least 1 spool, got -5"),
        (24, "IV", "normal", r"level must be one of S-1, S-2, S-3, S-4, I, II, III, got 'IV'"),
        (24, "ii", "normal", r"level must be one of .*, got 'ii'"),
        (24, "II", "discontinued", r"severity must be one of normal, tightened, reduced, got 'discontinued'"),
    ],
    ids=["no-spools", "fewer-than-none", "no-such-level", "small-letters", "no-table"],
)
def test_a_question_the_tables_cannot_answer_is_refused(lot_size, level, severity, message):
    """No spools, an unknown level or a severity without a table raises with the valid values."""
    with pytest.raises(ValueError, match=message):
        plan_for(lot_size, level, 1.0, severity)


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (
            plan_for(60, "II", 1.0),
            "Measure 13 spools (code letter E). Accept the lot with at most 0 nonconforming, reject it with 1 or more.",
        ),
        (
            plan_for(12, "II", 1.0),
            (
                "Measure all 12 spools (code letter B, plan of letter E by its arrow). "
                "Accept the lot with at most 0 nonconforming, reject it with 1 or more."
            ),
        ),
        (
            plan_for(1, "II", 6.5),
            (
                "Measure the only spool (code letter A). "
                "Accept the lot with at most 0 nonconforming, reject it with 1 or more."
            ),
        ),
        (
            plan_for(60, "II", 6.5, "reduced"),
            (
                "Measure 5 spools (code letter E). Accept the lot with at most 1 nonconforming, "
                "reject it with 3 or more. With 2 the lot is accepted and inspection returns to normal."
            ),
        ),
        (
            plan_for(3200, "II", 1.5, "reduced"),
            (
                "Measure 50 spools (code letter K). Accept the lot with at most 2 nonconforming, "
                "reject it with 5 or more. With 3 or 4 the lot is accepted and inspection returns to normal."
            ),
        ),
        (
            plan_for(50, "II", 100),
            (
                "Measure 8 spools (code letter D). Accept the lot with at most 14 nonconformities "
                "(a spool may have several), reject it with 15 or more."
            ),
        ),
    ],
    ids=["plain", "arrow-and-all", "one-spool", "gap-of-one", "gap-of-two", "beyond-percent"],
)
def test_a_plan_words_itself(plan, words):
    """The sentence names letter, arrow, spools, both numbers and the effect of a count between them (own wording)."""
    assert words == plan.says


@pytest.mark.parametrize("severity", SEVERITIES)
def test_accept_and_reject_numbers_leave_nothing_undecided(severity):
    """Only reduced inspection has counts between Ac and Re, and the two never overlap (Tables II-A, II-B, II-C)."""
    gaps = {reject - accept for _, _, accept, reject in (look_up(L, aql, severity) for L in LETTERS for aql in AQLS)}
    assert min(gaps) == 1
    assert (max(gaps) > 1) is (severity == "reduced")


@pytest.mark.parametrize("letter", LETTERS)
def test_tightened_is_never_easier_to_pass_than_normal(letter):
    """At every AQL and any fraction nonconforming, tightened accepts no more often than normal (all cells; scipy)."""
    fractions = np.linspace(0, 1, 201)
    for aql in AQLS:
        _, tight_size, tight_accept, _ = look_up(letter, aql, "tightened")
        _, size, accept, _ = look_up(letter, aql, "normal")
        tightened, normal = binom.cdf(tight_accept, tight_size, fractions), binom.cdf(accept, size, fractions)
        assert (tightened <= normal + LAST_BITS).all()
        if tight_size == size:
            assert tight_accept <= accept


@pytest.mark.parametrize("letter", LETTERS)
def test_reduced_never_asks_for_more_spools_than_normal(letter):
    """Reduced inspection measures no more spools than normal, and tightened no fewer (a law over all cells)."""
    for aql in AQLS:
        reduced, normal, tightened = (look_up(letter, aql, s)[1] for s in ("reduced", "normal", "tightened"))
        assert reduced <= normal <= tightened


@given(st.integers(1, 10**6), st.integers(0, 10**6), st.sampled_from(LEVELS))
def test_a_larger_lot_never_has_an_earlier_letter(lot_size, more, level):
    """At one level, letters only rise with the lot size (Table I)."""
    assert code_letter_for(lot_size, level) <= code_letter_for(lot_size + more, level)


@given(st.integers(1, 10**6))
def test_a_higher_level_never_has_an_earlier_letter(lot_size):
    """For one lot, letters rise from S-1 to S-4 and from S-4 over I and II to III (Table I)."""
    letters = [code_letter_for(lot_size, level) for level in LEVELS]
    special, general = letters[:4], letters[4:]
    assert all(one <= other for one, other in (*pairwise(special), *pairwise(general)))


@given(st.integers(1, 10**6), st.sampled_from(LEVELS), st.sampled_from(AQLS), st.sampled_from(SEVERITIES))
def test_every_question_has_a_plan_that_fits_its_lot(lot_size, level, aql, severity):
    """Every arrow ends in the table, and a plan that measures the whole lot says so."""
    plan = plan_for(lot_size, level, aql, severity)
    assert 1 <= plan.size <= lot_size
    assert plan.inspect_all is (plan.size == lot_size)
    assert 0 <= plan.accept < plan.reject
    assert f"{plan.reject} or more" in plan.says
