"""The clerk at the pages, in a browser without script: a delivery, its labels, the bench, files, and the page a label leads to."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser
from urllib.parse import urlencode

import pytest
import resvg_py
import zxingcpp
from PIL import Image

from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE

SITE = "https://lots.example.org:8443"


@pytest.fixture
def engine():
    """Pages see only what the API answers, on whichever engine."""
    return "sqlite"


class Page(HTMLParser):
    """A page as a person without script has it: its words, its links, and its forms with what stands in them."""

    def __init__(self, answer):
        super().__init__(convert_charrefs=True)
        self.status, self.html = answer.status_code, answer.get_data(as_text=True)
        self.forms, self.links, self.said, self.headings = [], {}, [], []
        self._select = self._area = self._link = None
        self._open = []
        self.feed(self.html)

    def handle_starttag(self, tag, attrs):
        """Opens a form, a field, a link."""
        known = dict(attrs)
        self._open.append(tag)
        name, fields = known.get("name"), self.forms[-1]["fields"] if self.forms else {}
        if tag == "form":
            self.forms.append({"action": known.get("action"), "fields": {}, "buttons": {}, "files": set()})
        elif tag == "input" and known.get("type") == "file":
            self.forms[-1]["files"].add(name)
        elif tag == "input" and (known.get("type") != "checkbox" or "checked" in known):
            fields[name] = known.get("value", "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and (self._select not in fields or "selected" in known):
            fields[self._select] = known["value"]
        elif tag == "textarea":
            self._area, fields[name] = name, ""
        elif tag == "a":
            self._link = known.get("href")
        elif tag == "button":
            self._open[-1] = ("button", known.get("name"), known.get("value"))

    def handle_endtag(self, tag):
        """Closes it."""
        if tag == "textarea":
            fields = self.forms[-1]["fields"]
            # A browser leaves out a line break right behind the tag, and sends every one as CR LF.
            text = fields[self._area].replace("\r\n", "\n").removeprefix("\n")
            fields[self._area] = text.replace("\n", "\r\n")
            self._area = None
        if tag == "a":
            self._link = None

    def handle_data(self, data):
        """Keeps words; of a link, a button or a text area with it."""
        if self._area is not None:
            self.forms[-1]["fields"][self._area] += data
            return
        last = self._open[-1] if self._open else ""
        if isinstance(last, tuple) and last[1] and data.strip():
            self.forms[-1]["buttons"][data.strip()] = (last[1], last[2])
        if last == "h1":
            self.headings.append(data)
        if self._link and data.strip():
            self.links.setdefault(data.strip(), self._link)
        self.said.append(data)

    @property
    def text(self):
        """All it says."""
        return " ".join(" ".join(self.said).split())

    def form(self, field):
        """The form that has this field."""
        return next(form for form in self.forms if field in form["fields"] or field in form["files"])


class Browser:
    """Somebody signed in, without script."""

    def __init__(self, shop, role):
        self.client, self.at = shop.app.test_client(), "/"
        assert 302 == self.client.post("/sign-in", data={"token": shop.tokens[role]}, base_url=SITE).status_code

    def raw(self, address, **sent):
        """One answer, as it came."""
        return self.client.open(address, base_url=SITE, method="POST" if sent else "GET", **sent)

    def go(self, address, **sent):
        """The page at an address, behind any redirect; every page has one first heading."""
        self.at = address
        answer = self.raw(address, **sent)
        if answer.status_code == 302:
            return self.go(answer.headers["Location"])
        page = Page(answer)
        assert 1 == page.html.count("<h1")
        return page

    def send(self, page, field, button=None, **typed):
        """Fills the form that has a field and sends it; `button` is the one pressed when the form has several."""
        form = page.form(field)
        filled = {**form["fields"], **typed}
        if button:
            name, value = form["buttons"][button]
            filled[name] = value
        action = form["action"] or self.at
        if "seal" not in filled:
            return self.go(f"{action}?{urlencode(filled)}")
        return self.go(action, data=filled)


@pytest.fixture
def desk(shop):
    """A shop with two suppliers and a grade whose lots need one diameter and one colour on one spool."""
    shop.quillwort, shop.ninebark = shop.supplier("QWT"), shop.supplier("NBK")
    shop.white = shop.grade(limits=SIMPLE_LIMITS)
    shop.micrometer = shop.post(
        "quality",
        "/instruments",
        {"code": "MIC-1", "kind": "micrometer", "standard_uncertainty": 0.002, "check_interval_days": 30},
    )
    return shop


@pytest.fixture
def clerk(desk):
    """The receiving clerk at a browser."""
    return Browser(desk, "receiving")


def typed(desk, lot="Q-71", **more):
    """What the clerk types from a packing slip."""
    told = {"supplier_id": str(desk.quillwort["id"]), "grade_id": str(desk.white["id"]), "supplier_lot": lot}
    return {**told, "spool_count": "3", "net_mass_g": "1000", **more}


def log(desk, clerk, lot="Q-71", **more):
    """Logs a delivery at the page and answers what came then."""
    return clerk.send(clerk.go("/receiving"), "supplier_lot", **typed(desk, lot, **more))


def test_from_the_pallet_to_a_released_lot_without_script(desk, clerk):
    """Log, see which spool to measure, print, measure it twice, and read in a word that the lot is released."""
    done = log(desk, clerk, order_ref="PO-7", due_at="2026-11-30")
    delivery = desk.get("receiving", "/deliveries")["items"][0]
    (drawn,) = delivery["sample"]["spool_codes"]
    assert ("PO-7", "2026-11-30T23:59:59Z") == (delivery["order_ref"], delivery["due_at"])
    assert "what to do now" in done.headings[0]
    assert "in quarantine" in done.text
    assert delivery["sample"]["says"] in done.text

    labels = clerk.go(done.links["Print labels"])
    assert "image/svg+xml" == clerk.raw(labels.links["Page 1 of 1 as SVG"]).mimetype

    bench = clerk.go(done.links[drawn])
    assert f"Measure spool {drawn}" in bench.text
    stored = clerk.send(
        bench, "d1_mm-0", **{"d1_mm-0": "1.748", "d2_mm-0": "1.752", "instrument_id": str(desk.micrometer["id"])}
    )
    assert f"1 reading stored: diameter of {drawn}" in stored.text
    assert "Still to do on this lot" in stored.text
    assert "in quarantine" in stored.text

    color = clerk.go(stored.links["Colour"])
    lab = dict(zip(("L-0", "a-0", "b-0"), map(str, WHITE), strict=True))
    end = clerk.send(color, "L-0", **lab)
    assert "✔ released" in end.text
    assert "Nothing more has to be measured on this lot." in end.text
    assert "released" == desk.lot(delivery["lot_id"])["standing"]


def test_a_double_click_logs_one_delivery_and_one_reading(desk, clerk):
    """The same form sent twice gives the same answer, and the record has it once."""
    form = clerk.go("/receiving").form("supplier_lot")["fields"] | typed(desk)
    places = [clerk.raw("/receiving", data=form).headers["Location"] for _ in range(2)]
    assert places[0] == places[1]
    (delivery,) = desk.get("receiving", "/deliveries")["items"]
    code = delivery["sample"]["spool_codes"][0]
    form = clerk.go(f"/bench?spool={code}").form("d1_mm-0")["fields"] | {"d1_mm-0": "1.75", "d2_mm-0": "1.76"}
    pages = [clerk.go("/bench", data=form) for _ in range(2)]
    assert [True, True] == ["1 reading stored" in page.text for page in pages]
    assert 1 == len(desk.get("quality", f"/lots/{delivery['lot_id']}/readings")["items"])


def test_now_is_preset_with_its_offset_and_may_be_changed(desk, clerk):
    """The clerk sees the moment in UTC; another offset is taken as it says."""
    preset = clerk.go("/receiving").form("received_at")["fields"]["received_at"]
    assert re.fullmatch(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", preset)
    log(desk, clerk, received_at="2026-03-02T09:30:00+01:00")
    assert "2026-03-02T08:30:00Z" == desk.get("receiving", "/deliveries")["items"][0]["received_at"]


def test_codes_are_scanned_one_per_line_with_masses_of_their_own(desk, clerk):
    """A comma, a semicolon, a tab or wide blanks stand before a mass; a code may hold a blank."""
    lines = "W B-1\nWB-2, 750\nWB-3;500\nWB-4\t250\nWB-5   900\n\n"
    log(desk, clerk, spools=lines, spool_count="")
    lot = desk.get("receiving", "/lots/1")
    assert {"W B-1": 1000, "WB-2": 750, "WB-3": 500, "WB-4": 250, "WB-5": 900} == {
        spool["code"]: spool["net_mass_g"] for spool in lot["spools"]
    }


def test_a_number_behind_a_single_blank_is_asked_about(desk, clerk):
    """Mass or part of the code: nobody but the clerk knows, so nothing is stored."""
    page = log(desk, clerk, spools="A-1\nHW 1000", spool_count="")
    assert 422 == page.status
    assert 'Line 2: is 1000 the mass or part of the code? Write "HW, 1000", or "HW 1000, 1000"' in page.text
    assert [] == desk.get("receiving", "/deliveries")["items"]


def test_every_fault_stands_at_its_field_and_what_was_typed_stays(desk, clerk):
    """A decimal comma, a time without offset, a mass in kilograms on one line: refused with the hint, nothing is lost."""
    page = log(desk, clerk, lot="Q 'n <b>", received_at="2026-03-02 9:30", cost="12,50", currency="EUR")
    assert 422 == page.status
    kept = page.form("supplier_lot")["fields"]
    assert ("Q 'n <b>", "12,50", "2026-03-02 9:30") == tuple(
        kept[name] for name in ("supplier_lot", "cost", "received_at")
    )
    assert "Write 12.50, with a decimal point, not a comma" in page.text
    assert "This is not a time with an offset from UTC." in page.text
    assert "<b>" not in page.html
    page = log(desk, clerk, spools="A-1, 750\n\nA-2, 0.75", spool_count="", net_mass_g="")
    assert "Line 3: 0.75 g is not a plausible net mass" in page.text
    page = log(desk, clerk, supplier_id="", spools="A", spool_count="3")
    assert "Which supplier?" in page.text
    assert [] == desk.get("receiving", "/deliveries")["items"]


def test_a_number_much_like_a_known_one_is_asked_about_and_added_when_it_is_that_lot(desk, clerk):
    """The first button takes the number as it is known."""
    first = desk.receive(desk.quillwort, desk.white, "Q-71")
    question = log(desk, clerk, "q 71", note="dented\nbox")
    assert (409, "Is it this lot?") == (question.status, question.headings[0])
    assert 1 == len(desk.get("receiving", "/deliveries")["items"])
    clerk.send(question, "supplier_lot", "Yes, it is Q-71")
    added = desk.get("receiving", "/deliveries")["items"][1]
    assert (first["lot_id"], "dented\r\nbox") == (added["lot_id"], added["note"])


def test_a_number_much_like_a_known_one_begins_a_lot_when_the_clerk_says_so(desk, clerk):
    """The second button confirms that it is another."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    clerk.send(log(desk, clerk, "q 71"), "supplier_lot", "No, q 71 is another lot")
    assert ["Q-71", "q 71"] == [lot["supplier_lot"] for lot in desk.get("receiving", "/lots")["items"]]


