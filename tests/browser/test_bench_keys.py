"""The clerk's effort for a delivery of eight spools measured with a typing gauge, by mouse and by keyboard alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from tests.browser.conftest import Site
from tests.browser.person import Person

# What the owner of the shop asked for one delivery, from signed in until the lot is judged.
MOST_KEYS, MOST_CLICKS, MOST_LOADS = 300, 12, 10

# Kept over page loads. A click that a key made has no detail.
COUNT = """
for (const what of ['keydown', 'click'])
  addEventListener(what, event => {
    if (event.isTrusted && !event.repeat && (what === 'keydown' || event.detail > 0))
      sessionStorage.setItem(what, Number(sessionStorage.getItem(what)) + 1);
  }, true);
"""
# As the demo's white grade asks of the clerk's desk.
LIMITS = {
    "sampling": {"fixed": 5},
    "color": {
        "lot_max": 1.0,
        "spool_max": 1.1,
        "spread_max": 0.35,
        "components_max": {"L": 0.8, "a": 0.4, "b": 1.0},
        "readings_per_spool_min": 3,
    },
    "diameter": {
        "mean_tolerance_mm": 0.03,
        "reading_tolerance_mm": 0.05,
        "ovality_max_mm": 0.05,
        "readings_per_spool_min": 5,
    },
}


@pytest.fixture(scope="module")
def grade(site: Site) -> str:
    """The code of a white grade whose lots are assessed by the clerk's readings."""
    white = next(one for one in site.ask("admin", "GET", "/grades")["items"] if one["code"] == "PLA-HW-175")
    kept = ("polymer", "color_name", "finish", "filler", "nominal_diameter_mm", "density_g_cm3", "shade_id")
    made = site.ask("admin", "POST", "/grades", {"code": "ZW-175", **{name: white[name] for name in kept}})
    site.ask("admin", "POST", f"/grades/{made['id']}/limits", LIMITS)
    return "ZW-175"


@dataclass
class Hands:
    """A clerk with a typing gauge. Keys of the gauge are counted separately."""

    person: Person
    gauge_keys: int = 0
    loads: int = 0
    sent: int = 0

    def __post_init__(self) -> None:
        self.person.context.add_init_script(COUNT)
        self.person.page.on("request", self._asked)

    def _asked(self, request: Any) -> None:
        if request.is_navigation_request():
            # A form that leads elsewhere is one page for the person who waits for it.
            self.loads += request.redirected_from is None
        elif request.resource_type == "fetch" and request.method == "POST":
            self.sent += 1

    def key(self, *keys: str) -> None:
        """Presses keys."""
        for one in keys:
            self.person.page.keyboard.press(one)

    def type(self, text: str) -> None:
        """Types a text."""
        self.person.page.keyboard.type(text)

    def gauge(self, *values: str, end: str = "Enter") -> None:
        """Presses the button of the gauge, which types each value and presses Enter."""
        for value in values:
            self.type(value)
            self.key(end)
            self.gauge_keys += len(value) + 1

    def tab_to(self, name: str) -> None:
        """Presses Tab until a field or a link is reached."""
        for _ in range(60):
            here = self.person.page.evaluate("document.activeElement.name || document.activeElement.textContent.trim()")
            if here == name:
                return
            self.key("Tab")
        raise AssertionError(f"no {name} within 60 presses of Tab")

    def counted(self) -> dict[str, int]:
        """The effort: keys of the clerk and of the gauge, clicks, page loads, and forms sent within a page."""
        keys, clicks = self.person.page.evaluate(
            "['keydown', 'click'].map(what => Number(sessionStorage.getItem(what)))"
        )
        found = {"keys": keys - self.gauge_keys, "gauge": self.gauge_keys, "clicks": clicks}
        return {**found, "loads": self.loads, "sent": self.sent}


def diameters() -> Iterator[str]:
    """Values of a steady filament, each different from the last."""
    for number in range(1000):
        yield f"{1.742 + (7 * number % 17) / 1000:.3f}"


