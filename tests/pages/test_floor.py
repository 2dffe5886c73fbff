"""Production's pages: loading, unloading, respooling and containments, each in few taps."""

from __future__ import annotations

import re

import pytest

from tests.pages.reading import SITE, Browser
from tests.pages.test_statements import made
from tests.shop import SIMPLE_LIMITS


@pytest.fixture
def lead(desk):
    """The line lead at a browser."""
    return Browser(desk, "production")


def two_lots(desk, limit=0.5):
    """A white of two suppliers, 1.45 apart (CIEDE2000, colour-science 0.4.7), with a limit within one job; the codes of each lot."""
    limits = {**SIMPLE_LIMITS, "color": {"lot_max": 1.0, "job_pair_max": limit}}
    grade = desk.grade("PAIR", limits=limits)
    codes = []
    for supplier, number, lab in (
        (desk.quillwort, "A", [95.3, -0.9, 0.8]),
        (desk.ninebark, "B", [94.7, -0.7, 2.26]),
    ):
        got = desk.receive(supplier, grade, number, 3)
        (drawn,) = got["sample"]["spool_codes"]
        desk.diameter(drawn)
        desk.color(drawn, lab)
        codes.append([spool["code"] for spool in got["spools"]])
    return grade, *codes


def test_a_refused_spool_leads_to_another_and_onto_the_machine_in_two_taps(desk, lead):
    """First tap: the other spool, checked for the same. Second tap: loaded."""
    first, second, _ = (spool["code"] for spool in desk.good_lot(desk.quillwort, desk.white)["spools"])
    desk.load(first)
    page = lead.go(f"/check?spool={first}&use=cosmetic&job=J-2&machine=P2&mass_g=600")
    assert "✖ Do not load" in page.text
    page = lead.go(page.links[second])
    assert "✔ Load" in page.text
    page = lead.send(page, "once")
    assert f"Spool {second} is loaded on P2 for job J-2." in page.text
    assert 'value="J-2"' in lead.go(page.links["Check another spool for job J-2"]).html
    held = {load["spool_code"]: (load["machine"], load["job"]) for load in desk.get("production", "/loads")["items"]}
    assert {first: ("P1", "J-1"), second: ("P2", "J-2")} == held


def test_the_answer_has_headings_that_are_nouns_and_says_until_when_a_concession_holds(desk, lead):
    """Reasons, cautions, other spools and permitted uses of a refused spool; settings and the end of the concession of a clear one."""
    delivery = desk.receive(desk.ninebark, desk.white, "N-1", spools=2)
    desk.diameter(delivery["sample"]["spool_codes"][0], d1=1.9)
    code = delivery["spools"][1]["code"]
    page = lead.go(f"/check?spool={code}&use=hidden")
    for heading in ("Reasons", "Cautions", "Other spools you can use", "Permitted uses"):
        assert f">{heading}</h2>" in page.html
    asked = {"uses": ["hidden"], "max_mass_g": 500, "valid_until": "2199-01-31T00:00:00Z", "reason": "Brackets."}
    concession = desk.post("quality", f"/lots/{delivery['lot_id']}/concessions", asked)
    desk.post("admin", f"/concessions/{concession['id']}/approve")
    page = lead.go(f"/check?spool={code}&use=hidden&job=J-1&machine=P1&mass_g=200")
    assert "✔ Load" in page.text
    assert "Valid until 2199-01-31 00:00 UTC , 500 g left, approved by admin person." in page.text
    assert ">Settings</h2>" in page.html
    assert "hidden: ◐ under concession" in page.text


def test_a_clear_spool_without_a_job_is_checked_for_one_before_it_can_be_loaded(desk, lead):
    """The colour match of the job is shown first. There is no load button before."""
    code = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    page = lead.go(f"/check?spool={code}&use=cosmetic")
    assert "Load on" not in page.text
    first = next(form for form in page.forms if set(form["fields"]) == {"spool", "use", "mass_g", "job", "machine"})
    assert {"spool": code, "use": "cosmetic", "mass_g": "", "job": "", "machine": ""} == first["fields"]
    page = lead.send(page, "machine", job="J-7", machine="P4")
    assert "Load on P4" in page.text
    assert "No other lot of this shade is in the job." in page.text


