"""The list of lots and the page of one, in a browser without script."""

from __future__ import annotations

import html
import re

import pytest

from lots.store import readings
from lots.store.tables.models import Spool
from tests.api.pictures.seen import Picture
from tests.pages.reading import Browser
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


def drawn(browser, path):
    """The picture of uses that a page of the list shows."""
    page = browser.go(browser.go(path).links["Picture of lots and uses"])
    (address,) = re.findall(r'<img src="([^"]*)"', page.html)
    answer = browser.raw(html.unescape(address))
    assert "image/svg+xml" == answer.mimetype
    return Picture(answer.get_data(as_text=True))


def listed(page):
    """Lot numbers of the list, from its top."""
    return re.findall(r'<th scope="row"><a href="/lots/\d+">([^<]+)</a>', page.html)


def test_the_newest_lot_comes_first_and_the_next_page_goes_on(desk):
    """Fifty lots on a page, each once, in the order opposite to that they were logged in; the filter goes along."""
    other = desk.grade("OTHER", limits=SIMPLE_LIMITS)
    desk.receive(desk.quillwort, other, "elsewhere", spools=1)
    for number in range(52):
        desk.receive(desk.quillwort, desk.white, f"Q-{number:03d}", spools=1)
    buyer = Browser(desk, "purchasing")
    first = buyer.go(f"/lots?grade_id={desk.white['id']}")
    second = buyer.go(first.links["More lots"])
    assert [f"Q-{number:03d}" for number in range(51, -1, -1)] == listed(first) + listed(second)
    assert "More lots" not in second.links


def test_the_grid_of_uses_tells_of_the_lots_that_are_listed(desk):
    """The same lots as the list above it, by the same filter, each with a word for each use."""
    desk.good_lot(desk.quillwort, desk.white, "Q-1")
    desk.receive(desk.quillwort, desk.white, "Q-2")
    lead = Browser(desk, "production")
    both = drawn(lead, "/lots")
    assert ["Q-2", "Q-1"] == [word for word in both.words if word.startswith("Q-")]
    one = drawn(lead, "/lots?standing=released")
    assert ["Q-1"] == [word for word in one.words if word.startswith("Q-")]
    assert "cosmetic yes" in one.description


def test_a_place_that_no_list_gave_out_is_refused_in_words(desk):
    """A cursor that was cut off is answered with what to do."""
    page = Browser(desk, "receiving").go("/lots?cursor=x")
    assert (422, True) == (page.status, "This page of the list does not exist." in page.text)


@pytest.mark.parametrize("more", ["_external=1&_scheme=javascript", "endpoint=x", "_anchor=y", "form=pdf"])
def test_what_else_an_address_says_goes_into_no_other_address(desk, more):
    """Only the filters lead on to the picture and to the next page."""
    desk.receive(desk.quillwort, desk.white)
    page = Browser(desk, "production").go(f"/lots?standing=quarantined&{more}")
    assert 200 == page.status
    assert "/lots/uses?standing=quarantined" == page.links["Picture of lots and uses"]
    assert "/lots.csv?standing=quarantined" == page.links["Download CSV"]


def test_what_a_lot_blocked_by_hand_is_good_for_is_nothing(desk):
    """The page and the list say what GET /v1/lots/uses says; what its readings alone say has a column of its own."""
    lot = desk.good_lot(desk.quillwort, desk.white)["lot_id"]
    desk.decide(lot, "block", "streaks")
    (told,) = desk.get("quality", "/lots/uses")["items"]
    assert {"no", "not_judged"} >= {use["answer"] for use in told["uses"]}
    page = Browser(desk, "production").go(f"/lots/{lot}")
    table = page.html.partition("<summary>Reasons by use</summary>")[2].partition("</table>")[0]
    assert "Test result" in table
    for row, use in zip(re.findall(r"<tr><th scope=.*?</tr>", table), told["uses"], strict=True):
        assert use["use"].replace("_", "-") in row
        assert {"no": "</span> no<", "not_judged": "</span> not assessed<"}[use["answer"]] in row
        assert "</span> yes<" not in row
    good = Browser(desk, "production").go("/lots").html.partition('<td class="good">')[2].partition("</td>")[0]
    assert "</span> no</span>: cosmetic" in good
    assert "pass" not in good


def test_a_released_lot_is_good_for_what_its_limits_ask(desk):
    """Yes, in the same words as the grid."""
    desk.good_lot(desk.quillwort, desk.white)
    page = Browser(desk, "production").go("/lots")
    assert "yes : cosmetic" in page.text


