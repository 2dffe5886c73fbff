"""Production at the page: one answer for a spool, the same as the API's, and never a kinder one."""

from __future__ import annotations

import re

import pytest

from tests.pages.reading import SITE, Browser, sign_in
from tests.shop import SIMPLE_LIMITS

# Where a test client without a base address is.
HERE = "http://localhost"


@pytest.fixture
def floor(shop):
    """A browser of the line lead's, signed in."""
    client = shop.app.test_client()
    answer = sign_in(client, shop.tokens["production"], HERE)
    assert 302 == answer.status_code
    return client


def seal_in(page):
    """The seal of a page's form."""
    return re.search(r'name="seal" value="([0-9a-f]+)"', page.get_data(as_text=True))[1]


def word(page):
    """The one large word of the answer."""
    return " ".join(
        re.sub("<[^>]+>", "", re.search(r'<p class="word">(.*?)</p>', page.get_data(as_text=True), re.S)[1]).split()
    )


def test_a_blocked_spool_is_not_to_be_loaded_and_the_page_says_so(shop, floor):
    """The large word, the reasons, and no button to load it all the same."""
    delivery = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    spool = delivery["spools"][0]["code"]
    shop.diameter(delivery["sample"]["spool_codes"][0], d1=1.9)
    page = floor.get(f"/check?spool={spool}&use=cosmetic&job=J-1&machine=P1")
    assert "✖ Do not load" == word(page)
    assert "Load on" not in page.get_data(as_text=True)


def test_a_released_spool_is_loaded_from_the_page(shop, floor):
    """Check a spool, press the button, find it in the list of loaded spools."""
    spool = shop.good_lot()["spools"][0]["code"]
    page = floor.get(f"/check?spool={spool}&use=cosmetic&job=J-1&machine=P1")
    assert "✔ Load" == word(page)
    length = shop.get("production", f"/spools/{spool}")["length_m"]
    assert f"Left on the spool: 1000 g, {length:.0f} m." in page.get_data(as_text=True)
    form = {"seal": seal_in(page), "once": "k1", "spool": spool, "use": "cosmetic", "job": "J-1", "machine": "P1"}
    twice = [floor.post("/check", data=form), floor.post("/check", data=form)]
    assert [303, 303] == [answer.status_code for answer in twice]
    assert 1 == len(shop.get("production", "/loads")["items"])
    assert spool in floor.get("/loaded").get_data(as_text=True)


@pytest.mark.parametrize("use", ["cosmetic", "fit", "load_bearing", "flexing", "hidden"])
def test_the_page_never_says_load_where_the_api_says_no(shop, floor, use):
    """The large word follows `clear` for every lot."""
    good = shop.good_lot()["spools"][0]["code"]
    waiting = shop.receive(shop.supplier("NBK"), shop.grade("OTHER", limits=SIMPLE_LIMITS))["spools"][0]["code"]
    for spool in (good, waiting):
        clear = shop.get("production", f"/spools/{spool}/clearance?use={use}")["clear"]
        assert ("✔ Load" if clear else "✖ Do not load") == word(floor.get(f"/check?spool={spool}&use={use}"))


@pytest.mark.parametrize(
    "typed", ["{code}", "  {code} ", f"{SITE}/spools/{{code}}", "HTTP://lots.example.org/spools/{code}"]
)
def test_the_code_and_the_address_on_a_label_are_one(shop, floor, typed):
    """A scanner types the address in the QR code, which counts as the spool code."""
    code = shop.good_lot(spools=1)["spools"][0]["code"]
    sent = {"spool": typed.format(code=code), "use": "cosmetic", "job": "J-1", "machine": "P1"}
    page = floor.get("/check", query_string=sent)
    assert "✔ Load" == word(page)
    assert f"Spool {code}, lot" in page.get_data(as_text=True)
    answer = floor.post("/check", data={**sent, "seal": seal_in(page)})
    assert (303, f"/loaded?spool={code}") == (answer.status_code, answer.headers["Location"])


def test_an_unknown_spool_is_not_to_be_loaded(floor):
    """The typed values stay, and the large word is "Do not load" for an unknown spool."""
    page = floor.get("/check?spool=NOBODY&use=cosmetic")
    assert 'value="NOBODY"' in page.get_data(as_text=True)
    assert "✖ Do not load" == word(page)


def test_a_stranger_is_sent_to_sign_in_and_comes_back(shop):
    """The page asked for follows the token."""
    client = shop.app.test_client()
    answer = client.get("/check?spool=A")
    assert (302, "/sign-in?then=/check?spool%3DA") == (answer.status_code, answer.headers["Location"])
    back = sign_in(client, shop.tokens["production"], HERE, then="/check?spool=A")
    assert "/check?spool=A" == back.headers["Location"]