def test_the_colour_match_with_the_job_stands_in_numbers(desk, lead):
    """The spool there, the difference, the limit, the direction."""
    _, (first, *_), (second, *_) = two_lots(desk)
    desk.load(first, job="J-1")
    page = lead.go(f"/check?spool={second}&use=cosmetic&job=J-1&machine=P2")
    assert re.search(r"Lot A, spool \S+ 1\.45 0\.5 ✖ no match, darker", page.text)
    assert 409 == lead.raw("/check", data=_load_form(lead, second, "J-1")).status_code


def _load_form(lead, code, job):
    sealed = lead.go("/check").html
    return {
        "seal": lead.go("/").form("seal")["fields"]["seal"],
        "once": f"k{len(sealed)}",
        "spool": code,
        "use": "cosmetic",
        "job": job,
        "machine": "P2",
    }


def test_what_must_come_off_stands_first_with_its_unload(desk, lead):
    """A blocked spool with machine, reason and field first, then the others, then containments."""
    bad, good = desk.good_lot(desk.quillwort, desk.white, "BAD"), desk.good_lot(desk.ninebark, desk.white, "GOOD")
    desk.load(good["spools"][0]["code"], machine="A1", job="J-1")
    load = desk.load(bad["spools"][0]["code"], machine="Z9", job="J-2")
    desk.unload(desk.load(bad["spools"][1]["code"], machine="Y8", job="J-3")["id"], 900)
    desk.decide(bad["lot_id"], "block", "Streaks.")
    page = lead.go("/loaded")
    off, _, rest = page.html.partition("Spools to take off first")[2].partition("Containments")
    assert ("Z9" in off, "Streaks." in off, "A1" in off) == (True, True, False)
    assert "Set aside the parts of job J-3" in page.text
    assert "A1" in rest.partition("Other loaded spools")[2]
    page = lead.send(page, "remaining_mass_g", remaining_mass_g="500")
    assert f"{load['spool_code']} is off Z9, 500 g left." in page.text
    assert "Spools to take off first" not in page.text


def test_machines_stand_in_the_order_people_count_them(desk, lead):
    """P2 before P10, and names that are no numbers among them."""
    codes = [spool["code"] for spool in desk.good_lot(desk.quillwort, desk.white, spools=4)["spools"]]
    for code, machine in zip(codes, ("P10", "bench", "P2", "²"), strict=True):
        desk.load(code, machine=machine)
    shown = re.findall(r'<th scope="row">([^<]+)</th><td data-name="Spool">', lead.go("/loaded").html)
    assert ["bench", "P2", "P10", "²"] == shown


def test_filament_is_respooled_after_a_look_at_what_it_makes(desk, lead):
    """Lots that do not match are named before storing, and again on the page of the new spool, which prints its label."""
    _, (first, *_), (second, *_) = two_lots(desk)
    page = lead.go(f"/respool?spool={first}")
    assert first == page.form("code")["fields"]["spool_code"] or first in page.html
    form = {
        "seal": page.form("code")["fields"]["seal"],
        "spool_code": [first, f"{SITE}/spools/{second}", ""],
        "mass_g": ["300", "200", ""],
        "code": "MIX-1",
    }
    page = lead.go("/respool", data=form)
    assert "Respooling of 500 g PAIR" in page.text
    assert "The new spool would hold lots A and B." in page.text
    assert "300 g taken, 700 g left" in page.text
    assert 404 == desk.app.test_client().get("/x").status_code
    desk.get("production", "/spools/MIX-1", status=404)
    sent = re.findall(r'name="(\w+)" value="([^"]*)"', page.html.partition("</header>")[2])
    pairs = {name: [value for key, value in sent if key == name] for name, _ in sent}
    page = lead.go("/respool", data=pairs)
    assert "Spool MIX-1 is stored, 500 g. Print its label now." in page.text
    assert "Use it only where colour does not show." in page.text
    assert f"300 g from {first}" in page.text
    assert "cosmetic : ✖ no" in page.text
    assert "onto MIX-1" in lead.go(f"/spools/{first}").text