def colors(lab: list[float]) -> Iterator[str]:
    """Values close to a reference."""
    for number in range(1000):
        for place, value in enumerate(lab):
            yield f"{value + (5 * number % 9 - 4) / 100 + place / 100:.2f}"


@pytest.mark.parametrize("mouse", [True, False], ids=["mouse at 1280", "keyboard at 390"])
def test_a_delivery_takes_few_keys_clicks_and_pages(
    mouse: bool, person: Callable[..., Person], site: Site, grade: str, record_property: Callable[[str, object], None]
) -> None:
    """Eight spools, five of them drawn, with five diameters at two axes and three colours each, until the lot is released."""
    shade = next(one for one in site.ask("admin", "GET", "/grades")["items"] if one["code"] == grade)["shade_id"]
    lab = site.ask("admin", "GET", f"/shades/{shade}/revisions")["items"][-1]["lab"]
    clerk = person(1280 if mouse else 390, role="receiving")
    hands, page = Hands(clerk), clerk.page
    clerk.go("/")
    hands.loads = 0
    lot = "OSPREY" if mouse else "MERLIN-22"

    with page.expect_navigation():
        if mouse:
            page.get_by_role("link", name="Log a delivery").first.click()
        else:
            hands.tab_to("Log a delivery")
            hands.key("Enter")
    hands.tab_to("supplier_id")
    hands.type("Q")
    hands.tab_to("supplier_lot")
    hands.type(lot)
    hands.tab_to("grade_id")
    hands.type("ZW")
    hands.tab_to("spool_count")
    hands.type("8")
    hands.tab_to("net_mass_g")
    hands.type("1000")
    with page.expect_navigation():
        hands.key("Enter")
    assert lot in clerk.heading()
    with page.expect_navigation():
        if mouse:
            page.get_by_role("link", name="Measure", exact=True).last.click()
        else:
            hands.tab_to("Labels of the whole lot")
            # The next link behind it is the first drawn spool.
            hands.key("Tab", "Enter")

    first, spools = page.locator("form[data-bench]").get_attribute("data-spool"), []
    for kind, values, count in (("diameter", diameters(), 10), ("color", colors(lab), 9)):
        for _ in range(5):
            form = page.locator(f"form[data-bench]:has([name=kind][value={kind}])")
            form.wait_for()
            spools.append((kind, form.get_attribute("data-spool")))
            hands.gauge(*(next(values) for _ in range(count)))
            assert clerk.fits()
            with page.expect_navigation():
                if mouse:
                    page.get_by_role("button", name="Store").click()
                else:
                    hands.key("Control+Enter")
    assert "released" in page.locator(".verdict .word").inner_text()
    assert 10 == len(set(spools))
    assert spools[0][1] == first
    found = hands.counted()
    record_property("hands", found)
    assert found["keys"] <= MOST_KEYS
    assert found["clicks"] <= MOST_CLICKS
    assert found["loads"] <= MOST_LOADS


def bench(clerk: Person, site: Site, grade: str, lot: str) -> tuple[Any, str]:
    """The first drawn spool of a new lot at the bench."""
    numbers = {one["code"]: one["id"] for one in site.ask("admin", "GET", "/grades")["items"]}
    supplier = site.ask("admin", "GET", "/suppliers")["items"][0]["id"]
    body = {"supplier_id": supplier, "grade_id": numbers[grade], "supplier_lot": lot, "spool_count": 8}
    made = site.ask("admin", "POST", "/deliveries", {**body, "net_mass_g": 1000, "received_at": "2026-11-20T08:00:00Z"})
    spool = made["sample"]["spool_codes"][0]
    clerk.go(f"/bench?spool={spool}")
    return clerk.page, spool


def focused(page: Any) -> str:
    """The name of the field with the focus."""
    return str(page.evaluate("document.activeElement.name"))


