"""The bench, in a browser without script: a spool scanned, its readings typed, and the verdict in a word."""

from __future__ import annotations

import re

import pytest

from lots.domain.characteristics.registry import DECLARED
from tests.pages.reading import SITE, Browser, log
from tests.shop import CONDITIONS


@pytest.mark.parametrize("typed_as", ["WB-Q03-1", "  WB-Q03-1 ", f"{SITE}/spools/WB-Q03-1", "HTTP://x/spools/WB-Q03-1"])
def test_a_scanner_that_types_and_presses_enter_is_enough(desk, clerk, typed_as):
    """One field; the code on a label or the address in its symbol both lead on, with kind and instrument as chosen."""
    log(desk, clerk, spools="WB-Q03-1", spool_count="")
    body = {"code": "SPEC-1", "kind": "spectrophotometer", "check_interval_days": 30}
    spectro = str(desk.post("quality", "/instruments", body)["id"])
    page = clerk.go(f"/bench?kind=color&instrument={spectro}")
    page = clerk.send(page, "spool", spool=typed_as)
    assert "Measure spool WB-Q03-1" in page.text
    assert ("color", spectro) == tuple(page.form("L-0")["fields"][name] for name in ("kind", "instrument_id"))


def test_an_unknown_spool_is_said_and_may_be_typed_again(desk, clerk):
    """A code with wrong separators gets a proposal of the right one. A code in the wrong case is accepted."""
    log(desk, clerk, spools="HW-1", spool_count="")
    page = clerk.go("/bench?spool=HW1")
    assert 404 == page.status
    assert "Did you mean HW-1?" in page.text
    assert "HW1" == page.form("spool")["fields"]["spool"]
    assert "Measure spool HW-1" in clerk.go("/bench?spool=hw-1").text


def test_a_decimal_comma_and_inches_are_refused_beside_their_field(desk, clerk):
    """The hint of the API, in the row where it belongs; all the rest stays typed, and nothing is stored."""
    log(desk, clerk, spools="S-1", spool_count="")
    bench = clerk.go("/bench?spool=S-1")
    entry = {"d1_mm-0": "1.75", "d2_mm-0": "1.75", "d1_mm-2": "1,75", "d2_mm-2": "1.76", "note": "wet"}
    page = clerk.send(bench, "d1_mm-0", "Store", **entry)
    assert 422 == page.status
    assert 'id="d1_mm-2-hint"><strong>d1, mm:</strong> <strong class="fault">&#34;1,75&#34; is text' in page.html
    assert "Write 1.75, with a decimal point" in page.text
    assert entry == {name: page.form("d1_mm-0")["fields"][name] for name in entry}
    page = clerk.send(page, "d1_mm-0", "Store", **{"d1_mm-2": "0.0689"})
    assert "This looks like inches" in page.text
    assert [] == desk.get("quality", "/lots/1/readings")["items"]
    assert "2 readings stored" in clerk.send(page, "d1_mm-0", "Store", **{"d1_mm-2": "1.75"}).text


def test_the_instrument_and_the_kind_stay_for_the_next_entry(desk, clerk):
    """Numbers and notes do not; the next spool keeps both."""
    log(desk, clerk, spools="S-1\nS-2", spool_count="")
    entry = {"d1_mm-0": "1.75", "d2_mm-0": "1.75", "instrument_id": str(desk.micrometer["id"]), "note": "first"}
    page = clerk.send(clerk.go("/bench?spool=S-1"), "d1_mm-0", "Store", **entry)
    page = clerk.send(page, "spool", spool="S-2")
    fields = page.form("d1_mm-0")["fields"]
    assert ("diameter", entry["instrument_id"], "", "") == tuple(
        fields[name] for name in ("kind", "instrument_id", "d1_mm-0", "note")
    )


def test_nobody_types_the_conditions_of_a_colour(desk, clerk):
    """They are shown and noted as the reference's; without a reference the page says whom to ask."""
    log(desk, clerk, spools="S-1", spool_count="")
    page = clerk.go("/bench?spool=S-1&kind=color")
    assert "D65, 10°, d/8, specular included, UV excluded" in page.text
    lost = clerk.send(page, "L-0", "Store", **{"L-0": "95", "b-0": "1,5"})
    assert 422 == lost.status
    assert 'id="a-0-hint"' in lost.html
    assert "Write 1.5, with a decimal point" in lost.text
    clerk.send(page, "L-0", "Store", **{"L-0": "95", "a-0": "-0.8", "b-0": "1.5", "plaque": "P"})
    (reading,) = desk.get("quality", "/lots/1/readings")["items"]
    assert (CONDITIONS, [95.0, -0.8, 1.5]) == (reading["conditions"], reading["lab"])
    bare = desk.receive(desk.quillwort, desk.grade("BARE", shade_id=None), "Q-72")["spools"][0]["code"]
    assert "Ask quality to approve one." in clerk.go(f"/bench?spool={bare}&kind=color").text


