"""Identity of a code in any typed form, tested against Unicode's own tables and by laws over any text."""

import csv
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from lots.domain.code_identity import Misread, alike, identity, likeness, unseen

REFERENCE = Path(__file__).parents[1] / "reference"
CONFUSABLES = list(csv.DictReader((REFERENCE / "confusables.csv").read_text(encoding="utf-8").splitlines()))
EVERY = [chr(point) for point in range(sys.maxunicode + 1) if not 0xD800 <= point <= 0xDFFF]
SEPARATORS = "-_./:#+,;()[]'*&=~"
# What people type into a field for a code, and what gets in by copying.
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
CODES = st.text("abijloABIJLO0179-_./ \u0430\u0412\u039f\uff11\u2013\u200b", max_size=12)


@pytest.mark.parametrize("row", CONFUSABLES, ids=lambda row: row["name"])
def test_a_letter_that_looks_like_a_latin_one_is_taken_for_it(row):
    """Each capital of these scripts that looks like A to Z counts as it, in either case (Unicode Technical Standard 39, confusables)."""
    letter = chr(int(row["code_point"], 16))
    assert identity(f"{row['looks_like']}-1") == identity(f"{letter}-1") == identity(f"{letter.lower()}-1")


def test_every_dash_is_one_dash():
    """Every character of Unicode's category Pd, the minus signs and the hyphen bullet count as one dash."""
    dashes = {one for one in EVERY if unicodedata.category(one) == "Pd"} | set("\u2212\u02d7\u207b\u208b\u2043\u2796")
    assert len(dashes) > 25
    assert {"a-1"} == {identity(f"A{dash}1") for dash in dashes}


def test_every_character_that_nobody_sees_makes_no_difference_and_is_named():
    """Every format character (Cf), variation selector and invisible letter or mark is ignored and named."""
    hidden = [one for one in EVERY if unicodedata.category(one) == "Cf"]
    hidden += [
        *map(chr, range(0xFE00, 0xFE10)),
        *map(chr, range(0xE0100, 0xE01F0)),
        *"\u034f\u115f\u1160\u2800\u3164\uffa0",
    ]
    assert {"ab"} == {identity(f"A{one}B") for one in hidden}
    assert [[unicodedata.name(one, f"U+{ord(one):04X}")] for one in hidden] == [unseen(f"A{one}B") for one in hidden]


def test_every_blank_makes_no_difference_and_is_allowed():
    """A blank is ignored in an identity and accepted in a code."""
    blanks = [one for one in EVERY if one.isspace() and unicodedata.category(one) == "Zs"]
    assert len(blanks) > 10
    assert {"ab"} == {identity(f"A{one}B") for one in blanks}
    assert [] == [one for one in blanks if unseen(f"A{one}B")]


def test_a_plain_code_shows_everything_it_holds():
    """Printable ASCII is never refused."""
    assert [] == unseen("".join(map(chr, range(0x20, 0x7F))))


@pytest.mark.parametrize("separator", SEPARATORS)
def test_no_separator_is_another_or_none(separator):
    """HW-Q12-2 differs from HW-Q1-22, HW.Q12.2 and HWQ122."""
    code = f"A{separator}1"
    assert {code} == {f"A{other}1" for other in ("", *SEPARATORS) if identity(f"A{other}1") == identity(code)}


@given(TEXT)
def test_an_identity_is_its_own_identity(code):
    """The identity of an identity is itself, and it fits its column."""
    assert identity(code) == identity(identity(code))
    assert len(identity(code)) <= 120


@given(TEXT)
def test_case_and_form_make_no_difference(code):
    """Upper and lower case, composed and decomposed, narrow and wide forms have one identity."""
    forms = {
        code,
        unicodedata.normalize("NFC", code),
        unicodedata.normalize("NFD", code),
        unicodedata.normalize("NFKC", code),
    }
    assert {identity(code)} == {identity(form) for form in forms}
    assert identity(code.upper()) == identity(identity(code).upper())


@given(st.text(st.sampled_from([chr(point) for point in range(0x21, 0x7F)]), max_size=20))
def test_of_plain_codes_only_case_is_folded(code):
    """Two codes of printable ASCII without blanks have one identity only if they differ in case alone."""
    assert code.lower() == identity(code)


@given(CODES)
def test_what_differs_by_separators_only_is_asked_about(code):
    """Codes that differ only by separators left out, added or moved are questioned, wherever the zeros are."""
    plain = "".join(one for one in code if one not in "-_./ ")
    assume(identity(plain))
    assert alike(code, plain)
    assert likeness(code) == likeness(plain)


@given(st.data(), CODES)
def test_whatever_is_alike_is_found_by_the_key(data, code):
    """A misread code that is questioned has the same key, so that an index finds it."""
    ways = (
        str.upper,
        lambda c: c.replace("0", "O"),
        lambda c: c.replace("1", "l"),
        lambda c: c.replace("-", ""),
        lambda c: f"0{c}",
    )
    other = data.draw(st.sampled_from(ways))(code)
    if alike(code, other):
        assert likeness(code) == likeness(other)


@pytest.mark.parametrize(
    ("code", "misread"),
    [
        ("J-1040", "J1040"),
        ("J-1040", "J 1040"),
        ("J-1040", "J_1040"),
        ("J-1040", "j-1O40"),
        ("J-1040", "J-01040"),
        ("J-1040", "J-l040"),
        ("J-1040", "J-I040"),
        ("HW-Q12-2", "HW-Q1-22"),
        ("24-007", "24007"),
        ("24-007", "24-7"),
        ("L-0071B", "L-071B"),
        ("L-0071B", "L71B"),
        ("-/-", "-/-"),
    ],
)
def test_what_may_be_misread_is_alike(code, misread):
    """Separators, O and 0, l, I and 1, and a leading zero of a number make codes alike."""
    assert alike(code, misread)
    assert likeness(code) == likeness(misread)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("J-1040", "J-1041"),
        ("J-1040", "J-140"),
        ("J-1004", "J-104"),
        ("J-1040", "K-1040"),
        ("J-100", "J-10"),
        ("P1", "P2"),
        ("P1", "P10"),
        ("P1", "P11"),
        ("L-0071B", "L-0071C"),
        ("L-0071B", "L-00711"),
        ("L1-S001", "L1-S010"),
        ("L1-S011", "L11-S001"),
        ("-/-", "/-/"),
    ],
)
def test_neighbours_are_never_questioned(one, other):
    """A digit or letter more, fewer or different makes another code without a question."""
    assert not alike(one, other)


@given(st.integers(1, 99_999), st.integers(1, 99_999))
def test_numbers_counted_up_are_never_questioned(one, other):
    """Consecutive numbers differ without a question, with and without leading zeros."""
    assume(one != other)
    for form in ("J-{}", "J-{:05}", "P{}", "{}"):
        assert not alike(form.format(one), form.format(other))


def test_the_question_names_what_was_typed_and_what_is_known():
    """The question names the typed and the known code, with the same words in a clearance and in the refusal of a load."""
    says = Misread("job", "J1040", ("J-1040",)).says
    assert "Job J1040 does not exist yet. Did you mean J-1040? Confirm it if this is a new job." == says
