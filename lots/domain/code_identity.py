"""Equality and similarity of codes that people read off a label and type."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

# Capital letters of Greek, Cyrillic, Armenian, Coptic, Cherokee and Lisu that look like a Latin one. Text is made upper case first, so
# small letters are not listed. Source: Unicode Technical Standard 39, confusables.txt; the Cyrillic QA by its small letter there.
_LOOK_ALIKE = str.maketrans(
    "ͿΑΒΕΖΗΙΚΜΝΟΡΤΥΧϜϹϺЅІЈАВЕКМНОРСТУХѴҮӀԌԚԜՍՏՕⲎⲒⲔⲘⲚⲞⲢⲤⲦⲨⲬⳐᎠᎡᎢᎩᎪᎫᎬᎳᎷᎻᎽᏀᏃᏒᏔᏕᏙᏚᏞᏟᏢᏦᏳᏴꓐꓑꓓꓔꓖꓗꓙꓚꓜꓝꓟꓠꓡꓢꓣꓦꓧꓪꓫꓬꓮꓰꓲꓳꓴ",
    "JABEZHIKMNOPTYXFCMSIJABEKMHOPCTYXVYIGQWUSOHIKMNOPCTYXLDRTYAJEWMHYGZRWSVSLCPKGBBPDTGKJCZFMNLSRVHWXYAEIOU",
)
# Minus signs and the hyphen bullet, which are not in Unicode's dash category.
_MINUS_SIGNS = "\u2212\u02d7\ufe63\uff0d\u2043\u2796"
# Invisible, although Unicode classes them as letters, marks or symbols: fillers, a joiner, an empty braille cell.
_INVISIBLE = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0")
# Confused on a label: the letter O and the digit 0; the letters I and l and the digit 1.
_O_AS_ZERO, _IL_AS_ONE = str.maketrans("o", "0"), str.maketrans("il", "11")
_SEPARATORS = re.compile(r"([\W_]+)")
# People easily drop or add a leading zero, but not a zero inside a number.
_LEADING_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")
_ROUND_SLIP, _UPRIGHT_SLIP = "O and 0", "l, I and 1"
_SEPARATOR_SLIP, _ZERO_SLIP = "separators", "zeros that begin a number"
_SLIPS = (_SEPARATOR_SLIP, _ZERO_SLIP, _ROUND_SLIP, _UPRIGHT_SLIP)
_NOT_ZEROS = (_SEPARATOR_SLIP, _ROUND_SLIP, _UPRIGHT_SLIP)
# Longest identity, in characters. Folding can lengthen a code: one character may become eighteen.
_MAX_LENGTH = 120
# Longest search text, in bytes.
_SEARCH_BYTES = 24


# Unicode categories Cc and Cs.
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")


def has_control(text: str) -> bool:
    r"""Returns whether a text holds a control character or half of a surrogate pair. Codes and names must hold neither.

    PostgreSQL rejects NUL, and both database engines reject half of a pair.

    Example:
        >>> has_control("A-1"), has_control("A\n1"), has_control("A\x001")
        (False, True, True)
    """
    return _CONTROL.search(text) is not None


def identity(code: str) -> str:
    """Returns the identity of a code. Two codes with the same identity are the same code.

    Case, width, look-alike letters of other scripts, the kind of dash, blanks and invisible characters make no difference. Separators
    do: HW-Q12-2 is not HW-Q1-22.

    Args:
        code: as typed.

    Reference:
        Unicode Standard Annex 15 (compatibility forms), Technical Standard 39 (confusables).

    Example:
        >>> identity("hw\u2013q12 -2") == identity("HW-Q12-2"), identity("HW-Q12-2") == identity("HW-Q1-22")
        (True, False)
    """
    # Compatibility forms turn the lunate sigma, which looks like C, into a sigma. So look-alikes are replaced before and after.
    text = code.upper().translate(_LOOK_ALIKE)
    # Upper-cased twice: some letters have a capital only after decomposition.
    text = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).upper()).upper()
    kept = "".join("-" if _is_dash(one) else one for one in text if not _is_invisible(one))
    return unicodedata.normalize("NFKC", kept.translate(_LOOK_ALIKE)).casefold()[:_MAX_LENGTH]


def likeness(code: str) -> str:
    """Returns an index key that all codes alike to this one share, and some others too.

    It omits separators and zeros, and reads I and l as 1.

    Example:
        >>> likeness("J-1040"), likeness("j1o4O"), likeness("J-140")
        ('j14', 'j14', 'j14')
    """
    return _joined(code).replace("0", "") or "0"


def alike(one: str, other: str) -> bool:
    """Returns whether one code may be the other misread, so that the user should be asked.

    Beyond `identity`, it ignores separators and reads O as 0, I and l as 1. Or it ignores separators and leading zeros.

    Example:
        >>> alike("HW-Q12-2", "HW-Q1-22"), alike("L-0071B", "l 71b"), alike("J-1040", "J-lO4O"), alike("J-1040", "J-140")
        (True, True, True, False)
    """
    return _joined(one) == _joined(other) or _without_leading_zeros(one) == _without_leading_zeros(other)


def search_keys(name: str) -> list[str]:
    """Returns the suffixes of a name in hexadecimal. A name contains a text when one of its keys begins with the first key of the text.

    Separators, case, O for 0 and I or l for 1 make no difference. A key holds at most 24 bytes.

    Example:
        >>> search_keys("K-7a")
        ['6b3761', '3761', '61']
        >>> search_keys("OO7")[0] == search_keys("0-07")[0]
        True
    """
    text = _joined(name) if name.strip() else ""
    return [text[place:].encode()[:_SEARCH_BYTES].hex() for place in range(len(text))]


def misreadings(one: str, other: str) -> tuple[str, ...]:
    """Returns the fewest misreadings that explain the difference of two codes, in words; an empty tuple where their identity is the same.

    Raises:
        ValueError: neither code may be the other misread.

    Example:
        >>> misreadings("L-OO71", "L-0071"), misreadings("L71", "L-0071")
        (('O and 0',), ('separators', 'zeros that begin a number'))
    """
    if not alike(one, other):
        raise ValueError(f"neither of {one!r} and {other!r} may be the other misread")
    if identity(one) == identity(other):
        return ()
    made: tuple[str, ...] = _NOT_ZEROS if _joined(one) == _joined(other) else _SLIPS
    for slip in _SLIPS:
        less = tuple(one_left for one_left in made if one_left != slip)
        if _misread(one, less) == _misread(other, less):
            made = less
    return made


def _joined(code: str) -> str:
    return _misread(code, _NOT_ZEROS)


def _without_leading_zeros(code: str) -> str:
    return _misread(code, _SLIPS)


def _misread(code: str, slips: tuple[str, ...]) -> str:
    """Returns a code reduced so that these misreadings make no difference."""
    folded = identity(code)
    text = folded.translate(_O_AS_ZERO) if _ROUND_SLIP in slips else folded
    parts = _SEPARATORS.split(text)
    if _ZERO_SLIP in slips:
        parts = [_LEADING_ZEROS.sub("", part) for part in parts]
    text = "".join(parts[::2] if _SEPARATOR_SLIP in slips else parts)
    if _ZERO_SLIP in slips:
        # Repeated on the joined text: a zero may be dropped together with the separator before it.
        text = _LEADING_ZEROS.sub("", text)
    return (text.translate(_IL_AS_ONE) if _UPRIGHT_SLIP in slips else text) or folded


def unseen(code: str) -> list[str]:
    r"""Returns the names of the invisible characters in a code, in their order.

    Example:
        >>> unseen("HW\u200b-1")
        ['ZERO WIDTH SPACE']
    """
    return [unicodedata.name(one, f"U+{ord(one):04X}") for one in code if _is_invisible(one) and not one.isspace()]


@dataclass(frozen=True, slots=True)
class Misread:
    """A new name that may be a known name misread.

    Args:
        field: job or machine.
        typed: as typed.
        alike: the known names, at least one.
    """

    field: str
    typed: str
    alike: tuple[str, ...]

    @property
    def says(self) -> str:
        """The question for the user."""
        known = " or ".join(self.alike)
        return f"{self.field.capitalize()} {self.typed} does not exist yet. Did you mean {known}? Confirm it if this is a new {self.field}."


def _is_invisible(one: str) -> bool:
    return one.isspace() or unicodedata.category(one) in ("Cf", "Cc") or _is_filler(one)


def _is_filler(one: str) -> bool:
    variation = "\ufe00" <= one <= "\ufe0f" or "\U000e0100" <= one <= "\U000e01ef" or "\u180b" <= one <= "\u180f"
    return variation or one in _INVISIBLE


def _is_dash(one: str) -> bool:
    return unicodedata.category(one) == "Pd" or one in _MINUS_SIGNS