def test_spools_of_a_lot_that_was_sent_back_are_put_aside(desk, clerk):
    """They join the lot, and the page says what to do with them before anything else."""
    lot = desk.receive(desk.quillwort, desk.white, "Q-71")["lot_id"]
    desk.decide(lot, "return", "streaks")
    page = log(desk, clerk)
    assert "Put these spools aside" in page.text
    assert "Tell quality. streaks" in page.text


def test_the_last_deliveries_come_first(desk, clerk):
    """With where their lots stand now, and links to go on with each."""
    for number in range(14):
        desk.receive(desk.quillwort, desk.white, f"Q-{number:02d}")
    page = clerk.go("/receiving")
    assert [f"Q-{number:02d}" for number in range(13, 1, -1)] == re.findall(r"Q-\d\d", page.text)
    assert "Q-13" in clerk.go("/receiving/14").text
    assert (404, "No such delivery") == (clerk.go("/receiving/15").status, clerk.go("/receiving/15").headings[0])


@pytest.mark.parametrize("typed_as", ["WB-Q03-1", "  WB-Q03-1 ", f"{SITE}/spools/WB-Q03-1", "HTTP://x/spools/WB-Q03-1"])
def test_a_scanner_that_types_and_presses_enter_is_enough(desk, clerk, typed_as):
    """One field; the code on a label or the address in its symbol both lead on, with kind and instrument as chosen."""
    log(desk, clerk, spools="WB-Q03-1", spool_count="")
    page = clerk.go("/bench?kind=color&instrument=1")
    page = clerk.send(page, "spool", spool=typed_as)
    assert "Measure spool WB-Q03-1" in page.text
    assert ("color", "1") == tuple(page.form("L-0")["fields"][name] for name in ("kind", "instrument_id"))


