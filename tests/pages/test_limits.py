"""Limits of a grade at the page: explained and proposed, checked before they are set, drawn as what lots would be, and compared."""

from __future__ import annotations

import re

import pytest

from lots.api.pictures.limits_effect import word_of
from lots.domain.characteristics.registry import DECLARED
from lots.domain.words import hyphenated
from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME
from tests.shop import SIMPLE_LIMITS


@pytest.fixture
def quality(desk):
    """The quality technician at a browser."""
    return Browser(desk, "quality")


def at(grade):
    """The address of a grade's limits."""
    return f"/grades/{grade['id']}/limits"


def test_every_declared_limit_has_its_box_and_is_explained(desk, quality):
    """A section per block, a label and a sentence per field, and no name as JSON has it."""
    page = quality.go(at(desk.grade("NEW")))
    fields = page.form("note")["fields"]
    for name, declared in DECLARED.items():
        for one in declared.limits.fields:
            assert any(f"{name}-{one.name}" == field or field.startswith(f"{name}-{one.name}-") for field in fields), (
                one.name
            )
            assert one.label, one.name
            assert one.about, one.name
    assert "This grade has no limits, so its lots stay in quarantine." in page.text
    assert [] == JSON_NAME.findall(page.text)


def test_common_practice_is_marked_and_fills_what_is_empty(desk, quality):
    """A button fills in the proposals, and typed values stay."""
    page = quality.go(at(desk.grade("NEW")))
    assert "Common practice: 0.03." in page.text
    page = quality.send(page, "note", "Fill in common practice: diameter", **{"diameter-mean_tolerance_mm": "0.02"})
    fields = page.form("note")["fields"]
    assert ("0.02", "0.05", "5") == tuple(
        fields[f"diameter-{name}"] for name in ("mean_tolerance_mm", "reading_tolerance_mm", "readings_per_spool_min")
    )
    assert "" == fields["color-lot_max"]


def test_the_page_comes_back_at_the_section_that_was_filled_in(desk, quality):
    """Each button that fills in a section returns to that section, and Check to the top."""
    page = quality.go(at(desk.grade("NEW")))
    filling = re.findall(r'formaction="#(\S+)" name="step" value="propose-(\S+)"', page.html)
    assert ("diameter", "diameter") in filling
    assert all(section == step and f'id="{section}"' in page.html for section, step in filling)


def test_limits_are_checked_and_then_set(desk, quality):
    """Check stores nothing. Set stores the checked limits as the next revision."""
    grade = desk.grade("NEW")
    typed = {
        "diameter-mean_tolerance_mm": "0.03",
        "diameter-readings_per_spool_min": "5",
        "sampling-fixed": "3",
        "note": "First.",
    }
    page = quality.send(quality.go(at(grade)), "note", "Check", **typed)
    assert "These limits can be set." in page.text
    assert "No lots of this grade were received yet." in page.text
    assert [] == desk.get("quality", at(grade))["items"]
    page = quality.send(page, "note", "Set limits")
    assert "Limits of grade NEW, revision 1" == page.headings[0]
    (kept,) = desk.get("quality", at(grade))["items"]
    assert ({"mean_tolerance_mm": 0.03, "readings_per_spool_min": 5}, {"fixed": 3}, "First.") == (
        kept["diameter"],
        kept["sampling"],
        kept["note"],
    )


def test_limits_that_were_changed_after_the_check_are_checked_again(desk, quality):
    """Limits are set only after their effect was shown."""
    grade = desk.grade("NEW")
    page = quality.send(quality.go(at(grade)), "note", "Check", **{"color-lot_max": "1"})
    page = quality.send(page, "note", "Set limits", **{"color-lot_max": "2"})
    assert "The limits were changed after they were checked" in page.text
    assert [] == desk.get("quality", at(grade))["items"]
    quality.send(page, "note", "Set limits", note="The note may be worded last.")
    assert 2 == desk.get("quality", at(grade))["items"][0]["color"]["lot_max"]


