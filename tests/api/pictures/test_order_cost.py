"""The next order, drawn: each supplier's cost with its interval, those without a cost named, nothing outside in either width."""

import pytest

from lots.api.pictures.purchasing.order_cost import draw
from lots.api.pictures.sheet import NARROW, WIDE
from lots.services.setup.place import Place
from tests.api.pictures.seen import NASTY, Picture


def line(name, cost, low=None, high=None, currency="EUR"):
    """What is said of a supplier, as far as the picture shows it."""
    return {"supplier": name, "currency": currency, "expected_cost_per_usable_kg": cost, "low": low, "high": high}


def answer(*lines, says="Nobody costs less."):
    """What GET /next-order answers of these suppliers."""
    return {"grade": "PLA-HW-175", "use": "load_bearing", "says": says, "suppliers": list(lines)}


@pytest.mark.parametrize("look", [WIDE, NARROW], ids=["wide", "narrow"])
def test_each_cost_is_drawn_with_its_interval(look):
    """A filled mark with a bar where the interval is known, an open one without; a supplier without a cost is named below."""
    seen = Picture(draw(answer(line("Quillwort", 24.0, 21.5, 41.0), line("Ninebark", 25.5), line("Tansy", None)), look))
    assert "Next order: PLA-HW-175 for load-bearing" == seen.title
    assert {"24.00", "25.50", "Quillwort", "Ninebark", "Tansy: cost unknown"} <= set(seen.words)
    assert ["#1a1a1a", "#ffffff"] == [dot.get("fill") for dot in seen.marks("circle")]
    assert 2 == len(seen.marks("line", **{"stroke-width": "1.5"})) - 1


def test_an_interval_beyond_the_picture_has_an_arrow():
    """More than three times the largest cost: the bar ends at the edge, and an arrow says that it goes on."""
    assert "→" in Picture(draw(answer(line("Quillwort", 20.0, 19.0, 300.0)))).words
    assert "→" not in Picture(draw(answer(line("Quillwort", 20.0, 19.0, 50.0)))).words


def test_each_currency_has_its_own_scale():
    """Money of one currency does not stand beside that of another."""
    seen = Picture(draw(answer(line("Quillwort", 20.0, 19.0, 21.0), line("Ninebark", 2000.0, 1900.0, 2100.0, "JPY"))))
    assert {"EUR per usable kg, with 95 % interval", "JPY per usable kg, with 95 % interval"} <= set(seen.words)


def test_names_are_escaped_and_numbers_are_the_sites():
    """Somebody's name for a thing stays as it is, with a decimal comma in the numbers."""
    for look in (WIDE, NARROW):
        seen = Picture(draw(answer(line(NASTY, 24.5, 21.0, 30.0)), look.at(Place(decimal_sign="comma"))))
        assert NASTY.replace("\ufffe", "\ufffd") in seen.said
        assert "24,50" in seen.words


def test_without_a_cost_it_says_so():
    """No scale is drawn where nothing can be told."""
    seen = Picture(draw(answer(says="No lot was received yet.")))
    assert "No lot was received yet." in seen.words
    assert [] == seen.marks("circle")
