"""The picture of the next order: costs with intervals, suppliers without a cost named, and nothing outside in either width."""

import pytest

from lots.api.pictures.purchasing.order_cost import draw
from lots.api.pictures.sheet import NARROW, WIDE
from lots.services.setup.place import Place
from tests.api.pictures.seen import NASTY, Picture


def line(name, cost, low=None, high=None, currency="EUR"):
    """A supplier's row with the fields that the picture shows."""
    return {"supplier": name, "currency": currency, "expected_cost_per_usable_kg": cost, "low": low, "high": high}


def answer(*lines, says="Nobody costs less."):
    """The answer of GET /next-order for these suppliers."""
    return {"grade": "PLA-HW-175", "use": "load_bearing", "says": says, "suppliers": list(lines)}


@pytest.mark.parametrize("look", [WIDE, NARROW], ids=["wide", "narrow"])
def test_each_cost_is_drawn_with_its_interval(look):
    """A cost has a filled mark with a bar if its interval is known and an open one otherwise; suppliers without a cost are named below."""
    seen = Picture(draw(answer(line("Quillwort", 24.0, 21.5, 41.0), line("Ninebark", 25.5), line("Tansy", None)), look))
    assert "Next order: PLA-HW-175 for load-bearing" == seen.title
    assert {"24.00", "25.50", "Quillwort", "Ninebark", "Tansy: cost unknown"} <= set(seen.words)
    assert ["#1a1a1a", "#ffffff"] == [dot.get("fill") for dot in seen.marks("circle")]
    assert 2 == len(seen.marks("line", **{"stroke-width": "1.5"})) - 1


def test_an_interval_beyond_the_picture_has_an_arrow():
    """An interval beyond three times the largest cost ends at the edge with an arrow."""
    assert "→" in Picture(draw(answer(line("Quillwort", 20.0, 19.0, 300.0)))).words
    assert "→" not in Picture(draw(answer(line("Quillwort", 20.0, 19.0, 50.0)))).words


def test_each_currency_has_its_own_scale():
    """Each currency has its own scale."""
    seen = Picture(draw(answer(line("Quillwort", 20.0, 19.0, 21.0), line("Ninebark", 2000.0, 1900.0, 2100.0, "JPY"))))
    assert {"EUR per usable kg, with 95 % interval", "JPY per usable kg, with 95 % interval"} <= set(seen.words)


def test_names_are_escaped_and_numbers_are_the_sites():
    """Names are escaped and unchanged, and numbers have the site's decimal comma."""
    for look in (WIDE, NARROW):
        seen = Picture(draw(answer(line(NASTY, 24.5, 21.0, 30.0)), look.at(Place(decimal_sign="comma"))))
        assert NASTY.replace("\ufffe", "\ufffd") in seen.said
        assert "24,50" in seen.words


def test_without_a_cost_it_says_so():
    """Without a cost there is a text and no scale."""
    seen = Picture(draw(answer(says="No lot was received yet.")))
    assert "No lot was received yet." in seen.words
    assert [] == seen.marks("circle")
