"""A picture for tests: parsed as XML, checked for the common rules, with its words and marks counted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree

SVG = "image/svg+xml"
_SPACE = "{http://www.w3.org/2000/svg}"
# A text that tries to get out of the place it is written in, with a character that XML has no place for.
NASTY = '<b>&"x"\'\ufffe]]>'


class Picture:
    """A picture that follows the common rules; constructing another one fails the test."""

    def __init__(self, text: str) -> None:
        self.root = ElementTree.fromstring(text)  # noqa: S314  # drawn by the code under test
        self.text = text
        wide, high = float(self.root.get("width", "")), float(self.root.get("height", ""))
        assert f"{_SPACE}svg" == self.root.tag
        assert [0.0, 0.0, wide, high] == [float(part) for part in self.root.get("viewBox", "").split()]
        assert "img" == self.root.get("role")
        told = [element for name in ("title", "desc") for element in self.root.findall(f"{_SPACE}{name}")]
        assert self.ids == [element.get("id") for element in told]
        assert 2 == len(set(self.ids))
        assert all((element.text or "").strip() for element in told)
        known = {
            _SPACE + tag for tag in ("svg", "title", "desc", "rect", "line", "polyline", "polygon", "circle", "text")
        }
        assert {element.tag for element in self.root.iter()} <= known
        for x, y in _places(self.root):
            assert -0.5 <= x <= wide + 0.5
            assert -0.5 <= y <= high + 0.5

    @property
    def ids(self) -> list[str]:
        """The ids of its title and description, which name it to a screen reader."""
        return self.root.get("aria-labelledby", "").split()

    @property
    def title(self) -> str:
        """Its title."""
        return self.root.findtext(f"{_SPACE}title", "")

    @property
    def description(self) -> str:
        """Its text alternative."""
        return self.root.findtext(f"{_SPACE}desc", "")

    @property
    def words(self) -> list[str]:
        """Its lines of text in drawing order."""
        return [element.text or "" for element in self.root.iter(f"{_SPACE}text")]

    @property
    def said(self) -> str:
        """All lines as one text."""
        return " ".join(self.words)

    def marks(self, tag: str, **wanted: str) -> list[ElementTree.Element]:
        """Elements of a kind with these attributes, written with underscores."""
        named = {name.replace("_", "-"): value for name, value in wanted.items()}
        found = self.root.iter(_SPACE + tag)
        return [one for one in found if all(one.get(name) == value for name, value in named.items())]


def _places(root: ElementTree.Element) -> Iterator[tuple[float, float]]:
    """Every drawn point."""
    for element in root.iter():
        for x, y in (("x", "y"), ("x1", "y1"), ("x2", "y2"), ("cx", "cy")):
            if element.get(x) is not None and element.tag != f"{_SPACE}svg":
                yield float(element.get(x, "")), float(element.get(y, ""))
        for pair in (element.get("points") or "").split():
            x, y = pair.split(",")
            yield float(x), float(y)


def picture(shop: Any, role: str, path: str) -> Picture:
    """The picture that a path returns on request."""
    headers = {"Authorization": f"Bearer {shop.tokens[role]}", "Accept": SVG}
    answer = shop.client.get(f"/v1{path}", headers=headers)
    assert (200, SVG) == (answer.status_code, answer.mimetype), answer.get_data(as_text=True)
    assert "Accept" in answer.headers["Vary"]
    return Picture(answer.get_data(as_text=True))
