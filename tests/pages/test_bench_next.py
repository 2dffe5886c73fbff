"""The bench without script: checking before storing, the next drawn spool, and the instrument."""

from __future__ import annotations

import re

import pytest

from lots.pages.readings.bench_form import MOST_ROWS
from tests.pages.reading import SITE, Browser, log
from tests.shop import SIMPLE_LIMITS, WHITE

ONE = {"d1_mm-0": "1.75", "d2_mm-0": "1.76"}
THREE_DRAWN = {**SIMPLE_LIMITS, "sampling": {"fixed": 3}}
COLOR = {"L-0": str(WHITE[0]), "a-0": str(WHITE[1]), "b-0": str(WHITE[2])}


def stored(desk):
    """Every reading of the first lot."""
    return desk.get("quality", "/lots/1/readings")["items"]


def form_of(page):
    """What the form for readings holds."""
    return next(form["fields"] for form in page.forms if "instrument_id" in form["fields"])


def instrument(desk, code, **more):
    """A micrometer, by default one that is valid now."""
    body = {"code": code, "kind": "micrometer", "standard_uncertainty": 0.002, "check_interval_days": 30, **more}
    return str(desk.post("quality", "/instruments", body)["id"])


def test_the_first_button_is_check_and_stores_nothing(desk, clerk):
    """Enter presses it. It says what each row would be, and where each value lies; only Store stores."""
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=diameter")
    buttons = re.findall(r'<button name="step" value="(\w+)"', page.html)
    assert ["check", "store"] == buttons
    entry = {"d1_mm-0": "1.75", "d2_mm-0": "1.812", "d1_mm-1": "1.8", "d2_mm-1": "1.75", "position_m-1": "3"}
    page = clerk.send(page, "d1_mm-0", "Check", **entry)
    assert "Nothing is stored yet" in page.text
    assert "1.75 and 1.812 mm." in page.text
    assert "1.8 and 1.75 mm at 3 m." in page.text
    assert "outside by 0.012 mm" in page.text
    assert "inside, at the limit" in page.text
    assert "Ovality 0.062 mm: outside by 0.012 mm" in page.text
    assert "The assessment of the lot decides." in page.text
    assert entry.items() <= form_of(page).items()
    assert [] == stored(desk)
    # Pressed by a program that names no button, nothing is stored either.
    assert "Nothing is stored yet" in clerk.send(page, "d1_mm-0").text
    assert [] == stored(desk)
    assert "2 readings stored" in clerk.send(page, "d1_mm-0", "Store").text
    assert 2 == len(stored(desk))


def test_checking_leaves_no_trace(desk, clerk):
    """Neither in the history nor on the lot nor on an instrument without stated measures."""
    gauge = desk.post("quality", "/instruments", {"code": "G", "kind": "gauge", "check_interval_days": 30})
    log(desk, clerk)
    before = desk.get("quality", "/events")["items"], desk.lot(1)
    page = clerk.go("/bench?spool=L1-S001&kind=diameter")
    page = clerk.send(page, "d1_mm-0", "Check", **ONE, instrument_id=str(gauge["id"]))
    assert "1 reading checked" in page.text
    assert before == (desk.get("quality", "/events")["items"], desk.lot(1))
    assert gauge["measures"] == desk.get("quality", f"/instruments/{gauge['id']}")["measures"]


def test_checking_says_what_would_not_count_and_what_looks_like_a_slip(desk, clerk):
    """A check shows cautions at their row, in the same words as after storing, and mistakes at their field."""
    late = instrument(desk, "MIC-OLD")
    desk.post(
        "quality",
        f"/instruments/{late}/checks",
        {"checked_at": "2026-01-05T08:00:00Z", "result": "fail", "artefact": "pin"},
    )
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=diameter")
    tried = clerk.send(page, "d1_mm-0", "Check", **ONE, instrument_id=late)
    assert "Would not count: instrument MIC-OLD failed its check" in tried.text
    done = clerk.send(page, "d1_mm-0", "Store", **ONE, instrument_id=late)
    assert "does not count: instrument MIC-OLD failed its check" in done.text
    far = {**ONE, "d1_mm-1": "1.95", "d2_mm-1": "1.95"}
    tried = clerk.send(clerk.go("/bench?spool=L1-S001&kind=diameter"), "d1_mm-0", "Check", **far)
    assert "Would not count: it is far from the other readings" in tried.text
    assert 1 == len(stored(desk))
    wrong = clerk.send(page, "d1_mm-0", "Check", **{**ONE, "d1_mm-0": "0.0689"})
    assert (422, True) == (wrong.status, "inches" in wrong.text)