ENTRIES = {
    "shrinkage": {"age_h": "24", "designed_mm-0": "100", "measured_mm-0": "99.7", "measured_mm-1": ""},
    "bond": {"printer": "P1", "break_force_n-0": "900", "area_mm2-0": "40", "stress_mpa-1": "22", "control-1": "on"},
    "surface": {"specks-0": "1", "area_dm2-0": "2"},
    "moisture": {"moisture_percent-0": "0.02", "method": "loss on drying"},
    "gloss": {"geometry_deg": "60", "gloss_gu-0": "41.5", "gloss_gu-1": "42"},
    "opacity": {
        f"{backing}_{axis}-0": "94.9" if axis == "L" else "1" for backing in ("black", "white") for axis in "Lab"
    },
}


@pytest.mark.parametrize("kind", sorted(ENTRIES))
def test_quality_enters_every_other_kind(desk, kind):
    """Each with its own fields and units. The typed values are stored."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    quality = Browser(desk, "quality")
    form = quality.go(f"/bench?spool=L1-S001&kind={kind}")
    page = quality.send(form, next(iter(ENTRIES[kind])), "Store", **ENTRIES[kind])
    assert 200 == page.status, page.text
    stored = desk.get("quality", f"/lots/1/readings?kind={kind}")["items"]
    expected = {
        "shrinkage": [{"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}],
        "bond": [{"break_force_n": 900, "area_mm2": 40, "control": False}, {"stress_mpa": 22, "control": True}],
        "surface": [{"specks": 1, "area_dm2": 2}],
        "moisture": [{"moisture_percent": 0.02, "method": "loss on drying"}],
        "gloss": [{"geometry_deg": 60, "gloss_gu": gu} for gu in (41.5, 42)],
        "opacity": [{"over_black": [94.9, 1, 1], "over_white": [94.9, 1, 1], "contrast_ratio": 1}],
    }[kind]
    assert expected == [{name: one[name] for name in row} for one, row in zip(stored, expected, strict=True)]
    told = [DECLARED[kind].says(one) for one in stored]
    assert all(one in page.text for one in told)
    assert all(one in quality.go("/lots/1").text for one in told)


def test_the_table_of_readings_says_what_each_kind_measured(desk):
    """The table of readings shows the name and the values of each kind in the words of its declaration."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    quality = Browser(desk, "quality")
    for kind in ("gloss", "opacity"):
        quality.send(
            quality.go(f"/bench?spool=L1-S001&kind={kind}"), next(iter(ENTRIES[kind])), "Store", **ENTRIES[kind]
        )
    colour = quality.go("/bench?spool=L1-S001&kind=color")
    quality.send(colour, "L-0", "Store", **{"L-0": "95", "a-0": "-0.8", "b-0": "1.5"})
    table = quality.go("/lots/1").html.partition('id="readings"')[2]
    rows = re.findall(r'data-name="Kind">(.*?)</td>.*?data-name="Values">(.*?)</td>', table, re.DOTALL)
    assert {
        ("gloss", "41.5 GU at 60 degrees"),
        ("gloss", "42 GU at 60 degrees"),
        ("opacity", "contrast ratio 1.0000, L* 94.9 over black, L* 94.9 over white"),
        ("colour", "L* 95, a* -0.8, b* 1.5"),
    } == set(rows)


def test_the_clerk_is_offered_only_what_the_clerk_may_store(desk, clerk):
    """Diameters and colours; another kind slipped into the form stores nothing."""
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=bond")
    assert {"Diameter", "Colour"} == {"Diameter", "Colour", "Interlayer strength", "Moisture"} & set(page.links)
    form = page.form("d1_mm-0")["fields"] | {"kind": "bond", "stress_mpa-0": "22"}
    assert 422 == clerk.go("/bench", data=form).status
    assert [] == desk.get("quality", "/lots/1/readings")["items"]