@pytest.mark.parametrize(
    ("mass", "says"),
    [("5000", "1000 g are left on spool"), ("much", "This must be a number."), ("", "This is required.")],
)
def test_what_is_wrong_with_a_respooling_stands_at_its_field(desk, lead, mass, says):
    """The typed values stay."""
    code = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    seal = lead.go("/respool").form("code")["fields"]["seal"]
    page = lead.go("/respool", data={"seal": seal, "spool_code": [code], "mass_g": [mass], "code": ""})
    assert 422 == page.status
    assert f'value="{code}"' in page.html
    assert says in page.html.partition('id="mass_g-0-hint"')[2].partition("</p>")[0]


def test_spools_are_picked_for_a_job_with_the_difference_of_each_two(desk, lead):
    """Two lots are needed and match within 2. Within 0.5 there is not enough, and the page names the nearest match."""
    grade, first, second = two_lots(desk)
    address = f"/picks?grade_id={grade['id']}&use=cosmetic&mass_g=4000&match_max="
    page = lead.go(f"{address}2")
    assert "✔ 4 spools" in page.text
    assert "Proven: no better choice exists." in page.text
    assert "A and B: 1.45" in page.text
    chosen = [code for code in page.links if code in (*first, *second)]
    assert "✔ Load" in lead.go(page.links[chosen[0]]).text
    page = lead.go(f"{address}0.5")
    assert "✖ Not enough" in page.text
    assert "✔ 4 spools" in lead.go(page.links["Pick with a maximum of 1.46"]).text
    assert 422 == lead.go(f"/picks?grade_id={grade['id']}&use=cosmetic&mass_g=x").status


def test_purchasing_picks_spools_and_is_led_to_no_check(desk):
    """Whether stock is enough is a question of purchasing too; each spool leads to its page, since purchasing loads nothing."""
    grade, first, second = two_lots(desk)
    buyer = Browser(desk, "purchasing")
    page = buyer.go(f"/picks?grade_id={grade['id']}&use=cosmetic&mass_g=4000&match_max=2")
    assert "✔ 4 spools" in page.text
    chosen = [code for code in page.links if code in (*first, *second)]
    assert 4 == len(chosen)
    assert [f"/spools/{code}" for code in chosen] == [page.links[code] for code in chosen]
    assert {200} == {buyer.raw(address).status_code for address in page.links.values() if address.startswith("/")}
    assert [] == desk.get("purchasing", "/loads")["items"]


def test_a_containment_is_closed_with_a_note_that_is_confirmed(desk):
    """After a confirmation that names the spool still loaded. A closed containment is in no list of open ones."""
    delivery = desk.good_lot(desk.quillwort, desk.white)
    desk.load(delivery["spools"][0]["code"])
    desk.decide(delivery["lot_id"], "block", "Streaks.")
    quality = Browser(desk, "quality")
    page = quality.go(quality.go("/containments").links["Close"])
    assert 422 == quality.send(page, "note", note=" ").status
    page = quality.send(page, "note", note="Parts in box 4.")
    assert "is still on P1." in page.text
    assert "A closed containment cannot be opened again." in page.text
    assert 1 == len(desk.get("quality", "/containments?open=true")["items"])
    page = quality.send(page, "confirm")
    assert "Containment 1 is closed." in page.text
    assert [] == desk.get("quality", "/containments?open=true")["items"]
    assert "by quality person: Parts in box 4." in quality.go("/containments?closed=1").text
    again = quality.go(
        "/containments/1", data={**quality.go("/").form("seal")["fields"], "note": "x", "confirm": "yes"}
    )
    assert (409, True) == (again.status, "was already closed by" in again.text)
    assert 404 == quality.go("/containments/9").status


def test_a_job_is_traced_to_its_lots_and_those_it_possibly_used(desk, lead):
    """Spools with their times, lots with the decision they rested on, one in unrecorded time marked as possible."""
    first, second = desk.good_lot(desk.quillwort, desk.white, "Q-1"), desk.good_lot(desk.ninebark, desk.white, "N-1")
    desk.load(first["spools"][0]["code"], job="J-1")
    desk.load(second["spools"][0]["code"], job="J-2")
    page = lead.go("/jobs/J-1")
    assert "1 load of 1 lot, and possibly filament of 1 more lot." in page.text
    assert "N-1 possibly , Supplier NBK" in page.text
    assert "Possibly: machine P1 has 1 slot, but 2 spools were recorded on it" in page.text
    assert "Status at its first load: ✔ released , by limits revision 1." in page.text
    assert "Colour reference: revision 1 of its shade." in page.text
    assert "Yes, job J-1" in lead.go("/jobs/J1").links
    assert 404 == lead.go("/jobs/NOBODY").status
    assert "J-1" in lead.go("/jobs").links