def test_an_unknown_spool_is_said_and_may_be_typed_again(desk, clerk):
    """With the code that was meant when only its case is wrong."""
    log(desk, clerk, spools="HW-1", spool_count="")
    page = clerk.go("/bench?spool=hw-1")
    assert 404 == page.status
    assert "Did you mean HW-1?" in page.text
    assert "hw-1" == page.form("spool")["fields"]["spool"]


def test_a_decimal_comma_and_inches_are_refused_beside_their_field(desk, clerk):
    """The hint of the API, in the row where it belongs; all the rest stays typed, and nothing is stored."""
    log(desk, clerk, spools="S-1", spool_count="")
    bench = clerk.go("/bench?spool=S-1")
    entry = {"d1_mm-0": "1.75", "d2_mm-0": "1.75", "d1_mm-2": "1,75", "d2_mm-2": "1.76", "note": "wet"}
    page = clerk.send(bench, "d1_mm-0", **entry)
    assert 422 == page.status
    assert 'id="d1_mm-2-hint"><strong>d1, mm:</strong> <strong class="fault">&#34;1,75&#34; is text' in page.html
    assert "Write 1.75, with a decimal point" in page.text
    assert entry == {name: page.form("d1_mm-0")["fields"][name] for name in entry}
    page = clerk.send(page, "d1_mm-0", **{"d1_mm-2": "0.0689"})
    assert "This looks like inches" in page.text
    assert [] == desk.get("quality", "/lots/1/readings")["items"]
    assert "2 readings stored" in clerk.send(page, "d1_mm-0", **{"d1_mm-2": "1.75"}).text


