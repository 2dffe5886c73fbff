"""Pictures for a column or a phone: stated width, readable letters and nothing outside."""

import pytest

from lots.api.pictures import bond, color_map, diameter, shrinkage
from lots.api.pictures.sheet import NARROW
from lots.services.setup.place import Place
from tests.api.pictures import test_bond, test_color_map, test_diameter, test_shrinkage

COMMA = NARROW.at(Place(decimal_sign="comma"))


def _axes():
    """Nine lots along two axes, one of them without a limit."""
    lots = [test_shrinkage.lot(f"HW-{n}", 0.1 * n) for n in range(9)]
    return test_shrinkage.axis(*lots), test_shrinkage.axis(*lots, name="y", limit=None)


# The examples of the tests of wide pictures, and the module of each.
EXAMPLES = {
    "bond": (bond, lambda: test_bond.drawn(*[test_bond.bar(code="HW-N11-5") for _ in range(10)])),
    "color": (color_map, test_color_map.drawn),
    "diameter": (diameter, lambda: test_diameter.drawn(*[test_diameter.spool(f"HW-N11-{n}") for n in range(6)])),
    "shrinkage": (shrinkage, lambda: test_shrinkage.drawn(*_axes())),
}


@pytest.fixture(params=EXAMPLES)
def narrow(request, monkeypatch):
    """An example drawn wide, and the same drawn narrow with a decimal comma."""
    module, example = EXAMPLES[request.param]
    tests = {"bond": test_bond, "color": test_color_map, "diameter": test_diameter, "shrinkage": test_shrinkage}
    wide = example()
    monkeypatch.setattr(tests[request.param], "draw", lambda answer: module.draw(answer, COMMA))
    return wide, example()


def test_a_narrow_picture_is_360_wide_with_letters_of_ten_pixels_at_least(narrow):
    """A narrow picture is 360 wide with letters of at least ten pixels, readable at 390 px without scrolling sideways."""
    _, seen = narrow
    assert "360" == seen.root.get("width")
    assert 10 <= min(float(text.get("font-size")) for text in seen.marks("text"))


def test_no_line_of_a_narrow_picture_leaves_it(narrow):
    """No line of text leaves the picture, by the estimated width of letters, with turned lines upwards."""
    for text in narrow[1].marks("text"):
        if text.get("transform"):
            continue
        wide = 0.54 * float(text.get("font-size")) * len(text.text or "")
        start = float(text.get("x")) - {"start": 0, "middle": 0.5, "end": 1}[text.get("text-anchor")] * wide
        assert start >= -2, text.text
        assert start + wide <= 364, text.text


def test_it_says_the_same_with_the_decimal_sign_of_the_site(narrow):
    """Description and title are those of the wide picture except for the decimal sign."""
    wide, seen = narrow
    assert Place(decimal_sign="comma").prose(wide.description) == seen.description
    assert wide.title == seen.title


def test_the_wide_picture_keeps_its_points():
    """The wide picture keeps the decimal points that the API promises."""
    seen = test_diameter.drawn(test_diameter.spool())
    assert "limit 1.8" in seen.words