def test_lots_that_match_a_lot_are_listed_with_their_difference(desk, lead):
    """Nearest first, by the limit of the job unless another is typed."""
    two_lots(desk)
    page = lead.go("/lots/1/matches")
    assert "B ✖ no match 1.45 darker" in page.text
    assert "B ✔ match 1.45 darker" in lead.send(page, "max", max="2").text
    assert 422 == lead.go("/lots/1/matches?max=x").status
    assert 404 == lead.go("/lots/99/matches").status


@pytest.mark.parametrize("use", ["cosmetic", "fit", "load_bearing", "flexing", "hidden"])
def test_the_page_of_a_spool_permits_what_a_check_of_it_permits(desk, lead, use):
    """Released, in quarantine, blocked, respooled from lots that do not match, empty, failing by itself: never a kinder word."""
    _, first, second = two_lots(desk)
    parents = [{"spool_code": first[1], "mass_g": 300}, {"spool_code": second[1], "mass_g": 300}]
    desk.post("production", "/spools", {"code": "MIX", "parents": parents})
    desk.post("production", "/spools", {"code": "ALL", "parents": [{"spool_code": first[2], "mass_g": 1000}]})
    waiting = desk.receive(desk.quillwort, desk.white, "WAIT", spools=1)["spools"][0]["code"]
    blocked = desk.good_lot(desk.ninebark, desk.white, "BAD")
    desk.decide(blocked["lot_id"], "block")
    for code in (first[0], first[2], "MIX", "ALL", waiting, blocked["spools"][0]["code"]):
        clear = desk.ask_clearance(code, use)["clear"]
        line = re.search(
            rf"{use.replace('_', '-')} : (\S+) (yes|under concession|no|not yet|not assessed)", _uses(lead, code)
        )
        assert clear is (line[2] in ("yes", "under concession")), code


def test_a_spool_that_is_used_up_is_not_shown_as_released(desk, lead):
    """Its lot is released; the large word is about the spool, and it is permitted for no use."""
    delivery = desk.good_lot(desk.quillwort, desk.white)
    used = delivery["spools"][0]["code"]
    desk.unload(desk.load(used)["id"], 0)
    page = lead.go(f"/spools/{used}")
    assert "✖ Used up Its lot is ✔ released . No use of this spool is permitted." in page.text
    assert "hidden : ✖ no . Spool" in page.text


def _uses(who, code):
    return who.go(f"/spools/{code}").text.partition("Permitted uses")[2].partition("Identity")[0]


@pytest.mark.parametrize("role", ["receiving", "quality", "purchasing", "production", "admin"])
def test_every_role_that_scans_a_spool_sees_its_lot_and_uses_without_an_error(desk, role):
    """A loaded spool, an unknown spool, and a mistyped code."""
    delivery = desk.good_lot(desk.quillwort, desk.white)
    code = delivery["spools"][0]["code"]
    desk.load(code)
    somebody = Browser(desk, role)
    page = somebody.go(f"/spools/{code}")
    assert 200 == page.status
    assert "Lot Q-71" in page.text
    assert "hidden : ✔ yes" in page.text
    unknown = somebody.go("/spools/NOBODY")
    assert (404, True) == (unknown.status, "Take it to receiving." in unknown.text)
    meant = somebody.go(f"/spools/{code.replace('-', '')}")
    assert f"Spool {code}" in somebody.go(meant.links[f"Yes, {code}"]).text
    assert f"Spool {code}" in somebody.send(unknown, "code", code=f"{SITE}/spools/{code}").text


