"""When are two codes one? A code is read off a label and typed by hand, so it must not matter how it looks on a keyboard."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

# Capital letters of Greek, Cyrillic, Armenian, Coptic, Cherokee and Lisu that look like a Latin one. Small letters are made capital
# first, so each pair stands once. Source: Unicode Technical Standard 39, confusables.txt; the Cyrillic QA by its small letter there.
_LOOK_ALIKE = str.maketrans(
    "ͿΑΒΕΖΗΙΚΜΝΟΡΤΥΧϜϹϺЅІЈАВЕКМНОРСТУХѴҮӀԌԚԜՍՏՕⲎⲒⲔⲘⲚⲞⲢⲤⲦⲨⲬⳐᎠᎡᎢᎩᎪᎫᎬᎳᎷᎻᎽᏀᏃᏒᏔᏕᏙᏚᏞᏟᏢᏦᏳᏴꓐꓑꓓꓔꓖꓗꓙꓚꓜꓝꓟꓠꓡꓢꓣꓦꓧꓪꓫꓬꓮꓰꓲꓳꓴ",
    "JABEZHIKMNOPTYXFCMSIJABEKMHOPCTYXVYIGQWUSOHIKMNOPCTYXLDRTYAJEWMHYGZRWSVSLCPKGBBPDTGKJCZFMNLSRVHWXYAEIOU",
)
# Minus signs and a bullet like a hyphen that Unicode does not count among its dashes.
_MINUS = "\u2212\u02d7\ufe63\uff0d\u2043\u2796"
# Shown as nothing, though Unicode calls them letters, marks or symbols: fillers, a joiner, an empty braille cell.
_SHOWN_AS_NOTHING = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0")
# Read for one another on a label: the letter O and the digit 0; the letters I and l and the digit 1.
_ROUND, _UPRIGHT = str.maketrans("o", "0"), str.maketrans("il", "11")
_SEPARATORS = re.compile(r"([\W_]+)")
# A zero that begins a number is dropped or added easily; one inside is not.
_LEADING_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")
_ROUND_SLIP, _UPRIGHT_SLIP = "O and 0", "l, I and 1"
_SEPARATOR_SLIP, _ZERO_SLIP = "separators", "zeros that begin a number"
_SLIPS = (_SEPARATOR_SLIP, _ZERO_SLIP, _ROUND_SLIP, _UPRIGHT_SLIP)
_NOT_ZEROS = (_SEPARATOR_SLIP, _ROUND_SLIP, _UPRIGHT_SLIP)
# As much of an identity as is kept. Folding can lengthen a code: one character may stand for eighteen.
_MOST = 120
# As much of a text as is searched for.
_SEARCHED_BYTES = 24


# Categories Cc and Cs of Unicode.
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")


def has_control(text: str) -> bool:
    r"""Returns whether a text holds a control character or half of a surrogate pair. No code and no name that is recorded does.

    PostgreSQL takes no NUL, and neither engine takes half of a pair.

    Example:
        >>> has_control("A-1"), has_control("A\n1"), has_control("A\x001")
        (False, True, True)
    """
    return _CONTROL.search(text) is not None


def identity(code: str) -> str:
    """Returns what a code is, however it was typed: two codes with one identity are one.

    It does not matter whether letters are large or small, wide or narrow, of the Latin script or look just like it, which dash was
    typed, and whether blanks or invisible characters stand among them. Separators matter: HW-Q12-2 is not HW-Q1-22.

    Args:
        code: as typed.

    Reference:
        Unicode Standard Annex 15 (compatibility forms), Technical Standard 39 (confusables).

    Example:
        >>> identity("hw\u2013q12 -2") == identity("HW-Q12-2"), identity("HW-Q12-2") == identity("HW-Q1-22")
        (True, False)
    """
    # Compatibility forms make a sigma of the letter that looks like C, so look-alikes come first, and last those that were taken apart.
    text = code.upper().translate(_LOOK_ALIKE)
    # Made capital twice: some letters become capital only once they are taken apart.
    text = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).upper()).upper()
    kept = "".join("-" if _is_dash(one) else one for one in text if not _is_unseen(one))
    return unicodedata.normalize("NFKC", kept.translate(_LOOK_ALIKE)).casefold()[:_MOST]


def likeness(code: str) -> str:
    """Returns a key that all codes share which `alike` would ask about, and some more: what to look for in an index.

    It leaves out separators and zeros, and takes I and l for 1.

    Example:
        >>> likeness("J-1040"), likeness("j1o4O"), likeness("J-140")
        ('j14', 'j14', 'j14')
    """
    return _joined(code).replace("0", "") or "0"


def alike(one: str, other: str) -> bool:
    """Returns whether one code may be the other misread, which is worth a question.

    Beside what `identity` folds, it leaves out separators, takes O for 0, and I and l for 1; or it leaves out separators and
    zeros that begin a number.

    Example:
        >>> alike("HW-Q12-2", "HW-Q1-22"), alike("L-0071B", "l 71b"), alike("J-1040", "J-lO4O"), alike("J-1040", "J-140")
        (True, True, True, False)
    """
    return _joined(one) == _joined(other) or _without_leading_zeros(one) == _without_leading_zeros(other)


def search_keys(name: str) -> list[str]:
    """Returns what stands in a name from each of its places on, in hexadecimal: a name holds a text when one of its keys begins with the first of the text.

    Separators, the case of letters, O for 0 and I or l for 1 make no difference. A key holds 24 bytes, so that much of a text is looked for.

    Example:
        >>> search_keys("K-7a")
        ['6b3761', '3761', '61']
        >>> search_keys("OO7")[0] == search_keys("0-07")[0]
        True
    """
    text = _joined(name) if name.strip() else ""
    return [text[place:].encode()[:_SEARCHED_BYTES].hex() for place in range(len(text))]


def misreadings(one: str, other: str) -> tuple[str, ...]:
    """Returns the slips that two codes differ by, as few as explain the difference, in words; none where they have one identity.

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
    """What is left of a code once these slips of reading and typing make no difference."""
    folded = identity(code)
    text = folded.translate(_ROUND) if _ROUND_SLIP in slips else folded
    parts = _SEPARATORS.split(text)
    if _ZERO_SLIP in slips:
        parts = [_LEADING_ZEROS.sub("", part) for part in parts]
    text = "".join(parts[::2] if _SEPARATOR_SLIP in slips else parts)
    if _ZERO_SLIP in slips:
        # Again as one, since a zero may be left out beside a separator that is left out too.
        text = _LEADING_ZEROS.sub("", text)
    return (text.translate(_UPRIGHT) if _UPRIGHT_SLIP in slips else text) or folded