def test_limits_that_somebody_else_set_meanwhile_are_seen_first(desk, quality):
    """A revision that was begun before another was set is checked again, and then set after it."""
    page = quality.send(quality.go(at(desk.white)), "note", "Check", **{"color-lot_max": "2"})
    desk.post("quality", at(desk.white), SIMPLE_LIMITS)
    page = quality.send(page, "note", "Set limits")
    assert "here or by somebody else" in page.text
    assert 2 == len(desk.get("quality", at(desk.white))["items"])
    quality.send(page, "note", "Set limits")
    assert [1.0, 1.0, 2] == [row["color"]["lot_max"] for row in desk.get("quality", at(desk.white))["items"]]


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({}, "These limits are empty, so every lot would pass."),
        ({"color-readings_per_spool_min": "3"}, "sets no limit"),
        ({"shrinkage-x_percent-0": "0,5", "shrinkage-x_percent-1": "0,1"}, "The lower limit is above the upper one."),
        ({"shrinkage-x_percent-0": "0,5"}, "This must be a number."),
        ({"color-components_max-L": "grey"}, "This must be a number."),
        ({"color-lot_max": "1", "uses-fit-shrinkage": "on"}, "but these limits have no shrinkage block"),
        ({"color-lot_max": "1", "sampling-level": "II"}, "A plan needs its name."),
        ({"surface-largest_max_mm": "1"}, "This is required."),
        ({"color-lot_max": "1", "color-test_print": "NONE/1"}, "Test print NONE/1 does not exist."),
    ],
)
def test_what_cannot_be_set_is_said_at_its_field_and_kept(desk, quality, typed, says):
    """Invalid limits are refused in words with the typed values in their fields. Nothing is stored."""
    desk.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match="*")
    grade = desk.grade("NEW")
    page = quality.send(quality.go(at(grade)), "note", "Check", **typed)
    assert (422, True) == (page.status, says in page.text)
    assert typed == {name: page.form("note")["fields"].get(name) for name in typed}
    assert [] == desk.get("quality", at(grade))["items"]
    assert [] == JSON_NAME.findall(page.text)


def test_an_equal_fault_of_several_numbers_is_said_once(desk, quality):
    """Two weights with the same fault have one sentence and one link, to the field of all weights."""
    grade = desk.grade("NEW")
    page = quality.send(quality.go(at(grade)), "note", "Check", **{"color-lot_max": "1", "color-weights": "x x 1"})
    assert (422, 1) == (page.status, page.text.count("This must be a number."))
    assert 1 == page.html.count('<a href="#color-weights">Colour: Weights</a>')
    assert "CIE94: kL K1 K2." in page.text


def test_a_comma_is_a_decimal_sign_where_the_site_writes_one(desk, quality):
    """Typed, shown again, and kept as the number."""
    desk.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match="*")
    grade = desk.grade("NEW")
    page = quality.send(quality.go(at(grade)), "note", "Check", **{"color-lot_max": "1,25", "color-weights": "2 1,5 1"})
    quality.send(page, "note", "Set limits")
    (kept,) = desk.get("quality", at(grade))["items"]
    assert (1.25, [2, 1.5, 1]) == (kept["color"]["lot_max"], kept["color"]["weights"])
    assert "1,25" == quality.go(at(grade)).form("note")["fields"]["color-lot_max"]


def test_the_next_revision_begins_with_the_values_of_the_current_one(desk, quality):
    """Unchanged limits are set again, and the comparison says that nothing changed."""
    page = quality.send(quality.go(at(desk.white)), "note", "Check", note="The same again.")
    page = quality.send(page, "note", "Set limits")
    assert "Only the note changed." in page.text
    first, second = desk.get("quality", at(desk.white))["items"]
    own = ("id", "revision", "note", "recorded_at")
    assert {k: v for k, v in first.items() if k not in own} == {k: v for k, v in second.items() if k not in own}


def test_a_revision_is_compared_with_the_one_before(desk, quality):
    """Each limit that changed with its value before and after, in words."""
    typed = {"diameter-mean_tolerance_mm": "0.01", "gloss-deg_60_gu-0": "20", "gloss-deg_60_gu-1": "30"}
    page = quality.send(quality.go(at(desk.white)), "note", "Check", **typed)
    page = quality.send(page, "note", "Set limits")
    assert "Diameter: Mean of a spool, nominal ±, mm" in page.text
    assert "Gloss: Gloss at 60 degrees, GU not required 20 to 30" in page.text
    assert [] == JSON_NAME.findall(page.text)