def test_an_opening_is_recorded_once_on_the_page_of_its_spool(desk, clerk):
    """An opening is recorded once, in the site's time. A second one is refused in words."""
    code = desk.receive(desk.quillwort, desk.white, received_at="2026-11-20T08:00:00Z")["spools"][0]["code"]
    page = clerk.go(f"/spools/{code}")
    assert "Still sealed" in page.text
    page = clerk.send(page, "at", at="2026-11-21T09:30")
    assert "Opened 2026-11-21 09:30 UTC" in page.text
    sealed = clerk.go("/").form("seal")["fields"]
    again = clerk.go(f"/spools/{code}/opened", data={**sealed, "at": ""})
    assert (409, True) == (again.status, "was already opened at" in again.text)


def test_the_pages_of_a_spool_a_job_and_a_containment_make_as_many_statements_for_much_as_for_little(desk):
    """Loads, dryings, parents and lots may be many."""
    admin = Browser(desk, "admin")
    first = desk.good_lot(desk.quillwort, desk.white, "L-0")
    code = first["spools"][0]["code"]

    def use_once(number):
        lot = desk.good_lot(desk.ninebark, desk.white, f"L-{number}")
        spool = lot["spools"][0]["code"]
        desk.post("production", f"/spools/{code}/dryings", {"temperature_c": 45, "hours": 4})
        desk.unload(desk.load(code, job="J-1", machine=f"P{number}", use="hidden")["id"], 1000 - number)
        desk.unload(desk.load(spool, job="J-1", machine=f"P{number}", use="hidden")["id"], 900)

    for number in (1, 2):
        use_once(number)
    check = f"/check?spool={code}&use=hidden&job=J-1&machine=P1"
    paths = {f"/spools/{code}": 13, "/jobs/J-1": 11, check: 9}
    before = {path: made(admin, path) for path in paths}
    for number in (3, 4, 5, 6):
        use_once(number)
    assert before == {path: made(admin, path) for path in paths}
    assert {} == {path: count for path, count in before.items() if count > paths[path]}


def test_a_comma_is_a_decimal_sign_where_the_site_writes_one(desk, lead):
    """Typed in a mass and a maximum; shown in the settings and differences."""
    shop = desk.get("admin", "/shop")
    desk.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, **{"If-Match": f'"shop-1-v{shop["version"]}"'})
    _, (first, *_), (second, *_) = two_lots(desk)
    desk.load(first, job="J-1")
    page = lead.go(f"/check?spool={second}&use=cosmetic&job=J-1&machine=P2&mass_g=100,5")
    assert "1,45" in page.text
    assert "1.45" not in page.text
    assert "✖ no match" in page.text
    assert "Filament needed, g: " not in page.text


@pytest.mark.parametrize(
    ("role", "path"), [("production", "/picks"), ("purchasing", "/suppliers"), ("purchasing", "/decision-risk")]
)
def test_a_grade_to_choose_has_its_diameter_as_the_site_writes_it(desk, role, path):
    """Its code stays as it is."""
    desk.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match="*")
    desk.grade("WB-1.75")
    page = Browser(desk, role).go(path)
    assert re.search(r"WB-1\.75: [^,]+, 1,75 mm", page.text)


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/check?spool=&use=cosmetic", ["spool"]),
        ("/picks?grade_id=&use=cosmetic&mass_g=", ["grade_id", "mass_g"]),
        ("/tabs?spool_code=&layers=across&width_mm=10&thickness_mm=2&lever_mm=20&load_n=5", ["spool_code"]),
    ],
)
def test_an_empty_form_says_at_each_field_that_it_is_required(lead, path, fields):
    """Also where a browser does not check required fields."""
    page = lead.go(path)
    for field in fields:
        assert f'id="{field}-hint"><strong class="fault">This is required.</strong>' in page.html


def test_a_respooling_with_a_blocked_lot_says_that_the_spool_cannot_be_loaded(desk, lead):
    """Instead of the use where colour does not show."""
    _, (first, *_), (second, *_) = two_lots(desk)
    desk.decide(2, "block")
    form = {
        "seal": lead.go("/respool").form("code")["fields"]["seal"],
        "spool_code": [first, second],
        "mass_g": ["300", "200"],
        "code": "MIX-1",
    }
    page = lead.go("/respool", data=form)
    assert "Lot B is blocked, so the new spool cannot be loaded." in page.text
    assert "Use it only where colour does not show." not in page.text