def unseen(code: str) -> list[str]:
    r"""Returns the invisible characters in a code, by name, in their order: nothing that a person could read off a label.

    Example:
        >>> unseen("HW\u200b-1")
        ['ZERO WIDTH SPACE']
    """
    return [unicodedata.name(one, f"U+{ord(one):04X}") for one in code if _is_unseen(one) and not one.isspace()]


@dataclass(frozen=True, slots=True)
class Misread:
    """A name that is new and may be a known one misread.

    Args:
        field: whose name it is, job or machine.
        typed: as typed.
        alike: the known names, at least one.
    """

    field: str
    typed: str
    alike: tuple[str, ...]

    @property
    def says(self) -> str:
        """The question to ask."""
        known = " or ".join(self.alike)
        return f"There is no {self.field} {self.typed} yet. Did you mean {known}? Confirm it if this is another {self.field}."


def _is_unseen(one: str) -> bool:
    return one.isspace() or unicodedata.category(one) in ("Cf", "Cc") or _is_filler(one)


def _is_filler(one: str) -> bool:
    variation = "\ufe00" <= one <= "\ufe0f" or "\U000e0100" <= one <= "\U000e01ef" or "\u180b" <= one <= "\u180f"
    return variation or one in _SHOWN_AS_NOTHING


def _is_dash(one: str) -> bool:
    return unicodedata.category(one) == "Pd" or one in _MINUS
