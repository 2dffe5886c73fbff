"""Instruments at the pages: checks, suspect readings, studies, working copies, visual trials."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest

from tests.api.bodies import Furnished
from tests.domain.visual_trials.trials import trial
from tests.pages.reading import Browser
from tests.shop import WHITE

NOW = f"{datetime.now(UTC):%Y-%m-%dT%H:%M}"
TRIALS = "\n".join(
    f"{part}; {who}; {value}"
    for part, more in (("pin 1", 0.0), ("pin 2", 0.01))
    for who, values in (("Ann", (1.75, 1.752)), ("Bo", (1.751, 1.749)))
    for value in (one + more for one in values)
)
# L*, a*, b* about the reference, as simulated plaques are judged.
PLAQUES = "\n".join(
    f"V{place}; {95 + p.dL:.3f}; {-0.8 + p.da:.3f}; {1.5 + p.db:.3f}; {p.accepted}; {p.judged}"
    for place, p in enumerate(trial(np.random.default_rng(1)))
)


@pytest.fixture
def technician(desk):
    """The quality technician at a browser."""
    return Browser(desk, "quality")


@pytest.fixture
def measured(desk):
    """A released lot whose diameter was read with a micrometer that passed its check before."""
    checked = {"checked_at": "2026-11-20T07:00:00Z", "result": "pass", "artefact": "pin 1.750 mm"}
    desk.post("quality", f"/instruments/{desk.micrometer['id']}/checks", checked)
    spool = desk.receive(desk.quillwort, desk.white)["spools"][0]["code"]
    desk.diameter(spool, instrument_id=desk.micrometer["id"])
    desk.color(spool, WHITE)
    desk.load(spool)
    assert "released" == desk.lot(1)["standing"]
    return f"/instruments/{desk.micrometer['id']}/check"


def checks(desk):
    """The checks of the micrometer."""
    return desk.get("quality", f"/instruments/{desk.micrometer['id']}/checks")["items"]


def test_a_passed_check_is_stored_with_its_readings(desk, technician):
    """One per line; the result says how they lie, and the overview is due later."""
    page = technician.go(technician.go("/quality").links["Check MIC-1"])
    assert "This instrument was never checked." in page.text
    done = technician.send(page, "readings", artefact="pin 1.750 mm", readings="1.751\r\n1.749\r\n1.750", result="pass")
    assert "Check passed" in done.text
    assert "Mean 1.75 of 3 readings, from 1.749 to 1.751." in done.text
    (kept,) = checks(desk)
    assert ("pass", [1.751, 1.749, 1.75], "pin 1.750 mm") == (kept["result"], kept["readings"], kept["artefact"])


def test_colours_on_a_tile_are_rows(desk, technician):
    """L*, a*, b* with blanks, semicolons or commas between them."""
    page = technician.go(f"/instruments/{desk.micrometer['id']}/check")
    technician.send(page, "readings", readings="95.0 -0.8 1.5\r\n95.1; -0.7; 1.4\r\n\r\n95.2, -0.9, 1.6", result="pass")
    assert [[95.0, -0.8, 1.5], [95.1, -0.7, 1.4], [95.2, -0.9, 1.6]] == checks(desk)[0]["readings"]


def test_a_failed_check_says_first_what_becomes_suspect(desk, technician, measured):
    """The lots and their numbers of readings. Nothing is stored before the second button, and then the spools to take off are named."""
    page = technician.go(measured)
    warned = technician.send(page, "readings", readings="1.790", artefact="pin 1.750 mm", result="fail")
    assert "1 reading of 1 lot would be suspect" in warned.text
    assert "/lots/1" in warned.every_link
    assert ("released", 1) == (desk.lot(1)["standing"], len(checks(desk)))
    done = technician.send(warned, "confirm")
    assert "Check failed" in done.text
    assert "Unload these spools now: Spool" in done.text
    assert ("quarantined", 2) == (desk.lot(1)["standing"], len(checks(desk)))
    assert [1.79] == checks(desk)[-1]["readings"]


def test_what_becomes_suspect_is_told_over_the_api_too(desk, measured):
    """Readings between the neighbouring checks, of this instrument only."""
    path = measured.replace("/check", "/suspect-lots")
    (lot,) = desk.get("quality", path)["lots"]
    assert ("Q-71", 1) == (lot["supplier_lot"], lot["readings"])
    before = desk.get("quality", f"{path}?checked_at=2026-11-01T00:00:00Z")
    assert ([], "No reading would be suspect.") == (before["lots"], before["says"])
    other = desk.post("quality", "/instruments", {"code": "X", "kind": "caliper", "check_interval_days": 1})
    assert [] == desk.get("quality", f"/instruments/{other['id']}/suspect-lots")["lots"]


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"result": ""}, "This is required."),
        ({"result": "soso"}, '"soso" is not a permitted value.'),
        ({"checked_at": "2099-01-01T00:00"}, "is in the future"),
        ({"checked_at": ""}, "This is required."),
        ({"readings": "1.75\r\n1,75"}, "Line 2: "),
        ({"readings": "about 1.75"}, "This must be a number."),
        ({"readings": "1.75", "result": "fail", "checked_at": "never"}, "This time is not complete"),
    ],
)
def test_a_check_that_cannot_be_is_refused_beside_its_field(desk, technician, typed, says):
    """Nothing is stored, whether it passed or failed."""
    page = technician.go(f"/instruments/{desk.micrometer['id']}/check")
    refused = technician.send(page, "readings", **{"result": "pass", **typed})
    assert 422 == refused.status
    assert says in refused.text
    assert [] == checks(desk)


def test_a_study_is_typed_and_its_result_comes_first(desk, technician):
    """The page of a study shows its verdict in words before its numbers. A void requires a reason."""
    page = technician.go(f"/instruments/{desk.micrometer['id']}/study")
    done = technician.send(page, "table", measure="diameter", table=TRIALS, tolerance_width="0.1", studied_at=NOW)
    (made,) = desk.get("quality", f"/instruments/{desk.micrometer['id']}/studies")["items"]
    assert (8, 0.1) == (len(made["trials"]), made["tolerance_width"])
    assert "Study stored" in done.text
    assert done.html.index(made["says"][0][:20]) < done.html.index("Standard deviation")
    assert 422 == technician.send(done, "reason", reason=" ").status
    void = technician.send(done, "reason", reason="the pins were mixed up")
    assert "Study voided" in void.text
    assert "the pins were mixed up" == desk.get("quality", "/studies/1")["voided"]["reason"]
    assert not any("reason" in form["fields"] for form in void.forms)


def test_a_study_comes_as_a_file(desk, technician):
    """A study is imported from a CSV file whose first line names the columns."""
    address = f"/instruments/{desk.micrometer['id']}/study?kind=linearity"
    fields = technician.go(address).form("table")["fields"] | {"measure": "diameter"}
    rows = [f"pin {size},{size},{size + off}" for size in (1.7, 1.75, 1.8) for off in (0.001, -0.001, 0.002)]
    content = "\n".join(("Artefact,Reference value,Reading", *rows)).encode()
    done = technician.go(address.partition("?")[0], data={**fields, "file": (io.BytesIO(content), "study.csv")})
    assert "linearity of MIC-1" in done.text
    (made,) = desk.get("quality", f"/instruments/{desk.micrometer['id']}/studies")["items"]
    assert [("pin 1.7", 1.7, 3), ("pin 1.75", 1.75, 3), ("pin 1.8", 1.8, 3)] == [
        (one["code"], one["reference"], len(one["readings"])) for one in made["artefacts"]
    ]


@pytest.mark.parametrize(
    ("kind", "table", "says"),
    [
        ("repeatability", "", "This is required."),
        ("repeatability", TRIALS + "\nlost", "Line 9: 1 cells."),
        ("repeatability", TRIALS.replace("1.752", "x"), "Line 2, value: This must be a number."),
        ("repeatability", "\n".join(TRIALS.splitlines()[:3]), "equally often"),
        ("repeatability", TRIALS.replace("1.752", "17.52"), "Line 2"),
        ("linearity", "pin; 1.75; 1.751\npin; 1.76; 1.752", "another reference value"),
        ("agreement", "Q; third; 95; 0; 1", "neither first nor second"),
    ],
)
def test_a_study_that_cannot_be_judged_names_its_line(desk, technician, kind, table, says):
    """Nothing is stored, and the table stays as it was typed."""
    page = technician.go(f"/instruments/{desk.micrometer['id']}/study?kind={kind}")
    known = {} if kind == "agreement" else {"measure": "diameter"}
    refused = technician.send(page, "table", table=table, **known)
    assert 422 == refused.status
    assert says in refused.text
    assert [] == desk.get("quality", f"/instruments/{desk.micrometer['id']}/studies")["items"]
    assert table.splitlines() == refused.form("table")["fields"]["table"].splitlines()


def test_a_working_copy_is_added_measured_again_and_a_session_voided(shop):
    """The list shows its offset, and each session says what moved."""
    at = Furnished(shop)
    technician = Browser(shop, "quality")
    address = f"/setup/shades/{at.shade['id']}/copies"
    typed = {"code": "HW-W1", "master": "95.0 -0.8 1.5", "copy": "95.0 -0.8 1.7", "remeasure_every_days": "90"}
    page = technician.go(address)
    unsaid = technician.send(page, "remeasure_every_days", **typed)
    assert (422, True) == (unsaid.status, "This is required." in unsaid.text)
    done = technician.send(unsaid, "remeasure_every_days", same="yes")
    assert "Working copy HW-W1 added" in done.text
    assert "0.00; 0.00; 0.20" in done.text
    session = {
        "tile_code": "T-1",
        "tile": "97.0 0.0 0.4",
        "copy-HW-W1": "95.0 -0.8",
        "master": "95.0 -0.8 1.5",
        "same": "yes",
        "instrument_id": str(at.instrument["id"]),
    }
    refused = technician.send(done, "tile", **session)
    assert (422, True) == (refused.status, "This must be 3 numbers" in refused.text)
    stored = technician.send(refused, "tile", **{**session, "copy-HW-W1": "95.0 -0.8 1.7"})
    assert "Session stored" in stored.text
    (kept,) = shop.get("quality", f"{address.replace('/setup', '').replace('/copies', '')}/remeasurements")["items"]
    assert [("tile", "T-1"), ("master", None), ("copy", "HW-W1")] == [
        (one["artefact"], one["code"]) for one in kept["read"]
    ]
    void = technician.send(stored, "shade", reason="the tile was dusty")
    assert "Session voided" in void.text
    assert "void: the tile was dusty" in void.text


def test_a_visual_trial_shows_its_tolerance_first(desk, technician):
    """Stored as typed; the limits it supports come with the lots that they would fail."""
    desk.good_lot(desk.quillwort, desk.white)
    grade = desk.white["id"]
    page = technician.go(technician.go(f"/grades/{grade}/visual-trials").links["Add a visual trial"])
    unsaid = technician.send(page, "plaques", plaques=PLAQUES)
    assert (422, True) == (unsaid.status, "This is required." in unsaid.text)
    done = technician.send(unsaid, "plaques", same="yes")
    (made,) = desk.get("quality", f"/grades/{grade}/visual-trials")["items"]
    assert (40, 480) == (made["plaque_count"], made["judgement_count"])
    assert "Visual trial stored" in done.text
    shown = desk.get("quality", "/visual-trials/1")
    assert shown["tolerance"]["says"] in done.text
    assert "Nothing is set until quality adds a limits revision." in done.text
    assert 1 == len(desk.get("quality", f"/grades/{grade}/limits")["items"])
    assert "/visual-trials/1" in technician.go(f"/grades/{grade}/visual-trials").every_link


@pytest.mark.parametrize(
    ("plaques", "says"),
    [
        ("", "This is required."),
        ("V1; 95; -0.8; 1.5; 13; 12", "Line 1, accepted: 13 accepted of 12 judged is not possible."),
        ("V1; 95; -0.8; 1.5; 1; 12\n\nV1; 96; -0.8; 1.5; 1; 12", "Line 3, code: Plaque V1 is already in this trial"),
        ("V1; 95; -0.8; 1.5; 9", "Line 1: 5 cells."),
        ("V1; 9.5; -0.8; 1.5; 9; 12", "Line 1, lab: "),
    ],
)
def test_plaques_that_cannot_be_name_their_line(desk, technician, plaques, says):
    """Nothing is stored."""
    page = technician.go(f"/grades/{desk.white['id']}/visual-trials/new")
    refused = technician.send(page, "plaques", plaques=plaques, same="yes")
    assert 422 == refused.status
    assert says in refused.text
    assert [] == desk.get("quality", f"/grades/{desk.white['id']}/visual-trials")["items"]


PAGES = ("/instruments/1/check", "/instruments/1/study", "/setup/shades/1/copies", "/grades/1/visual-trials/new")


@pytest.mark.parametrize("role", ["receiving", "purchasing", "production"])
def test_other_desks_keep_out_of_instruments_and_references(desk, role):
    """403 for each page and each form."""
    other = Browser(desk, role)
    sealed = {**other.go("/").form("seal")["fields"], "result": "pass", "checked_at": NOW, "reason": "x"}
    assert {403} == {other.raw(path).status_code for path in (*PAGES, "/studies/1", "/visual-trials/1")}
    sent = (*PAGES, "/studies/1/void", "/setup/shades/1/remeasurements", "/remeasurements/1/void")
    assert {403} == {other.raw(path, data=sealed).status_code for path in sent}
    assert [] == checks(desk)


@pytest.mark.parametrize(
    "path",
    [
        "/instruments/99/check",
        "/instruments/99/study",
        "/studies/99",
        "/setup/shades/99/copies",
        "/visual-trials/99",
        "/grades/99/visual-trials",
    ],
)
def test_what_is_not_there_has_a_way_back(technician, path):
    """404 in words."""
    page = technician.go(path)
    assert (404, True) == (page.status, "does not exist" in page.text)
    assert "Back" in page.links


def test_an_empty_shop_has_pages_that_say_what_is_missing(shop):
    """A shade without a revision, a grade without a reference."""
    shade = shop.post("quality", "/shades", {"code": "NEW", "name": "New"})
    grade = shop.grade("BARE", shade_id=None)
    technician = Browser(shop, "quality")
    assert "No concessions are waiting for approval." in technician.go("/quality").text
    assert "This shade has no approved revision yet." in technician.go(f"/setup/shades/{shade['id']}/copies").text
    assert "This grade has no approved reference" in technician.go(f"/grades/{grade['id']}/visual-trials/new").text