@pytest.mark.parametrize("then", ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example"])
def test_signing_in_leads_nowhere_else(shop, then):
    """An address that was slipped in is not followed."""
    answer = sign_in(shop.app.test_client(), shop.tokens["production"], then=then)
    assert "/" == answer.headers["Location"]


def test_a_wrong_token_opens_nothing(shop):
    """The page says so and keeps no cookie."""
    answer = sign_in(shop.app.test_client(), "nothing")
    assert 401 == answer.status_code
    assert "Set-Cookie" not in answer.headers


def test_the_cookie_cannot_be_read_by_scripts_nor_sent_by_other_sites(shop):
    """HttpOnly and SameSite=Strict."""
    answer = sign_in(shop.app.test_client(), shop.tokens["production"])
    said = answer.headers["Set-Cookie"]
    assert "HttpOnly" in said
    assert "SameSite=Strict" in said


def test_a_form_without_its_seal_does_nothing(shop, floor):
    """Another site cannot know it."""
    spool = shop.good_lot()["spools"][0]["code"]
    form = {"spool": spool, "use": "cosmetic", "job": "J-1", "machine": "P1", "seal": "0" * 64}
    assert 400 == floor.post("/check", data=form).status_code
    assert [] == shop.get("production", "/loads")["items"]


def test_another_desks_page_says_whose_it_is(floor):
    """403 with the way back."""
    answer = floor.get("/suppliers")
    assert 403 == answer.status_code
    assert "purchasing" in answer.get_data(as_text=True)


def test_signing_out_forgets_the_token(floor):
    """The next page asks again."""
    seal = seal_in(floor.get("/"))
    floor.post("/sign-out", data={"seal": seal})
    assert 302 == floor.get("/check").status_code


def test_a_code_without_its_separators_leads_to_the_spool_with_all_that_was_asked(shop):
    """One press, with job, use and machine kept. A code in another case needs no press."""
    code = shop.good_lot()["spools"][0]["code"]
    lead = Browser(shop, "production")
    assert f"Spool {code}" in lead.go(f"/check?spool={code.lower()}&use=hidden").text
    page = lead.go(f"/check?spool={code.replace('-', '')}&use=hidden&job=J-7&machine=P2")
    assert "✖ Do not load" in page.text
    asked = lead.go(page.links[f"Yes, {code}"])
    assert "Load on P2" in asked.text
    assert "for hidden, job J-7" in asked.text


def test_unloading_is_confirmed_with_what_is_left(shop):
    """Which spool, off which machine, how much; no address can say so of a spool that is still on."""
    codes = [spool["code"] for spool in shop.good_lot()["spools"][:2]]
    for code, machine in zip(codes, ("P1", "P2"), strict=True):
        shop.load(code, machine=machine)
    lead = Browser(shop, "production")
    page = lead.send(lead.go("/loaded"), "remaining_mass_g", remaining_mass_g="940")
    assert f"{codes[0]} is off P1, 940 g left." in page.text
    assert "is off" not in lead.go(f"/loaded?off={codes[1]}").text


@pytest.mark.parametrize(
    ("typed", "says"), [("1,5", "Write 1.5, with a decimal point, not a comma."), ("5000", "more than the 1000 g")]
)
def test_what_is_wrong_with_unloading_stands_at_its_own_machine(shop, typed, says):
    """A failed unloading shows its error, the typed value and the focus at its own machine only."""
    codes = [spool["code"] for spool in shop.good_lot()["spools"][:2]]
    loads = [shop.load(code, machine=f"P{n}")["id"] for n, code in enumerate(codes, 1)]
    lead = Browser(shop, "production")
    form = lead.go("/loaded").form("remaining_mass_g")["fields"] | {"load": str(loads[1]), "remaining_mass_g": typed}
    page = lead.go("/loaded", data=form)
    assert 422 == page.status
    assert 1 == page.html.count('role="alert"')
    row = page.html.partition('<th scope="row">P2</th>')[2]
    assert f"{codes[1]} is still on P2." in row
    assert says in row
    assert re.search(rf'autofocus[^>]*|value="{re.escape(typed)}"', row)
    assert [typed] == re.findall(r'value="([^"]*)" aria-invalid="true" autofocus', page.html)


def test_the_page_names_every_lot_on_a_respooled_spool(shop, floor):
    """Each lot with its status and mass, how far they lie apart, and that they do not match."""
    limits = {**SIMPLE_LIMITS, "color": {"lot_max": 1.0, "job_pair_max": 0.5}}
    grade = shop.grade(limits=limits)
    parents = []
    # 1.4530 apart, computed with colour-science 0.4.7 (CIEDE2000).
    for number, lab in (("A", [95.3, -0.9, 0.8]), ("B", [94.7, -0.7, 2.26])):
        got = shop.receive(shop.supplier(number), grade, number, 2)
        shop.diameter(got["spools"][0]["code"])
        shop.color(got["spools"][0]["code"], lab)
        parents.append(got["spools"][1]["code"])
    shop.post(
        "production", "/spools", {"code": "MIX", "parents": [{"spool_code": code, "mass_g": 300} for code in parents]}
    )
    page = floor.get("/check?spool=MIX&use=cosmetic&job=J-1&machine=P1")
    text = " ".join(re.sub("<[^>]+>", " ", page.get_data(as_text=True)).split())
    assert "✖ Do not load" == word(page)
    for said in (
        "Spool MIX, respooled from lots A, B, for cosmetic",
        "A ✔ released 300 g B ✔ released 300 g",
        "A and B 1.45 0.5",
        "They do not match: colour difference 1.45, at most 0.5 within one job",
        "Lot A, 1000 g. Same lot.",
    ):
        assert said in text


def test_the_mass_of_the_job_decides_what_is_offered_and_loaded(shop, floor):
    """A spool with 400 g is refused for 600 g, and another one is offered. An invalid mass is reported at its field."""
    first, second, _ = (spool["code"] for spool in shop.good_lot()["spools"])
    shop.unload(shop.load(first)["id"], 400)
    page = floor.get(f"/check?spool={first}&use=general&mass_g=600").get_data(as_text=True)
    assert "has 400 g left; the job needs 600 g" in page
    assert f"spool={second}&amp;use=general&amp;mass_g=600" in page.replace("&amp;job=&amp;machine=", "")
    assert "Do not load" not in floor.get(f"/check?spool={second}&use=general&mass_g=600").get_data(as_text=True)
    asked = {"spool": second, "use": "general", "job": "J-2", "machine": "P2", "mass_g": "600"}
    page = floor.get("/check", query_string=asked)
    assert 303 == floor.post("/check", data={**asked, "seal": seal_in(page)}).status_code
    refused = floor.get(f"/check?spool={second}&use=general&mass_g=much").get_data(as_text=True)
    assert "is not a positive number. Write it like 250 or 250.5." in refused


def test_a_job_that_may_be_a_known_one_misread_is_asked_about(shop):
    """One press takes the known job, another says that this is another one; nothing is loaded before."""
    first, second, third = (spool["code"] for spool in shop.good_lot(spools=3)["spools"])
    shop.load(first, job="J-1040", machine="P1")
    lead = Browser(shop, "production")
    page = lead.go(f"/check?spool={second}&use=hidden&job=J1040&machine=P2")
    assert "Job J1040 does not exist yet. Did you mean J-1040?" in page.text
    known = lead.go(page.links["Yes, job J-1040"])
    assert "Load on P2" in known.text
    lead.send(known, "once")
    assert 2 == len(shop.get("production", "/jobs/J-1040")["loads"])
    page = lead.go(f"/check?spool={third}&use=hidden&job=J1040&machine=P-1")
    assert "No, load it: J1040 is another job, P-1 another machine" in page.text
    done = lead.send(page, "confirm_new_job")
    assert f"Spool {third} is loaded on " in done.text
    assert ["J-1040", "J1040"] == [job["number"] for job in shop.get("production", "/jobs")["items"]]


def test_a_job_typed_in_another_case_is_shown_as_it_was_first_typed(shop):
    """No question: it is that job, on that machine."""
    first, second = (spool["code"] for spool in shop.good_lot(spools=2)["spools"])
    shop.load(first, job="J-1040", machine="P1")
    page = Browser(shop, "production").go(f"/check?spool={second}&use=hidden&job=j-1040&machine=p1")
    assert "job J-1040" in page.text
    assert "Load on P1" in page.text
    assert "Did you mean" not in page.text


def test_the_slots_of_a_machine_are_changed_where_it_is_listed(shop):
    """Text that is no number is refused with the reason."""
    shop.load(shop.good_lot()["spools"][0]["code"], machine="P1")
    lead = Browser(shop, "production")
    page = lead.send(lead.go("/loaded"), "slots", slots="4")
    assert "4" == page.form("slots")["fields"]["slots"]
    assert 4 == shop.get("production", "/machines/1")["slots"]
    wrong = lead.send(lead.go("/loaded"), "slots", slots="four")
    assert 422 == wrong.status
    assert "Slots" in wrong.text


def test_the_page_shows_how_sure_a_scale_is_and_where_it_was_measured(shop, floor):
    """A coupon of 0.40 % on P1, caliper u = 0.02 mm: the scale on P9 is 1.0040 +- 0.0031 (k = 2), with a caution."""
    body = {"code": "CAL-1", "kind": "caliper", "check_interval_days": 3650, "standard_uncertainty": 0.02}
    caliper = shop.post("quality", "/instruments", body)["id"]
    limits = {"sampling": {"fixed": 1}, "shrinkage": {"x_percent": [0.1, 0.7]}}
    code = shop.receive(shop.supplier(), shop.grade(limits=limits))["sample"]["spool_codes"][0]
    coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.6, "age_h": 24, "printer": "P1"}
    shop.measure("shrinkage", {"spool_code": code, "instrument_id": caliper, **coupon})
    text = floor.get(f"/check?spool={code}&use=fit&machine=P9").get_data(as_text=True)
    assert "1.0040 ± 0.0031 (k = 2)" in text
    assert "Scales measured on" in text
    assert "The scale factors were measured on machine P1, not on P9." in text