def test_a_colour_is_drawn_against_its_limit_once_it_is_checked(desk, clerk):
    """A checked colour is drawn by its difference from the reference, which the server computes."""
    log(desk, clerk)
    page = clerk.send(clerk.go("/bench?spool=L1-S001&kind=color"), "L-0", "Check", **{**COLOR, "L-0": "92"})
    assert re.search(r"Colour difference from the reference \d\.\d\d: outside by \d\.\d\d", page.text)
    assert [] == stored(desk)


def test_the_next_drawn_spool_comes_by_itself(desk, clerk):
    """The same kind on each, then the next kind that the limits require, and the lot's verdict at the end."""
    desk.limit(desk.white["id"], THREE_DRAWN)
    log(desk, clerk)
    page, seen = clerk.go("/bench?spool=L1-S002"), []
    while "diameter" == (here := (form_of(page)["spool"], form_of(page)["kind"]))[1]:
        seen.append(here[0])
        page = clerk.send(page, "d1_mm-0", "Store", **ONE)
        assert f"1 reading stored: diameter of {here[0]}" in page.text
        assert re.search(r'name="(d1_mm|L)-0"[^>]* autofocus', page.html)
    assert ["L1-S002", "L1-S003", "L1-S001"] == seen
    for _ in range(3):
        assert "color" == form_of(page)["kind"]
        seen.append(form_of(page)["spool"])
        page = clerk.send(page, "L-0", "Store", **COLOR)
    assert {"L1-S001", "L1-S002", "L1-S003"} == set(seen[3:])
    assert "released" == desk.lot(1)["standing"]
    assert "✔ released" in page.text
    # Nothing is wanted any more: the next label is scanned.
    assert re.search(r'<input id="spool"[^>]* autofocus', page.html)
    assert 1 == page.html.count(" autofocus")


def test_a_scanned_spool_opens_with_what_is_wanted_on_it(desk, clerk):
    """Colour once the diameters are complete. If nothing is needed, the first kind of the bench."""
    log(desk, clerk, spools="S-1", spool_count="")
    kinds = []
    for first, entry in (("d1_mm-0", ONE), ("L-0", COLOR)):
        page = clerk.go("/bench?spool=S-1")
        kinds.append(form_of(page)["kind"])
        clerk.send(page, first, "Store", **entry)
    assert ["diameter", "color", "diameter"] == [*kinds, form_of(clerk.go("/bench?spool=S-1"))["kind"]]


def test_a_spool_that_was_begun_is_finished_first(desk, clerk):
    """The bench proposes a partly measured spool first, with as many rows as are still required."""
    desk.limit(
        desk.white["id"], {**THREE_DRAWN, "diameter": {"reading_tolerance_mm": 0.05, "readings_per_spool_min": 4}}
    )
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S002&kind=diameter")
    assert "Still to measure on this spool: 4 readings ." in page.text
    assert ("d1_mm-3" in form_of(page), "d1_mm-4" in form_of(page)) == (True, False)
    page = clerk.send(page, "d1_mm-0", "Store", **ONE)
    assert ("L1-S002", "Still to measure on this spool: 3 readings ." in page.text) == (form_of(page)["spool"], True)


