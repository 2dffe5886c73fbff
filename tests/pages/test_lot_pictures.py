"""The page of a lot: status, findings with bars, pictures, time line, and size."""

from __future__ import annotations

import gzip
import html
import re
from pathlib import Path

import pytest

from lots.pages.site import frame
from tests.api.pictures.seen import SVG, Picture
from tests.pages.reading import SITE, Browser
from tests.shop import FULL_LIMITS, WHITE

# What a page and everything that it shows may weigh, bytes.
MOST = 150_000
STYLE = Path(frame.__file__).parents[1] / "static" / "site.css"


def comma(desk):
    """Makes the site write a decimal comma."""
    tag = {"If-Match": desk.call("admin", "GET", "/shop").headers["ETag"]}
    answer = desk.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, **tag)
    assert 200 == answer.status_code, answer.get_data(as_text=True)


def measured(desk, spools=3):
    """A lot with readings of every kind that has a picture."""
    grade = desk.grade("FULL", limits=FULL_LIMITS)
    lot = desk.receive(desk.quillwort, grade, "Q-71", spools=spools)
    for spool in lot["spools"]:
        code = spool["code"]
        for step in range(5):
            desk.diameter(code, 1.748, 1.752, position_m=step + 1.0)
        for _ in range(3):
            desk.color(code, WHITE)
        for axis in ("x", "y"):
            coupon = {"axis": axis, "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}
            desk.measure("shrinkage", {"spool_code": code, **coupon})
        for _ in range(3):
            desk.measure("bond", {"spool_code": code, "stress_mpa": 22.5, "control": False})
    return lot["lot_id"]


def rows(page):
    """The findings of a page, from its top: verdict in words, label, and whether it has a bar."""
    found = re.findall(r'<li class="finding (\w+)">(.*?)</li>', page.html, re.DOTALL)
    return [(verdict, re.search(r'class="what">([^<]*)', row)[1], "<svg" in row) for verdict, row in found]


def pictures(page):
    """Addresses of the pictures of a page."""
    return [html.unescape(address) for address in re.findall(r'<img src="([^"]*)"', page.html)]


def compressed(somebody, address):
    """An answer as a browser asks for it."""
    answer = somebody.client.get(address, base_url=SITE, headers={"Accept-Encoding": "gzip"})
    assert (200, "gzip") == (answer.status_code, answer.content_encoding)
    return answer


def test_the_page_begins_with_the_status_and_a_word_for_each_use(desk):
    """Before the findings, in one row; the reason for each is one step away."""
    lot = desk.good_lot(desk.quillwort, desk.white)["lot_id"]
    page = Browser(desk, "production").go(f"/lots/{lot}")
    status = page.html.partition('<h2 id="status">')[2].partition("</section>")[0]
    assert page.html.index('id="status"') < page.html.index('id="findings"')
    row = re.sub(r"<[^>]*>", " ", re.search(r'<ul class="uses".*?</ul>', status, re.DOTALL)[0])
    assert "cosmetic ✔ yes" in " ".join(row.split())
    assert "<summary>Reasons by use</summary>" in status


def test_every_finding_has_a_row_with_the_worst_first(desk):
    """Each with verdict and words, and a bar if it has a value. A missing one says what to measure and links to the bench."""
    grade = desk.grade("FULL", limits=FULL_LIMITS)
    lot = desk.receive(desk.quillwort, grade, "Q-71", spools=3)
    for step in range(5):
        desk.diameter(lot["spools"][0]["code"], 1.85, 1.85, position_m=step + 1.0)
    told = desk.assessment(lot["lot_id"])["findings"]
    page = Browser(desk, "quality").go(f"/lots/{lot['lot_id']}")
    seen = rows(page)
    assert sorted(one["verdict"] for one in told) == sorted(verdict for verdict, *_ in seen)
    order = {"fail": 0, "near": 1, "missing": 2, "pass": 3}
    assert sorted((verdict for verdict, *_ in seen), key=order.get) == [verdict for verdict, *_ in seen]
    assert ("fail", True) == (seen[0][0], seen[0][2])
    assert sum(one["value"] is not None for one in told) == sum(bar for *_, bar in seen)
    asked = [link for link in page.every_link if link and link.startswith("/bench?")]
    assert any("kind=bond" in link and "spool=" in link for link in asked)
    for one in told:
        assert one["message"] in html.unescape(page.html)


def test_a_lot_without_limits_has_a_status_and_no_findings(desk):
    """Nothing to hold it against: the page says so, and no use is permitted."""
    lot = desk.receive(desk.quillwort, desk.grade("BARE"), "Q-71", spools=1)["lot_id"]
    page = Browser(desk, "quality").go(f"/lots/{lot}")
    assert [] == [row for row in rows(page) if row[2]]
    assert "in quarantine" in page.text
    assert "✔ yes" not in page.text


def test_a_floor_that_nothing_was_measured_for_is_called_one(desk):
    """Bond at least 20 MPa; the words of the row say so before there is a value."""
    grade = desk.grade("FULL", limits=FULL_LIMITS)
    lot = desk.receive(desk.quillwort, grade, "Q-71", spools=1)["lot_id"]
    assert "Limit at least 20 MPa" in Browser(desk, "quality").go(f"/lots/{lot}").text


def test_numbers_on_the_page_have_the_decimal_sign_of_the_site(desk):
    """Bars, sentences, pictures and their alternative texts use the site's decimal sign."""
    comma(desk)
    lot = measured(desk)
    somebody = Browser(desk, "quality")
    page = somebody.go(f"/lots/{lot}")
    assert "1,750 mm" in page.text
    assert ">1,72<" in page.html
    assert not re.search(r"\b1\.7\d", page.html.partition("<main")[2])
    drawn = [Picture(somebody.raw(address).get_data(as_text=True)) for address in pictures(page)]
    assert any("limit 1,8" in seen.words for seen in drawn)
    assert not any(re.search(r"\b\d+\.\d", seen.said.replace("CIE", "")) for seen in drawn)


def test_there_is_a_picture_for_each_kind_that_was_measured(desk):
    """Each measured kind has a picture with heading and alternative text, narrow on the page and wide behind a link."""
    bare = desk.receive(desk.quillwort, desk.white, "Q-1", spools=1)["lot_id"]
    somebody = Browser(desk, "production")
    assert [] == pictures(somebody.go(f"/lots/{bare}"))
    lot = measured(desk)
    page = somebody.go(f"/lots/{lot}")
    names = [address.rpartition("/")[2].partition(".")[0] for address in pictures(page)]
    assert ["color", "diameter", "shrinkage", "bond"] == names
    assert 4 == len(re.findall(r'<img [^>]*alt="[^"]*Q-71', page.html))
    for address in pictures(page):
        answer = somebody.raw(address)
        assert (200, SVG) == (answer.status_code, answer.mimetype)
        assert "360" == Picture(answer.get_data(as_text=True)).root.get("width")
        large = somebody.raw(f"{address}?size=large")
        assert "960" == Picture(large.get_data(as_text=True)).root.get("width")


def test_a_picture_that_does_not_exist_is_said_in_words(desk):
    """An unknown lot, and a name that no picture has."""
    lot = desk.good_lot(desk.quillwort, desk.white)["lot_id"]
    somebody = Browser(desk, "production")
    assert [404, 404] == [
        somebody.raw(path).status_code for path in ("/lots/999/pictures/color.svg", f"/lots/{lot}/pictures/taste.svg")
    ]


def test_a_picture_is_compressed_for_whoever_takes_that(desk):
    """A picture is sent compressed to a browser that accepts gzip, and uncompressed to others."""
    lot = measured(desk)
    somebody = Browser(desk, "production")
    plain = somebody.raw(f"/lots/{lot}/pictures/bond.svg")
    packed = compressed(somebody, f"/lots/{lot}/pictures/bond.svg")
    assert (None, "gzip") == (plain.content_encoding, packed.content_encoding)
    assert plain.get_data() == gzip.decompress(packed.get_data())
    assert len(packed.get_data()) < len(plain.get_data()) / 3
    assert "Accept-Encoding" in packed.headers["Vary"]


@pytest.mark.parametrize("role", ["quality", "admin"])
def test_a_lot_of_a_hundred_readings_weighs_little(desk, role):
    """Page, style sheet and all pictures together, as a browser takes them."""
    lot = measured(desk, spools=8)
    assert 100 <= len(desk.get("quality", f"/lots/{lot}/readings?limit=500")["items"])
    somebody = Browser(desk, role)
    page = somebody.go(f"/lots/{lot}")
    parts = [len(page.html.encode()), STYLE.stat().st_size]
    parts += [len(compressed(somebody, address).get_data()) for address in pictures(page)]
    assert 6 == len(parts)
    assert sum(parts) <= MOST, parts


def test_decisions_are_a_time_line_with_the_newest_first(desk):
    """What, when, by whom, why and under which revisions, in words; concessions, voids and exclusions among them."""
    lot = desk.good_lot(desk.quillwort, desk.white)["lot_id"]
    desk.decide(lot, "block", "Streaks.")
    asked = {"uses": ["load_bearing"], "max_mass_g": 500, "valid_until": "2199-01-31T00:00:00Z", "reason": "Brackets."}
    desk.post("quality", f"/lots/{lot}/concessions", asked)
    reading = desk.get("quality", f"/lots/{lot}/readings")["items"][0]["id"]
    desk.void(reading, "Typed twice.")
    page = Browser(desk, "quality").go(f"/lots/{lot}")
    line = page.html.partition("<h2>Decisions</h2>")[2].partition("</ol>")[0]
    whats = re.findall(r"<li><p><strong>([^<]*)</strong>", line)
    assert whats.index("Concession 1 requested") < whats.index("Blocked by a manual decision") < whats.index("Received")
    assert whats.index("Reading voided") < whats.index("Concession 1 requested")
    assert "load-bearing" in line
    assert "Under limits revision 1 and reference revision 1" in line
    for code in ("load_bearing", "accept_step", "judge<"):
        assert code not in page.html.partition("<main")[2].partition("<form")[0]


def test_who_may_not_see_decisions_has_no_time_line(desk):
    """Only desks that may read decisions see the time line."""
    lot = desk.good_lot(desk.quillwort, desk.white)["lot_id"]
    seen = {
        role: "<h2>Decisions</h2>" in Browser(desk, role).go(f"/lots/{lot}").html for role in ("quality", "production")
    }
    assert {"quality": True, "production": False} == seen


def test_each_spool_and_each_delivery_takes_one_line(desk):
    """A compact table of each; a spool that fails by itself is marked, with its reasons one step away."""
    lot = desk.good_lot(desk.quillwort, desk.white)["lot_id"]
    table = Browser(desk, "receiving").go(f"/lots/{lot}").html.partition("<h2>Spools</h2>")[2].partition("</table>")[0]
    assert 3 == table.count('<tr><th scope="row">')
    assert 3 == table.count("no failure")