def test_enter_never_stores(person: Callable[..., Person], site: Site, grade: str) -> None:
    """It goes from value to value and from row to row, writes another row when they run out, and stays where a value is missing."""
    clerk = person(390, role="receiving")
    page, _ = bench(clerk, site, grade, "CURLEW-A")
    hands = Hands(clerk)
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.method))
    assert "d1_mm-0" == focused(page)
    hands.key("Enter", "Enter")
    assert "d1_mm-0" == focused(page)
    hands.gauge("1.748", "1.752")
    assert "d1_mm-1" == focused(page)
    # Whoever fills in a further column of a row is led through it in the next one.
    hands.gauge("1.749", "1.751")
    page.locator("[name=position_m-1]").fill("3")
    page.locator("[name=d2_mm-2]").fill("")
    page.locator("[name=d1_mm-2]").focus()
    hands.gauge("1.75", "1.751", "6")
    assert "6" == page.locator("[name=position_m-2]").input_value()
    hands.gauge("1.75", "1.751", "9", "1.75", "1.752", "12")
    assert "d1_mm-5" == focused(page)
    assert "Position 6" == page.locator("fieldset[data-row='5'] legend").inner_text()
    assert "5 of 5 required readings are entered" in page.locator("[data-said]").inner_text()
    hands.gauge("1.749", "1.753", "15")
    assert [] == sent
    assert clerk.fits()
    assert [] == clerk.barriers()
    hands.key("Control+Enter")
    page.get_by_role("heading", name="6 readings stored").wait_for()
    assert ["POST"] == [method for method in sent if method == "POST"]
    assert "d1_mm-0" == focused(page)


def test_a_value_is_drawn_against_its_limit_as_it_is_typed(
    person: Callable[..., Person], site: Site, grade: str
) -> None:
    """A typed value is drawn against its limit and described as after a check by the server. Nothing is stored."""
    clerk = person(1280, role="receiving")
    page, spool = bench(clerk, site, grade, "GODWIT-B")
    hands = Hands(clerk)
    hands.gauge("1.812", "1.75", "1.748", "1.8")

    def drawn() -> list[tuple[str, str]]:
        every = "all => all.filter(e => !e.hidden).map(e => [e.dataset.of, e.innerText.trim(), e.querySelector('.value').getAttribute('x')])"
        return [(of, text, round(float(x))) for of, text, x in page.locator(".lies").evaluate_all(every)]

    typed = drawn()
    words = {of: text for of, text, _ in typed}
    assert ("outside by 0.012 mm", "inside") == (words["d1_mm-0"], words["d2_mm-0"])
    assert "inside, at the limit" == words["d2_mm-1"]
    assert "Ovality 0.062 mm: outside by 0.012 mm" in words.values()
    page.get_by_role("button", name="Check").click()
    page.get_by_role("heading", name="Nothing is stored yet").wait_for()
    assert typed == drawn()
    assert [] == clerk.barriers()
    assert "Diameter of" in page.inner_text("main")
    lot = next(one for one in site.ask("admin", "GET", "/lots?supplier_lot=GODWIT-B")["items"])
    assert [] == site.ask("admin", "GET", f"/lots/{lot['id']}/readings")["items"]
    assert spool in clerk.heading()


def test_a_label_scanned_in_a_field_for_values_leads_to_its_spool(
    person: Callable[..., Person], site: Site, grade: str
) -> None:
    """A label scanned in an empty field for values opens its spool. With typed readings the page asks to store them first."""
    clerk = person(1280, role="receiving")
    page, spool = bench(clerk, site, grade, "PLOVER-C")
    hands = Hands(clerk)
    hands.gauge(f"{site.base}/spools/{spool}")
    assert f"This is spool {spool}." == page.locator("[data-said]").inner_text()
    assert "" == page.locator("[name=d1_mm-0]").input_value()
    with page.expect_navigation():
        hands.gauge(f"{site.base}/spools/HW-Q12-2")
    assert "Measure spool HW-Q12-2" == clerk.heading()
    hands.gauge("1.75", spool)
    assert f"Spool {spool} was scanned." in page.locator("[data-said]").inner_text()
    assert ("1.75", spool) == (page.locator("[name=d1_mm-0]").input_value(), page.locator("#spool").input_value())