def test_quality_accepts_a_step_on_the_page_of_its_lot(desk):
    """Quality accepts the step or blocks the lot with a reason. Other desks and other lots have no such form."""
    grade = desk.grade("STEPPED", limits={"sampling": {"fixed": 1}, "color": {"lot_max": 1.0, "step_max": 0.5}})
    for day, (lot, b) in enumerate((("Q-1", 1.5), ("Q-2", 2.25), ("Q-3", 2.25)), start=1):
        got = desk.receive(desk.quillwort, grade, lot, spools=1, received_at=f"2026-11-{day:02}T08:00:00Z")
        desk.color(got["spools"][0]["code"], [95.0, -0.8, b])
    first, held, other = (desk.get("quality", f"/lots?supplier_lot=Q-{n}")["items"][0]["id"] for n in (1, 2, 3))
    quality = Browser(desk, "quality")
    page = quality.go(f"/lots/{held}")
    assert "Step from the last accepted lot" in page.text
    assert "outside by 0.19" in page.text
    assert "accept_step" not in page.text
    assert "Ask quality to accept the step or block the lot." in page.text
    done = quality.send(page, "reason", "Accept step", reason="the client saw both")
    assert "released" in done.text
    assert "Accept step" not in done.text
    assert "Step accepted , then ✔ released" in done.text
    assert "the client saw both" in done.text
    blocked = quality.send(quality.go(f"/lots/{other}"), "reason", "Block lot", reason="too yellow")
    assert ("blocked", None) == (desk.lot(other)["standing"], desk.lot(held)["by_hand"])
    for text in (
        blocked.text,
        quality.go(f"/lots/{first}").text,
        Browser(desk, "production").go(f"/lots/{other}").text,
    ):
        assert "Accept step" not in text


def test_a_step_is_no_work_where_it_holds_no_lot(desk):
    """The page and the lists ask for a decision about a step only while a step holds the lot: not where its uses fail, not after a manual decision."""
    limits = {
        "sampling": {"fixed": 1},
        "color": {"lot_max": 1.0, "step_max": 0.5},
        "diameter": {"mean_tolerance_mm": 0.05},
    }
    grade = desk.grade("STEPPED", limits={**limits, "uses": {"cosmetic": ["color"], "fit": ["diameter"]}})
    numbers = []
    for day, b in enumerate((1.5, 4.0, 2.25, 2.25), start=1):
        got = desk.receive(desk.quillwort, grade, f"Q-{day}", spools=1, received_at=f"2026-11-{day:02}T08:00:00Z")
        code = got["spools"][0]["code"]
        desk.color(code, [95.0, -0.8, b])
        desk.diameter(code, 1.75, 1.75)
        numbers.append(got["lot_id"])
    _, failing, held, other = numbers
    quality = Browser(desk, "quality")
    assert ("restricted", True) == (
        desk.lot(failing)["standing"],
        "near" == desk.finding(failing, "color.step")["verdict"],
    )
    page = quality.go(f"/lots/{failing}")
    assert ("Step from the last accepted lot: accept it" in page.text, "Still to do (" in page.text) == (False, False)
    text = quality.go(f"/lots/{held}").text
    assert ("Accept step" in text, "Still to do (" in text) == (True, True)
    desk.decide(held, "block", "too yellow")
    desk.decide(other, "hold", "ask the client")
    for number in (held, other):
        text = quality.go(f"/lots/{number}").text
        assert ("Accept step" in text, "Still to do (" in text) == (False, False)
    for path in ("/", "/quality", "/lots"):
        assert "accept the step" not in quality.go(path).text
    # The stored work still follows from the readings.
    assert all("accept the step" in desk.lot(number)["to_measure"][0] for number in numbers[1:])


def test_codes_that_can_be_confused_are_shown_to_quality(shop):
    """Both spellings of each code. A shop without such codes shows no section."""
    shop.good_lot(spools=2)
    quality = Browser(shop, "quality")
    assert "Codes that can be confused" not in quality.go("/quality").text
    with connected():
        Spool.update(code="l1-s001", identity=None).where(Spool.code == "L1-S002").execute()
    page = quality.go("/quality").text
    assert "Codes that can be confused (1)" in page
    assert "Spool l1-s001, lot Q-71 : not spool L1-S001" in page


def test_a_lot_of_many_readings_shows_the_newest_and_leads_to_all(desk):
    """The page shows the newest readings, a link to all, and their number."""
    lot = desk.good_lot(desk.quillwort, desk.white)
    spool = lot["spools"][0]["code"]
    for d1 in (1.75, 1.76):
        desk.post("quality", "/diameter-readings", [{"spool_code": spool, "d1_mm": d1, "d2_mm": d1}] * 60)
    quality = Browser(desk, "quality")
    page = quality.go(f"/lots/{lot['lot_id']}")
    total = len(desk.get("quality", f"/lots/{lot['lot_id']}/readings?limit=500")["items"])
    rows = re.compile(r'data-name="Counts"')
    assert (100, True) == (len(rows.findall(page.html)), f"{total} readings" in page.text)
    assert total == len(rows.findall(quality.go(page.links["Show all readings"]).html))


def test_what_was_read_of_a_lot_at_once_is_what_its_judging_reads(desk):
    """Voided, screened, excluded and withdrawn readings: sorted out of everything as the query of judging leaves them out."""
    lot = desk.good_lot(desk.quillwort, desk.white)
    spool = lot["spools"][0]["code"]
    one = {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75}
    kept = desk.post("quality", "/diameter-readings", [one, one, {**one, "screening": True}])["items"]
    desk.post("quality", f"/readings/{kept[0]['id']}/void", {"reason": "Typed twice."})
    with connected():
        every = readings.of_lot(lot["lot_id"])
        judged = readings.to_judge(lot["lot_id"])
        assert [row.id for row in judged] == [row.id for row in readings.to_judge_among(every)]
        counting = readings.that_count(lot["lot_id"], kind="diameter")
        assert [row.id for row in counting] == [row.id for row in readings.counting_among(judged, "diameter")]
        assert len(every) == len(judged) + 2