def would_be(desk, lots, revision):
    """The status of lots by the API's own reassessment."""
    return {lot: desk.get("quality", f"/lots/{lot}/assessment?limits_revision={revision}") for lot in lots}


def test_the_table_and_the_picture_say_what_the_api_says_of_would_now_be(desk, quality):
    """Lots that pass, fail and wait: each use of each lot has the verdict that its assessment under the new revision has."""
    first = desk.good_lot(desk.quillwort, desk.white, "GOOD")["lot_id"]
    wide = desk.receive(desk.quillwort, desk.white, "WIDE")
    desk.diameter(wide["spools"][0]["code"], d1=1.77, d2=1.77)
    bare = desk.receive(desk.ninebark, desk.white, "BARE")["lot"]["id"]
    lots = {first: "GOOD", wide["lot"]["id"]: "WIDE", bare: "BARE"}
    before = {lot: desk.get("quality", f"/lots/{lot}") for lot in lots}
    typed = {"diameter-mean_tolerance_mm": "0.001", "uses-hidden-diameter": "on", "uses-cosmetic-color": "on"}
    page = quality.send(quality.go(at(desk.white)), "note", "Check", **typed)
    assert before == {lot: desk.get("quality", f"/lots/{lot}") for lot in lots}
    picture = re.search(r"<desc[^>]*>(.*?)</desc>", page.html)[1]
    quality.send(page, "note", "Set limits")
    for lot, found in would_be(desk, lots, 2).items():
        for use, verdict in found["uses"].items():
            said = f"Lot {lots[lot]}, {hyphenated(use)}: {word_of(before[lot]['uses'].get(use, ''))}"
            then = word_of(verdict)
            now = word_of(before[lot]["uses"].get(use, ""))
            assert f"{said}, unchanged." in picture if now == then else f"{said} now, would be {then}." in picture
            row = re.search(rf">{lots[lot]}</a>.*?</tr>", page.html, re.DOTALL)[0]
            moved = re.findall(r"<li>([^:]*): ([^<]*), would be ([^<]*)\.</li>", row)
            assert now == then or [(now, then)] == [(was, will) for uses, was, will in moved if hyphenated(use) in uses]
        row = re.search(rf">{lots[lot]}</a>.*?</tr>", page.html, re.DOTALL)[0]
        assert f'class="standing {found["standing"]}"' in row.partition("Would be")[2]


def test_lots_under_older_limits_are_led_to_after_a_revision(desk, quality):
    """Each lot in stock that was assessed under the previous revision, with a link."""
    desk.good_lot(desk.quillwort, desk.white, "OLD-1")
    page = quality.send(quality.go(at(desk.white)), "note", "Check", **{"moisture-max_percent": "0.05"})
    assert "1 would change" in page.text
    page = quality.send(page, "note", "Set limits")
    assert "Lots under older limits" in page.text
    assert "Lot OLD-1" == next(name for name in page.links if name.startswith("Lot OLD"))
    assert "Lot OLD-1" in quality.go(page.links["Lot OLD-1"]).text


def test_doubts_about_limits_are_told_and_do_not_stop_them(desk, quality):
    """A reference without a spectrum leaves metamerism missing: said at the check, with what to do."""
    page = quality.send(quality.go(at(desk.white)), "note", "Check", **{"color-metamerism_max": "0.5"})
    assert "has no spectrum" in page.text
    assert "Set limits" in page.form("note")["buttons"]


def test_limits_are_quality_work(desk):
    """Other desks get 403, and an unknown grade or revision gets 404, both in words."""
    assert 403 == Browser(desk, "receiving").raw(at(desk.white)).status_code
    quality = Browser(desk, "quality")
    assert 404 == quality.go("/grades/99/limits").status
    assert 404 == quality.go(f"{at(desk.white)}/9").status
    assert SIMPLE_LIMITS.keys() <= desk.get("quality", at(desk.white))["items"][0].keys()