def test_a_lot_that_fails_is_blocked_in_a_word_with_the_reason_and_what_is_loaded(desk, clerk):
    """The page shows the new status and the spools to take off at once."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][1]["code"]
    desk.load(spool)
    page = clerk.send(clerk.go(f"/bench?spool={spool}"), "d1_mm-0", "Store", **{"d1_mm-0": "1.85", "d2_mm-0": "1.85"})
    assert "✖ blocked" in page.text
    assert "Outside by" in page.text
    assert "P1" in page.text


def test_after_storing_the_page_is_asked_for_anew_and_tells_the_same(desk, clerk):
    """303 leads to an address: going back or loading it again sends nothing. Nobody else can make such an address."""
    log(desk, clerk, spools="S-1", spool_count="")
    form = clerk.go("/bench?spool=S-1").form("d1_mm-0")["fields"] | {
        "step": "store",
        "d1_mm-0": "1.748",
        "d2_mm-0": "1.752",
    }
    answer = clerk.raw("/bench", data=form)
    assert 303 == answer.status_code
    address = answer.headers["Location"]
    for page in (clerk.go(address), clerk.go(address)):
        assert "1 reading stored: diameter of S-1" in page.text
        assert "1.748 and 1.752 mm" in page.text
    assert 1 == len(desk.get("quality", "/lots/1/readings")["items"])
    for forged in (address.replace("told=", "told=A"), address + "0", "/bench?spool=S-1&told=x.%C3%A4"):
        assert "stored" not in clerk.go(forged).text
    desk.decide(1, "block", "streaks")
    later = clerk.go(address)
    assert "✖ blocked" in later.text
    assert "has changed since this was stored" in later.text


@pytest.mark.parametrize(
    ("other", "says"), [("1,751", "Write 1.751, with a decimal point"), ("1.7x", "This must be a number.")]
)
def test_every_fault_is_told_at_once_and_the_first_has_the_focus(desk, clerk, other, says):
    """A value in inches, and text that is no number in another row. Nothing is stored."""
    log(desk, clerk, spools="S-1", spool_count="")
    entry = {
        "d1_mm-0": "1.75",
        "d2_mm-0": "1.75",
        "d1_mm-1": "0.0689",
        "d2_mm-1": "1.75",
        "d1_mm-2": "1.75",
        "d2_mm-2": other,
    }
    page = clerk.send(clerk.go("/bench?spool=S-1"), "d1_mm-0", "Store", **entry)
    assert "This looks like inches" in page.text
    assert says in page.text.partition("Position 3")[2]
    assert 1 == page.html.count(" autofocus")
    assert re.search(r'<input id="d1_mm-1"[^>]* autofocus', page.html)
    assert [] == desk.get("quality", "/lots/1/readings")["items"]


def test_what_another_desk_measures_is_said(desk, clerk):
    """For a kind that another desk measures, the bench names that desk and the kinds of this one."""
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=moisture")
    assert (
        "Quality measures moisture. At this desk you measure diameter, colour, gloss, opacity and stringing."
        in page.text
    )
    assert "measured by" not in clerk.go("/bench?spool=L1-S001&kind=color").text


def test_an_empty_colour_is_required_at_each_coordinate(desk, clerk):
    """Not the words of the API about null."""
    log(desk, clerk)
    page = clerk.send(clerk.go("/bench?spool=L1-S001&kind=color"), "L-0", "Store", **{"a-0": "0"})
    assert (422, 2) == (page.status, page.html.count("This is required."))
    assert "null" not in page.text


def test_the_clerk_logs_what_no_spool_bears(desk, clerk):
    """The link is offered to quality, not to receiving."""
    page = clerk.go("/bench?spool=NOBODY")
    assert "/receiving" == page.links["Log its delivery first."]
    assert "Take it to receiving" not in page.text
    assert "Take it to receiving" in Browser(desk, "quality").go("/bench?spool=NOBODY").text
    desk.receive(desk.quillwort, desk.white)
    page = clerk.go("/bench?spool=L1S001&kind=color&instrument=1")
    assert "kind=color&instrument=1" in page.links["Yes, L1-S001"]
    assert "Measure spool L1-S001" in clerk.go(page.links["Yes, L1-S001"]).text


def test_a_reading_that_does_not_count_is_no_plain_success(desk, clerk):
    """The bench warns where it would show a tick, and the page of the lot says why the reading does not count."""
    log(desk, clerk, spools="S-1", spool_count="")
    entry = {"d1_mm-0": "1.75", "d2_mm-0": "1.75", "screening": "on"}
    page = clerk.send(clerk.go("/bench?spool=S-1&kind=diameter"), "d1_mm-0", "Store", **entry)
    assert '<span aria-hidden="true">!</span> 1 reading stored' in page.html
    assert "This reading is for information only and does not count." in page.text
    assert "no: for information only" in clerk.go("/lots/1").text