def test_the_instrument_and_the_kind_stay_for_the_next_entry(desk, clerk):
    """Numbers and notes do not; the next spool keeps both."""
    log(desk, clerk, spools="S-1\nS-2", spool_count="")
    entry = {"d1_mm-0": "1.75", "d2_mm-0": "1.75", "instrument_id": str(desk.micrometer["id"]), "note": "first"}
    page = clerk.send(clerk.go("/bench?spool=S-1"), "d1_mm-0", **entry)
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
    lost = clerk.send(page, "L-0", **{"L-0": "95", "b-0": "1,5"})
    assert 422 == lost.status
    assert 'id="a-0-hint"' in lost.html
    assert "Write 1.5, with a decimal point" in lost.text
    clerk.send(page, "L-0", **{"L-0": "95", "a-0": "-0.8", "b-0": "1.5", "plaque": "P"})
    (reading,) = desk.get("quality", "/lots/1/readings")["items"]
    assert (CONDITIONS, [95.0, -0.8, 1.5]) == (reading["conditions"], reading["lab"])
    bare = desk.receive(desk.quillwort, desk.grade("BARE", shade_id=None), "Q-72")["spools"][0]["code"]
    assert "Tell quality" in clerk.go(f"/bench?spool={bare}&kind=color").text


ENTRIES = {
    "shrinkage": {"age_h": "24", "designed_mm-0": "100", "measured_mm-0": "99.7", "measured_mm-1": ""},
    "bond": {"printer": "P1", "break_force_n-0": "900", "area_mm2-0": "40", "stress_mpa-1": "22", "control-1": "on"},
    "surface": {"specks-0": "1", "area_dm2-0": "2"},
    "moisture": {"moisture_percent-0": "0.02", "method": "loss on drying"},
}