def test_missing_measurements_are_one_reason_of_a_check(desk, lead):
    """The parts are a list below it."""
    code = desk.receive(desk.quillwort, desk.white)["spools"][0]["code"]
    page = lead.go(f"/check?spool={code}&use=cosmetic")
    assert 1 == page.text.count("The measurements of the lot are not complete.")
    assert "Still to do" not in page.text


def test_a_reason_is_given_once(desk, lead):
    """Though it is one of the lot and of the spool."""
    drawn = desk.receive(desk.quillwort, desk.white)["sample"]["spool_codes"][0]
    desk.diameter(drawn, d1=1.9)
    listed = re.search(r'<ul class="reasons">(.*?)</ul>', lead.go(f"/check?spool={drawn}&use=cosmetic").html, re.S)
    reasons = re.findall(r"<li>(.*?)</li>", listed[1], re.S)
    assert 2 <= len(reasons) == len(set(reasons))
    assert any("1.9" in reason for reason in reasons)


def test_sentences_tell_the_time_of_the_site(desk, lead):
    """What to set aside, and since when: worded in UTC, shown by the clock on the wall."""
    shop = desk.get("admin", "/shop")
    zone = {"time_zone": "Europe/Berlin", "date_form": "DD.MM.YYYY"}
    desk.call("admin", "PATCH", "/shop", zone, **{"If-Match": f'"shop-1-v{shop["version"]}"'})
    delivery = desk.good_lot(desk.quillwort, desk.white)
    load = desk.load(delivery["spools"][0]["code"], loaded_at="2026-11-21T08:00:00Z")
    desk.unload(load["id"], 900, unloaded_at="2026-11-21T12:00:00Z")
    desk.decide(delivery["lot_id"], "block", "Streaks.")
    for path in ("/loaded", "/containments", "/containments/1"):
        page = lead.go(path)
        assert "from 21.11.2026 09:00 CET to 21.11.2026 13:00 CET" in page.text, path
        assert " UTC" not in page.text, path


def test_what_is_wrong_with_a_drying_stands_at_its_field_and_what_was_typed_stays(desk):
    """The form is open again on the page of its spool, and nothing is stored."""
    code = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    tech = Browser(desk, "quality")
    page = tech.send(tech.go(f"/spools/{code}"), "temperature_c", temperature_c="hot", hours="6")
    assert 422 == page.status
    assert "This must be a number." in page.text
    assert ("hot", "6") == tuple(page.form("temperature_c")["fields"][name] for name in ("temperature_c", "hours"))
    assert [] == desk.get("quality", f"/spools/{code}/dryings")["items"]


def test_rows_are_added_to_a_respooling_and_what_was_typed_stays(lead):
    """It checks and stores nothing."""
    page = lead.go("/respool")
    form = {
        "seal": page.form("code")["fields"]["seal"],
        "spool_code": ["A-1"],
        "mass_g": ["12"],
        "code": "MIX",
        "rows": "6",
    }
    more = lead.go("/respool", data=form)
    assert (200, 6) == (more.status, more.html.count('name="mass_g"'))
    assert ("MIX", True, True) == (
        more.form("code")["fields"]["code"],
        'value="A-1"' in more.html,
        'value="12"' in more.html,
    )


def test_a_spool_is_said_to_be_loaded_only_while_it_is(desk, lead):
    """An old address shows no message about an unloaded or an unknown spool."""
    code = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    assert "is loaded" not in lead.go(f"/loaded?spool={code}").text
    desk.load(code)
    assert f"Spool {code} is loaded on P1" in lead.go(f"/loaded?spool={code}").text


def test_a_refused_spool_is_not_loaded_by_a_form_made_by_hand(desk, lead):
    """The answer says why, no load is stored, and no other desk may send it."""
    _, (first, *_), (second, *_) = two_lots(desk)
    desk.load(first, job="J-1", machine="P1")
    for who, status in ((lead, 409), (Browser(desk, "receiving"), 403)):
        seal = re.search(r'name="seal" value="([^"]+)"', who.go("/").html).group(1)
        said = {"seal": seal, "spool": second, "use": "cosmetic", "job": "J-1", "machine": "P2"}
        assert status == who.go("/check", data=said).status
    assert [first] == [load["spool_code"] for load in desk.get("production", "/loads?open=true")["items"]]
