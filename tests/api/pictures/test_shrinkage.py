"""The picture of shrinkage of a lot and earlier lots."""

from lots.api.pictures.shrinkage import draw
from tests.api.pictures.seen import NASTY, Picture


def lot(name="Q-70", percent=0.3, **more):
    """A lot's figure along one axis."""
    found = {"supplier_lot": name, "percent": percent, "uncertainty": 0.01, "spools": 2, "read": "CAL-1", "this": False}
    return {**found, **more}


def drawn(*axes, **more):
    """The picture of these axes."""
    return Picture(draw({"supplier_lot": "Q-71", "axes": list(axes), "says": "It says.", **more}))


def axis(*lots, name="x", limit=(0.1, 0.5)):
    """One axis with these lots."""
    return {"axis": name, "limit_percent": list(limit) if limit else None, "lots": list(lots)}


def test_this_lot_is_filled_and_earlier_ones_are_open():
    """The present lot has a filled mark and earlier ones open marks of another size, each with n below."""
    seen = drawn(axis(lot(), lot("Q-71", 0.4, this=True)))
    assert (2, 2) == (len(seen.marks("circle", r="6")), len(seen.marks("circle", r="4", fill="#ffffff")))
    assert 2 == seen.words.count("n = 2")
    assert "Along X: 0.400 % from 2 spools" in seen.words


def test_each_axis_has_a_panel_with_its_own_limits():
    """X, Y and Z have separate panels with their own limits."""
    seen = drawn(axis(lot()), axis(lot(), name="y", limit=(0.2, 0.6)), axis(lot(), name="z", limit=None))
    assert {"limit 0.1", "limit 0.5", "limit 0.2", "limit 0.6", "no limit"} <= set(seen.words)
    assert 3 == seen.said.count("not measured on this lot")


def test_an_unknown_uncertainty_has_no_interval():
    """A known uncertainty has an interval and an unknown one none; the key has its own."""
    known, unknown = drawn(axis(lot())), drawn(axis(lot(uncertainty=None)))
    assert 3 == len(known.marks("line")) - len(unknown.marks("line"))


def test_lots_read_otherwise_are_set_apart():
    """A line and words mark a change of instrument or printer."""
    assert "new series" in drawn(axis(lot(), lot(read="CAL-2"))).words
    assert "new series" not in drawn(axis(lot(), lot())).words


def test_nothing_measured_is_said_in_words():
    """Axes without a lot have no panel."""
    seen = drawn(axis(), axis(name="y"))
    assert "has been measured either" in seen.said
    assert [] == seen.marks("circle")


def test_words_cannot_break_the_picture():
    """A long lot number is escaped as text and cut."""
    seen = drawn(axis(lot(NASTY)), supplier_lot=NASTY, says=NASTY)
    assert {NASTY.replace("\ufffe", "\ufffd"), '<b>&"x"\'…'} & set(seen.words)