@pytest.mark.parametrize("kind", sorted(ENTRIES))
def test_quality_enters_every_other_kind(desk, kind):
    """Each with its own fields and units; what was stored is what was typed."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    quality = Browser(desk, "quality")
    form = quality.go(f"/bench?spool=L1-S001&kind={kind}")
    page = quality.send(form, next(iter(ENTRIES[kind])), **ENTRIES[kind])
    assert 200 == page.status, page.text
    stored = desk.get("quality", f"/lots/1/readings?kind={kind}")["items"]
    expected = {
        "shrinkage": [{"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}],
        "bond": [{"break_force_n": 900, "area_mm2": 40, "control": False}, {"stress_mpa": 22, "control": True}],
        "surface": [{"specks": 1, "area_dm2": 2}],
        "moisture": [{"moisture_percent": 0.02, "method": "loss on drying"}],
    }[kind]
    assert expected == [{name: one[name] for name in row} for one, row in zip(stored, expected, strict=True)]


def test_the_clerk_is_offered_only_what_the_clerk_may_store(desk, clerk):
    """Diameters and colours; another kind slipped into the form stores nothing."""
    log(desk, clerk)
    page = clerk.go("/bench?spool=L1-S001&kind=bond")
    assert {"Diameter", "Colour"} == {"Diameter", "Colour", "Bond", "Moisture"} & set(page.links)
    form = page.form("d1_mm-0")["fields"] | {"kind": "bond", "stress_mpa-0": "22"}
    assert 422 == clerk.go("/bench", data=form).status
    assert [] == desk.get("quality", "/lots/1/readings")["items"]


def test_a_lot_that_fails_is_blocked_in_a_word_with_the_reason_and_what_is_loaded(desk, clerk):
    """The verdict changes before the clerk's eyes, and says at once what must come off a machine."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][1]["code"]
    desk.load(spool)
    page = clerk.send(clerk.go(f"/bench?spool={spool}"), "d1_mm-0", **{"d1_mm-0": "1.85", "d2_mm-0": "1.85"})
    assert "✖ blocked" in page.text
    assert "outside by" in page.text
    assert "P1" in page.text


FILE = "spool_code,d1_mm,d2_mm\nL1-S001,1.75,1.76\nL1-S001,1.75,1.77\n"


def tried(who, content, name="d.csv", **more):
    """A file sent to be tried."""
    page = who.go("/bench/file")
    fields = page.form("file")["fields"] | more
    return who.go("/bench/file", data={**fields, "file": (io.BytesIO(content.encode()), name)})


def test_a_file_is_tried_first_and_stored_when_asked(desk, clerk):
    """Its rows and what would be; nothing stored until the button, once however often it is pressed."""
    log(desk, clerk)
    page = tried(clerk, FILE)
    assert "In order: 2 readings in 2 rows" in page.text
    assert "Where the lots would stand" in page.text
    assert "1.77" in page.text
    assert [] == desk.get("quality", "/lots/1/readings")["items"]
    again = [clerk.send(page, "content") for _ in range(2)]
    assert ["Stored: 2 readings from 2 rows"] * 2 == [
        re.search(r"Stored: \d readings from \d rows", one.text)[0] for one in again
    ]
    assert 2 == len(desk.get("quality", "/lots/1/readings")["items"])
    assert "This file was stored before" in tried(clerk, FILE).text
    assert ["d.csv"] == [row["file_name"] for row in desk.get("receiving", "/imports")["items"]]


def test_every_fault_of_a_file_stands_below_its_row(desk, clerk):
    """All of them at once, with the column; what was pasted stays to be mended."""
    log(desk, clerk)
    text = "spool_code,d1_mm,d2_mm\r\nL1-S001,1.75,x\r\nNOBODY,1.75,1.76\r\nL1-S001,1.75,0.0689\r\n"
    page = clerk.send(clerk.go("/bench/file"), "text", text=text)
    assert 422 == page.status
    assert "3 to put right; nothing was stored" in page.text
    rows = re.split(r'<tr class="why">', page.html)
    assert "is not a number" in rows[1].partition("</tr>")[0]
    assert "There is no spool with the code NOBODY" in rows[2].partition("</tr>")[0]
    assert "This looks like inches" in rows[3].partition("</tr>")[0]
    assert text == page.form("text")["fields"]["text"]