def test_one_click_undoes_a_reading_and_leaves_the_others(
    person: Callable[..., Person], site: Site, grade: str
) -> None:
    """Its spool is asked for again, with the focus in the first field."""
    clerk = person(390, role="receiving")
    page, spool = bench(clerk, site, grade, "DOTTEREL-D")
    hands = Hands(clerk)
    hands.gauge("1.748", "1.752", "1.749", "1.753")
    hands.key("Control+Enter")
    page.get_by_role("heading", name="2 readings stored").wait_for()
    with page.expect_navigation():
        page.get_by_role("button", name="Void reading").first.click()
    page.get_by_role("heading", name="1 reading stored").wait_for()
    assert "is voided" in page.inner_text("main")
    assert f"Measure spool {spool}" == clerk.heading()
    assert "d1_mm-0" == focused(page)
    assert clerk.fits()


def test_what_was_typed_stays_while_the_server_is_away(person: Callable[..., Person], site: Site, grade: str) -> None:
    """The page says so; Store pressed again stores once."""
    clerk = person(1280, role="receiving")
    page, _ = bench(clerk, site, grade, "SNIPE-E")
    hands = Hands(clerk)
    hands.gauge("1.748", "1.752")
    page.route("**/bench", lambda route: route.abort("failed"))
    hands.key("Control+Enter")
    said = page.locator("[data-said]", has_text="does not answer")
    said.wait_for()
    assert "Nothing is stored twice" in said.inner_text()
    page.unroute("**/bench")
    # What the browser notes of a request that went nowhere.
    clerk.errors.clear()
    hands.key("Control+Enter")
    page.get_by_role("heading", name="1 reading stored").wait_for()


def test_without_script_enter_checks_and_stores_nothing(person: Callable[..., Person], site: Site, grade: str) -> None:
    """A gauge presses the first button."""
    clerk = person(390, script=False, role="receiving")
    page, spool = bench(clerk, site, grade, "AVOCET-F")
    page.locator("[name=d1_mm-0]").fill("1.812")
    page.locator("[name=d2_mm-0]").fill("1.75")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "Nothing is stored yet" in page.inner_text("main")
    assert "outside by 0.012 mm" in page.locator("fieldset[data-row='0']").inner_text()
    assert page.locator("fieldset[data-row='0'] .lies svg").first.is_visible()
    assert clerk.fits()
    clerk.press("Store")
    assert f"1 reading stored: diameter of {spool}" in page.inner_text("main")
    assert f"Measure spool {spool}" == clerk.heading()


def test_several_values_pasted_at_once_fill_field_after_field(
    person: Callable[..., Person], site: Site, grade: str
) -> None:
    """Pasted values fill field after field, with the line ends of any system."""
    clerk = person(1280, role="receiving")
    page, _ = bench(clerk, site, grade, "TURNSTONE-G")
    page.locator("[name=d1_mm-0]").evaluate(
        """field => {
            const data = new DataTransfer();
            data.setData('text', '1.748\\r\\n1.752\\n1.749\\t1.753\\r\\n1.75\\r\\n');
            field.dispatchEvent(new ClipboardEvent('paste', {clipboardData: data, bubbles: true, cancelable: true}));
        }"""
    )
    rows = [(f"d1_mm-{row}", f"d2_mm-{row}") for row in range(3)]
    filled = [tuple(page.locator(f"[name={name}]").input_value() for name in pair) for pair in rows]
    assert [("1.748", "1.752"), ("1.749", "1.753"), ("1.75", "")] == filled
    assert "d2_mm-2" == focused(page)
    assert 0 == page.get_by_role("heading", name="stored").count()