def test_the_focus_stands_in_the_first_field_to_type_in(desk):
    """Required shared fields come before the rows. Values kept from the last entry are skipped."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    quality = Browser(desk, "quality")
    for kind, first in (
        ("gloss", "geometry_deg"),
        ("shrinkage", "age_h"),
        ("bond", "break_force_n-0"),
        ("diameter", "d1_mm-0"),
    ):
        page = quality.go(f"/bench?spool=L1-S001&kind={kind}")
        assert [first] == re.findall(r'id="([^"]+)"[^>]* autofocus', page.html)
    page = quality.go("/bench?spool=L1-S001&kind=gloss")
    page = quality.send(page, "gloss_gu-0", "Store", **{"geometry_deg": "60", "gloss_gu-0": "41"})
    again = quality.send(
        quality.go("/bench?spool=L1-S001&kind=gloss"),
        "gloss_gu-0",
        "Check",
        **{"geometry_deg": "60", "gloss_gu-0": "41"},
    )
    assert not re.search(r"<input[^>]* autofocus", again.html)


def test_the_page_of_another_spool_says_what_it_lacks_and_what_comes_next(desk, clerk):
    """Of a spool that was not drawn, the page says only that."""
    desk.limit(desk.white["id"], {**SIMPLE_LIMITS, "sampling": {"fixed": 2}})
    log(desk, clerk)
    drawn = desk.get("quality", "/lots/1/sample")["deliveries"][0]["drawn"]
    (other,) = {"L1-S001", "L1-S002", "L1-S003"} - set(drawn)
    clerk.send(clerk.go(f"/bench?spool={drawn[0]}"), "d1_mm-0", "Store", **ONE)
    done, left, beside = (clerk.go(f"/bench?spool={code}&kind=diameter").text for code in (*drawn, other))
    assert f"The diameter readings of this spool are complete. Next: diameter of spool {drawn[1]}" in done
    assert "Still to measure on this spool: 1 reading" in left
    assert ("This spool has" in beside, f"Next: diameter of spool {drawn[1]}" in beside) == (False, True)


def test_rows_beyond_those_of_the_form_are_stored(desk, clerk):
    """Script writes them; without script, checking gives one more. Far too many are left out of the page, never half stored."""
    log(desk, clerk)
    entry = {f"{axis}-{row}": f"1.7{row % 10}{row // 10}" for row in range(9) for axis in ("d1_mm", "d2_mm")}
    page = clerk.send(clerk.go("/bench?spool=L1-S001&kind=diameter"), "d1_mm-0", "Check", **entry)
    assert "d1_mm-9" in form_of(page)
    clerk.send(page, "d1_mm-0", "Store")
    assert 9 == len(stored(desk))
    over = {f"d1_mm-{MOST_ROWS}": "1.75", "d1_mm-999": "1.75"}
    page = clerk.send(clerk.go("/bench?spool=L1-S001&kind=diameter"), "d1_mm-0", "Store", **over)
    assert 422 == page.status
    assert 9 == len(stored(desk))


def test_an_instrument_in_order_is_proposed(desk, clerk):
    """Among those for the kind. One without a valid calibration is listed separately, with the reason."""
    failed = instrument(desk, "A-FAILED")
    desk.post(
        "quality",
        f"/instruments/{failed}/checks",
        {"checked_at": "2026-01-05T08:00:00Z", "result": "fail", "artefact": "pin"},
    )
    spectro = desk.post(
        "quality", "/instruments", {"code": "SPEC-1", "kind": "spectrophotometer", "check_interval_days": 30}
    )
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=diameter")
    assert str(desk.micrometer["id"]) == form_of(page)["instrument_id"]
    assert "A-FAILED does not count now: instrument A-FAILED failed its check of 2026-01-05" in page.text
    groups = re.findall(r'<optgroup label="([^"]+)">(.*?)</optgroup>', page.html)
    assert [("Calibration valid", True), ("Calibration not valid", False)] == [
        (label, "MIC-1" in options) for label, options in groups
    ]
    assert "SPEC-1" not in page.html
    assert str(spectro["id"]) == form_of(clerk.go("/bench?spool=L1-S001&kind=color"))["instrument_id"]
    # Specks and hairs are counted by eye.
    assert "" == form_of(clerk.go("/bench?spool=L1-S001&kind=stringing"))["instrument_id"]


def test_the_instrument_used_last_is_remembered_for_each_kind(desk, clerk):
    """An HttpOnly cookie remembers the last instrument of each kind. An instrument without a valid calibration is not proposed."""
    second = instrument(desk, "MIC-2")
    log(desk, clerk)
    clerk.send(clerk.go("/bench?spool=L1-S001&kind=diameter"), "d1_mm-0", "Store", **ONE, instrument_id=second)
    cookie = next(one for one in clerk.client._cookies.values() if one.key.endswith("lots_instruments"))
    assert (f"diameter.{second}", True, "Strict", True) == (
        cookie.value,
        cookie.http_only,
        cookie.same_site,
        cookie.secure,
    )
    fresh = clerk.go("/bench?spool=L1-S002&kind=diameter")
    assert second == form_of(fresh)["instrument_id"]
    assert str(desk.micrometer["id"]) == form_of(Browser(desk, "receiving").go("/bench?spool=L1-S002"))["instrument_id"]
    desk.post(
        "quality",
        f"/instruments/{second}/checks",
        {"checked_at": "2026-01-05T08:00:00Z", "result": "fail", "artefact": "pin"},
    )
    assert str(desk.micrometer["id"]) == form_of(clerk.go("/bench?spool=L1-S002"))["instrument_id"]
    for odd in ("diameter.x", "diameter.1-", "diameter.99999999999", "\u00e4"):
        clerk.client.set_cookie(cookie.key, odd, domain="lots.example.org", secure=True)
        assert 200 == clerk.raw("/bench?spool=L1-S002").status_code


@pytest.mark.parametrize("typed", ["1,748", " 1,748 ", "1.748"])
def test_a_comma_is_the_decimal_sign_where_the_shop_says_so(desk, clerk, typed):
    """Where the decimal sign is a comma, fields accept comma and point, and the page writes commas."""
    here = desk.call("admin", "GET", "/shop")
    desk.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match=here.headers["ETag"])
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=diameter")
    assert 'data-comma="1"' in page.html
    assert "Single diameter: 1,7 to 1,8 mm." in page.text
    page = clerk.send(page, "d1_mm-0", "Check", **{"d1_mm-0": typed, "d2_mm-0": "1,812"})
    assert "1,748 and 1,812 mm." in page.text
    assert "outside by 0,012 mm" in page.text
    clerk.send(page, "d1_mm-0", "Store")
    assert [(1.748, 1.812)] == [(one["d1_mm"], one["d2_mm"]) for one in stored(desk)]


def test_another_time_is_typed_by_the_clock_of_the_shop(desk, clerk):
    """The store keeps UTC."""
    here = desk.call("admin", "GET", "/shop")
    desk.call("admin", "PATCH", "/shop", {"time_zone": "Europe/Berlin"}, If_Match=here.headers["ETag"])
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=diameter")
    twice = clerk.send(page, "d1_mm-0", "Store", **ONE, measured_at="2026-10-25T02:30")
    assert (422, True) == (twice.status, "occurred twice" in twice.text)
    assert re.search(r'id="measured_at"[^>]* aria-invalid="true"', twice.html)
    clerk.send(twice, "d1_mm-0", "Store", measured_at="2026-11-20T14:05")
    assert ["2026-11-20T13:05:00Z"] == [one["measured_at"] for one in stored(desk)]


def test_the_scripts_are_small_and_come_from_here(desk, clerk):
    """The page with all its resources is smaller than 150 KB."""
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=diameter")
    parts = re.findall(r'<(?:script src|link rel="stylesheet" href)="([^"]+)"', page.html)
    assert {"/static/bench.js", "/static/bench-scales.js"} < set(parts)
    weights = []
    for part in parts:
        with clerk.raw(part) as answer:
            weights.append(len(answer.data))
    assert all(weights)
    assert len(page.html.encode()) + sum(weights) < 150_000
    assert 404 == clerk.raw("/static/other.js").status_code
    with desk.app.test_client().get("/static/bench.js", base_url=SITE) as answer:
        assert 200 == answer.status_code