def test_what_a_spreadsheet_pastes_is_taken_as_it_is(desk, clerk):
    """Tabs between cells, decimal commas: said once, stored right."""
    log(desk, clerk)
    text = "spool_code\td1_mm\td2_mm\tnote\nL1-S001\t1,75\t1,76\ta;b\n"
    page = clerk.send(clerk.go("/bench/file"), "text", text=text, delimiter="tab", decimal="comma")
    clerk.send(page, "content")
    (reading,) = desk.get("quality", "/lots/1/readings")["items"]
    assert (1.75, 1.76, "a;b") == (reading["d1_mm"], reading["d2_mm"], reading["note"])


def test_a_pallet_list_of_deliveries_leads_on_to_what_to_do(desk, clerk):
    """Deliveries from a file are logged like typed ones, each with its sample and the way to its labels."""
    text = (
        "supplier_code,grade_code,supplier_lot,received_at,spool_code,net_mass_g\n"
        "QWT,PLA-HW-175,Q-9,2026-03-02T08:00:00Z,F-1,1000\nQWT,PLA-HW-175,Q-9,2026-03-02T08:00:00Z,F-2,1000\n"
    )
    page = clerk.send(tried(clerk, text, kind="deliveries"), "content")
    assert "Stored: 1 deliveries from 2 rows" in page.text
    assert "what to do now" in clerk.go(page.links["What to do now"]).headings[0]


def test_colours_from_a_file_may_say_their_conditions_once(desk, clerk):
    """The conditions are sent for colours only, so that those left standing harm no other kind."""
    log(desk, clerk)
    said = {"kind": "color", "illuminant": "D65", "observer_deg": "10", "geometry": "d/8", "specular": "included"}
    page = tried(clerk, "spool_code,L,a,b\nL1-S001,95,-0.8,1.5\n", **said, uv="excluded")
    assert "1 readings in 1 rows" in page.text
    assert "In order" in tried(clerk, FILE, **{**said, "kind": "diameter"}).text


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({}, "Choose a file, or paste rows."),
        ({"text": "x\n1\n"}, "to put right"),
        ({"content": "no base64!"}, "Choose a file, or paste rows."),
        ({"text": "spool_code,d1_mm,d2_mm\nL1-S001,1,1\n", "time_zone": "Mars"}, "Mars"),
        ({"text": "a", "kind": "bond"}, "has the role receiving"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_in_words(desk, clerk, sent, says):
    """Nothing chosen, no such columns, a spoilt form, an option that is wrong, another desk's kind."""
    log(desk, clerk)
    form = clerk.go("/bench/file").form("file")["fields"] | sent
    page = clerk.go("/bench/file", data=form)
    assert page.status in (403, 422)
    assert says in page.text


def test_a_file_that_is_no_text_is_refused_in_words(desk, clerk):
    """Bytes that are not UTF-8 have no rows to show."""
    fields = clerk.go("/bench/file").form("file")["fields"]
    for delimiter in (",", "tab"):
        sent = {**fields, "delimiter": delimiter, "file": (io.BytesIO(b"spool_code\xff\n\xfe"), "x.csv")}
        page = clerk.go("/bench/file", data=sent)
        assert 422 == page.status
        assert "UTF-8" in page.text


def test_a_symbol_on_paper_leads_to_the_spools_page(desk, clerk):
    """Decoded from the picture that the page hands on, followed, and there it is: standing, what is left, where it is."""
    log(desk, clerk, spools="HW 7-7", spool_count="")
    labels = clerk.go("/receiving/1/labels?size=single")
    image = re.search(r'<img src="([^"]+)"', labels.html)[1].replace("&amp;", "&")
    png = resvg_py.svg_to_bytes(svg_string=clerk.raw(image).get_data(as_text=True), dpi=300)
    (symbol,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(bytes(png))).convert("L"))
    assert f"{SITE}/spools/HW%207-7" == symbol.text
    page = clerk.go(symbol.text.removeprefix(SITE))
    for words in ("HW 7-7", "in quarantine", "Q-71", "1000 g of 1000 g", "on no machine", "Supplier QWT", "sealed"):
        assert words in page.text, words


