"""Every page, at the width of a telephone and of a screen on the wall: reachable for everybody, and sound."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import WIDTHS
from tests.browser.person import Person
from tests.plain_english import faults

# Who looks, and where; lots and spools are of the demo's year: 24 is blocked, 28 restricted, 31 in quarantine.
PAGES = (
    (None, "/sign-in"),
    ("admin", "/"),
    ("receiving", "/"),
    ("quality", "/"),
    ("purchasing", "/"),
    ("production", "/"),
    ("quality", "/search?q=q1"),
    ("purchasing", "/search?q=HW-Q12-Z"),
    ("purchasing", "/lots?standing=released&sort=number"),
    ("quality", "/lots/uses"),
    ("quality", "/deliveries"),
    ("production", "/check"),
    ("production", "/check?spool=HW-Q12-2&use=cosmetic&job=J-1045&machine=P6"),
    ("production", "/check?spool=HW-T05-1&use=cosmetic&job=J-1045&machine=P6"),
    ("production", "/check?spool=NOT-OURS&use=cosmetic"),
    ("production", "/loaded"),
    ("production", "/check?spool=HW-T04-2&use=cosmetic&job=J-1040&machine=P4"),
    ("production", "/respool?spool=HW-Q12-2"),
    ("production", "/picks"),
    ("production", "/picks?grade_id=1&use=cosmetic&mass_g=9000"),
    ("production", "/lots/29/matches"),
    ("production", "/jobs"),
    ("production", "/jobs/J-1040"),
    ("production", "/spools/HW-T05-1"),
    ("quality", "/containments"),
    ("quality", "/containments/1"),
    ("purchasing", "/spools/HW-Q12-2"),
    ("purchasing", "/spools/NOT-OURS"),
    ("production", "/lots/28"),
    ("purchasing", "/lots"),
    ("quality", "/lots/24"),
    ("production", "/lots/24/record"),
    ("receiving", "/lots/28/record"),
    ("receiving", "/nowhere"),
    (None, "/nowhere"),
    ("quality", "/quality"),
    ("quality", "/grades"),
    ("quality", "/grades/2"),
    ("quality", "/grades/new"),
    ("quality", "/grades/1/limits"),
    ("quality", "/grades/1/limits/1"),
    ("quality", "/setup/shades"),
    ("quality", "/setup/shades/1"),
    ("quality", "/setup/shades/1/revisions/new"),
    ("quality", "/setup/instruments"),
    ("quality", "/setup/instruments/1"),
    ("receiving", "/setup/test-prints"),
    ("quality", "/setup/test-prints/1"),
    ("purchasing", "/decision-risk?grade_id=1"),
    ("quality", "/lots/24/decide?action=block"),
    ("quality", "/lots/24/decide?action=lift"),
    ("quality", "/lots/24/reassess"),
    ("quality", "/lots/24/concession"),
    ("quality", "/lots/24/outliers"),
    ("quality", "/lots/24/substitutes"),
    ("quality", "/lots/24/reinspections"),
    ("quality", "/lots/24/drying"),
    ("quality", "/lots/24/corrective-actions"),
    ("quality", "/corrective-actions"),
    ("quality", "/readings/1/exclude"),
    ("quality", "/instruments/1/check"),
    ("quality", "/instruments/1/study"),
    ("quality", "/instruments/1/study?kind=agreement"),
    ("quality", "/setup/shades/1/copies"),
    ("quality", "/grades/1/visual-trials"),
    ("quality", "/grades/1/visual-trials/new"),
    ("production", "/tabs"),
    ("production", "/tabs?lot_id=30&layers=across&width_mm=10&thickness_mm=2&lever_mm=20&load_n=5"),
    ("purchasing", "/suppliers?grade_id=1"),
    ("purchasing", "/purchasing/stock"),
    ("purchasing", "/purchasing/stock?grade_id=1&use=cosmetic"),
    ("purchasing", "/purchasing/next-order?grade_id=1&use=cosmetic"),
    ("purchasing", "/suppliers/1/drift?grade_id=1"),
    ("quality", "/suppliers/1/baseline?grade_id=1"),
    ("quality", "/suppliers/1/inspection?grade_id=1"),
    ("purchasing", "/purchasing/week"),
    ("purchasing", "/purchasing/agreements?grade_id=1&supplier_id=1"),
    ("purchasing", "/purchasing/agreements/1?supplier_id=1"),
    ("purchasing", "/purchasing/certificates?supplier_id=1&grade_id=1"),
    ("receiving", "/deliveries/31/certificate"),
    ("purchasing", "/lots/24/report"),
    ("purchasing", "/lots/24/letter"),
    ("purchasing", "/purchasing/letters"),
    ("purchasing", "/lots/999"),
    ("purchasing", "/check"),
    ("receiving", "/receiving"),
    ("receiving", "/receiving/31"),
    ("receiving", "/receiving/31/labels"),
    ("quality", "/receiving/31/correct"),
    ("receiving", "/spools/HW-Q12-2"),
    ("receiving", "/spools/HW-Q12-2/label"),
    ("receiving", "/bench"),
    ("receiving", "/bench?spool=HW-Q12-2"),
    ("quality", "/bench?spool=HW-Q12-2&kind=shrinkage"),
    ("receiving", "/bench/file"),
    ("admin", "/setup"),
    ("production", "/setup"),
    ("admin", "/setup/people"),
    ("admin", "/setup/people/1"),
    ("admin", "/setup/shop"),
    ("quality", "/setup/suppliers"),
    ("quality", "/setup/suppliers/1"),
    (None, "/first/over"),
)

# All that can be reached with the Tab key, in the order it is reached: the document's own, since no page gives numbers.
_OUT_OF_ORDER = "[...document.querySelectorAll('[tabindex]')].filter(e => e.tabIndex > 0).length"
# Opens what is folded, and hides what is marked as code.
_ALL_WORDS = """document.querySelectorAll('details').forEach(e => e.open = true);
    document.querySelectorAll('code, pre').forEach(e => e.style.display = 'none')"""
_NAMELESS_TABLE_CELLS = """[...document.querySelectorAll('.cards tbody tr')].filter(
    row => [...row.children].slice(1).some(cell => !cell.dataset.name) && row.children.length > 2).length"""


@pytest.mark.parametrize(("role", "path"), PAGES, ids=lambda value: str(value).replace("/", "_"))
def test_page(role: str | None, path: str, person: Callable[..., Person]) -> None:
    """A page has one heading and no barrier, keeps the order of focus, never scrolls sideways, and speaks plain English."""
    somebody = person(WIDTHS[0], role=role)
    for width in WIDTHS:
        somebody.page.set_viewport_size({"width": width, "height": 800})
        if width == WIDTHS[0]:
            somebody.go(path)
        assert somebody.heading()
        assert somebody.fits(), somebody.page.url
        # Colours are the same at each width; which boxes scroll and what is hidden is not.
        assert [] == somebody.barriers(contrast=width == WIDTHS[0])
    assert 0 == somebody.page.evaluate(_OUT_OF_ORDER)
    assert 0 == somebody.page.evaluate(_NAMELESS_TABLE_CELLS), "a card's cell must say what it is"
    somebody.page.evaluate(_ALL_WORDS)
    assert [] == faults(somebody.page.inner_text("body"))


@pytest.mark.parametrize(
    ("path", "width"),
    [
        ("/suppliers?grade_id=3", 1280),
        ("/suppliers?grade_id=1&use=flexing", 1280),
        ("/suppliers?grade_id=1", 768),
        ("/purchasing/stock", 768),
        ("/suppliers/1/drift?grade_id=1", 768),
        ("/guide/administration", WIDTHS[0]),
    ],
)
def test_what_is_wider_than_the_page_scrolls_in_itself(path: str, width: int, person: Callable[..., Person]) -> None:
    """A table with many columns, and a long word of a guide, at the widths between: the page stays where it is."""
    buyer = person(width, role="purchasing")
    buyer.go(path)
    assert buyer.fits()


# What Tab reaches on the page that asks for a spool, from its top.
TOP = ("Skip to content", "Filament lots", "q", "Find", "Sign out")
MENU = {WIDTHS[0]: ("Menu",), WIDTHS[1]: ("Home", "Check", "Loaded", "Lots", "Set up")}
CHECK = ("spool", "use", "job", "machine", "mass_g", "Check")

_FOCUSED = """(() => { const e = document.activeElement, s = getComputedStyle(e);
    return [e.name || e.innerText.trim(), s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2, e.getBoundingClientRect().left >= 0]; })()"""


@pytest.mark.parametrize("width", WIDTHS)
def test_focus_order(width: int, person: Callable[..., Person]) -> None:
    """Tab follows the reading order, and the focus is always visible."""
    somebody = person(width, role="production")
    somebody.go("/check")
    somebody.page.evaluate("document.activeElement.blur(); document.body.tabIndex = -1; document.body.focus()")
    reached: list[Any] = []
    wanted = (*TOP, *MENU[width], *CHECK)
    for _ in wanted:
        somebody.page.keyboard.press("Tab")
        reached.append(somebody.page.evaluate(_FOCUSED))
    assert [[name, True, True] for name in wanted] == reached


def test_a_list_is_one_or_two_lines_a_row(person: Callable[..., Person]) -> None:
    """A row of a list is no higher than two lines on a screen, and than three on a phone."""
    somebody = person(1280, role="quality")
    for path in ("/lots", "/deliveries"):
        for width, lines in ((1280, 2), (390, 3)):
            somebody.page.set_viewport_size({"width": width, "height": 800})
            somebody.go(path)
            rows = somebody.page.locator(".list tbody tr")
            heights = rows.evaluate_all("all => all.map(e => e.getBoundingClientRect().height)")
            assert 30 < len(heights)
            # A line of 22 px, beside the space around it.
            assert max(heights) <= 22 * lines + 18, (path, width)
            assert somebody.fits()


def test_the_menu_of_a_phone_is_folded_and_opens_without_script(person: Callable[..., Person]) -> None:
    """On a phone the menu is folded and opens without script. The search box stays visible."""
    somebody = person(390, script=False, role="admin")
    somebody.go("/lots")
    header = somebody.page.locator("header")
    assert header.bounding_box()["height"] <= 120
    assert somebody.page.get_by_role("searchbox").is_visible()
    somebody.choose("Quality")
    assert somebody.page.url.endswith("/quality")
    assert somebody.fits()


@pytest.mark.parametrize("width", WIDTHS)
def test_first_field_has_the_focus(width: int, person: Callable[..., Person]) -> None:
    """The first field has the focus, ready for a scanner."""
    somebody = person(width, role="production")
    for path, name in (("/check", "spool"), ("/check?spool=NOT-OURS&use=fit", "spool")):
        somebody.go(path)
        assert name == somebody.page.evaluate("document.activeElement.name"), path


def test_targets_for_gloves(person: Callable[..., Person]) -> None:
    """Every button and field at a desk that wears gloves is at least 44 px high (WCAG 2.1, 2.5.5)."""
    somebody = person(WIDTHS[0], role="admin")
    for path in ("/receiving", "/bench?spool=HW-Q12-2", "/check", "/loaded", "/sign-in"):
        somebody.go(path)
        shown = somebody.page.locator("button, a.button, select, input:not([type=hidden], [type=checkbox]), .tasks a")
        heights = shown.evaluate_all("all => all.map(e => e.getBoundingClientRect().height).filter(h => h > 0)")
        assert heights
        assert 44 <= min(heights), path
