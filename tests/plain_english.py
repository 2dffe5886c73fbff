"""What a program can see of the English in a sentence for people: contractions, notation, raw names and codes, and length."""

from __future__ import annotations

import re

MOST_WORDS = 25

FAULTS = {
    "contraction": re.compile(r"\b\w+n't\b|\b(?:it|that|what|there|who|let)'s\b|\b\w+'(?:re|ll|ve)\b", re.IGNORECASE),
    "no space before the percent sign": re.compile(r"\d%(?![\da-f])", re.IGNORECASE),
    "a negative zero": re.compile(r"(?<![\w.,-])[-\u2212]0(?:[.,]0+)?(?![\w.,]*\d)"),
    "a code of a run rule": re.compile(r"\b(?:N[1-8]|WE[1-4])\b"),
    "a name of the API": re.compile(r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b"),
}
# A new line and a cell of a table begin another sentence, as does a list after a colon.
_ENDS = re.compile(r"(?<=[.?!:;])[\s)\"']+|[\n\t]+")


def sentences(text: str) -> list[str]:
    """Returns the sentences of a text."""
    return [part.strip() for part in _ENDS.split(text) if part.strip()]


def words(sentence: str) -> int:
    """Returns the number of words; a sign alone is none, and a list of numbers is read at a glance."""
    sentence = re.sub(r"(?:[\d.]+, ){3,}", "", sentence)
    return sum(any(letter.isalnum() for letter in word) for word in sentence.split())


def faults(text: str, *, without: tuple[str, ...] = ()) -> list[tuple[str, str]]:
    """Returns each fault of a text with its sentence.

    Args:
        without: names of faults that do not count here, such as names of the API where it is explained.
    """
    found = []
    for sentence in sentences(text):
        found += [
            (name, sentence) for name, is_seen in FAULTS.items() if name not in without and is_seen.search(sentence)
        ]
        if words(sentence) > MOST_WORDS and "length" not in without:
            found.append((f"{words(sentence)} words", sentence))
    return found
