"""The picture of the effect of drafted limits: words, changed rows first, and a small size."""

from __future__ import annotations

import html
import re

from lots.api.pictures import limits_effect

USES = ("cosmetic", "fit", "load_bearing", "flexing", "hidden")


def lot(name, now, then):
    """A lot with one verdict on every use now, and one then."""
    uses, would = (dict.fromkeys(USES, verdict) for verdict in (now, then))
    return {"supplier_lot": name, "uses": uses, "would_uses": would, "changed": now != then}


def words(picture):
    """The drawn lines of text."""
    return [html.unescape(text) for text in re.findall(r"<text[^>]*>([^<]*)</text>", picture)]


def test_what_changes_comes_first_and_every_verdict_is_a_word():
    """Changed rows come first, with lot, use, present and future verdict in words."""
    drawn = words(limits_effect.draw([lot("SAME", "pass", "pass"), lot("LOST", "pass", "fail")]))
    rows = drawn[drawn.index("would be") + 1 :]
    assert ["LOST", "cosmetic", "pass", "fail", "→"] == rows[:5]
    assert "2 lots checked: 1 would change, 1 would not." in drawn
    assert "load-bearing" in drawn


def test_the_description_says_what_is_drawn():
    """The description contains the drawn words."""
    said = re.search(
        r"<desc[^>]*>(.*?)</desc>", limits_effect.draw([lot("A", "near", "missing"), lot("B", "pass", "pass")])
    )[1]
    assert "Lot A, fit: undecided now, would be not measured." in said
    assert "Lot B, fit: pass, unchanged." in said


def test_many_lots_stay_light():
    """Of fifty lots with five uses only the rows that fit are drawn, with a count of the others."""
    picture = limits_effect.draw([lot(f"LOT-{n}", "pass", "fail") for n in range(50)])
    assert len(picture.encode()) < 60_000
    assert f"{250 - limits_effect.MOST_ROWS} rows more in the table." in " ".join(words(picture))


def test_odd_names_are_drawn_as_they_can_be():
    """A lot number with markup or characters outside XML is drawn safely."""
    assert "<&>" in words(limits_effect.draw([lot("<&>", "pass", "fail")]))
    assert "A\ufffdB" in words(limits_effect.draw([lot("A\uffffB", "pass", "fail")]))