def test_the_spools_page_offers_each_desk_its_own(desk):
    """Production checks, receiving and quality measure; everybody sees the same standing."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    desk.load(spool)
    offered = {}
    for role in ("receiving", "quality", "production"):
        page = Browser(desk, role).go(f"/spools/{spool}")
        assert "✔ released" in page.text
        assert "on machine P1" in page.text
        offered[role] = {"Check it before loading", "Measure it"} & set(page.links)
    measure = {"Measure it"}
    assert {"receiving": measure, "quality": measure, "production": {"Check it before loading"}} == offered
    page = Browser(desk, "production").go("/spools/NOBODY")
    assert (404, True) == (page.status, "Take it to receiving" in page.text)


def test_labels_are_handed_on_as_a_pdf_and_refusals_in_words(desk, clerk):
    """A browser has no token for the API, so the page fetches for it: pages, sizes, the first free place."""
    log(desk, clerk)
    answer = clerk.raw("/receiving/1/labels.pdf?size=single")
    assert ("application/pdf", b"%PDF") == (answer.mimetype, answer.data[:4])
    assert 'attachment; filename="labels-delivery-1.pdf"' == answer.headers["Content-Disposition"]
    assert 'filename="label.pdf"' in clerk.raw("/spools/L1-S001/label.pdf?size=single").headers["Content-Disposition"]
    assert "Page 2 of 2 as SVG" in clerk.go("/receiving/1/labels?from=23").links
    page = clerk.go("/receiving/1/labels?from=30")
    assert (422, True) == (page.status, "Give a whole number from 1 to 24." in page.text)
    assert "There is no page 9." in clerk.go("/receiving/1/labels.svg?page=9").text
    assert (404, 404) == (clerk.go("/receiving/9/labels").status, clerk.go("/spools/X/label").status)


ASKED = ("/receiving", "/receiving/1", "/receiving/1/labels", "/receiving/1/labels.svg", "/bench", "/bench/file")
SENT = ("/receiving", "/bench", "/bench/file")


def test_strangers_are_sent_to_sign_in(desk):
    """Every page of these desks, asked for or sent to, and back to it afterwards."""
    client = desk.app.test_client()
    for path in (*ASKED, "/spools/L1-S001", "/spools/L1-S001/label", "/spools/L1-S001/label.pdf"):
        assert f"/sign-in?then={path}" == client.get(path).headers["Location"]
    for path in SENT:
        answer = client.post(path, data={"seal": "x"})
        assert (302, True) == (answer.status_code, answer.headers["Location"].startswith("/sign-in"))


def test_other_desks_are_told_whose_work_it_is(desk):
    """Purchasing gets none of it, production only the pages of a spool, quality does not log deliveries."""
    desk.receive(desk.quillwort, desk.white)
    buyer, lead, quality = (Browser(desk, role) for role in ("purchasing", "production", "quality"))
    spool = ("/spools/L1-S001", "/spools/L1-S001/label", "/spools/L1-S001/label.svg")
    assert {403} == {buyer.raw(path).status_code for path in (*ASKED, *spool)}
    assert {403} == {lead.raw(path).status_code for path in ASKED}
    assert {200} == {lead.raw(path).status_code for path in spool}
    assert [403, 200, 200] == [quality.raw(path).status_code for path in ("/receiving", "/receiving/1", "/bench")]


@pytest.mark.parametrize("path", SENT)
@pytest.mark.parametrize("seal", [None, "", "0" * 64])
def test_a_form_without_its_seal_does_nothing(desk, clerk, path, seal):
    """400 for a form that another site made up, whatever is in it."""
    form = typed(desk) | {"text": FILE, "step": "store", "spool": "L1-S001", "kind": "diameter", "d1_mm-0": "1.75"}
    answer = clerk.raw(path, data=form | ({} if seal is None else {"seal": seal}))
    assert 400 == answer.status_code
    assert [] == desk.get("receiving", "/deliveries")["items"]


def test_the_pages_hold_no_script_no_style_of_their_own_and_fetch_nothing_from_elsewhere(desk, clerk):
    """What the content policy forbids is not in them to begin with."""
    log(desk, clerk, spools="S-1", spool_count="")
    for path in (*ASKED, "/bench?spool=S-1", "/spools/S-1"):
        html = clerk.raw(path).get_data(as_text=True)
        assert "<script" not in html
        assert " style=" not in html
        assert not re.search(r"\son\w+=", html)
        assert [] == [one for one in re.findall(r'(?:src|href|action)="([^"]*)"', html) if "//" in one]
