"""Import from a file: checked first, every fault at its row, then stored."""

from __future__ import annotations

import io
import re

import pytest

from tests.pages.reading import FILE, log, tried


def test_a_file_is_tried_first_and_stored_when_asked(desk, clerk):
    """Its rows and what would be; nothing stored until the button, once however often it is pressed."""
    log(desk, clerk)
    page = tried(clerk, FILE)
    assert "No errors: 2 readings in 2 rows" in page.text
    assert "Status of the lots after storing" in page.text
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
    """All faults at once, with the column. The pasted rows stay, to be corrected."""
    log(desk, clerk)
    text = "spool_code,d1_mm,d2_mm\r\nL1-S001,1.75,x\r\nNOBODY,1.75,1.76\r\nL1-S001,1.75,0.0689\r\n"
    page = clerk.send(clerk.go("/bench/file"), "text", text=text)
    assert 422 == page.status
    assert "Not saved: 3 errors" in page.text
    rows = re.split(r'<tr class="why">', page.html)
    assert "is not a number" in rows[1].partition("</tr>")[0]
    assert "Spool NOBODY does not exist" in rows[2].partition("</tr>")[0]
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
    assert "Next steps" in clerk.go(page.links["Next steps"]).headings[0]


def test_colours_from_a_file_may_say_their_conditions_once(desk, clerk):
    """Conditions are sent for colours only, so that they do not affect other kinds."""
    log(desk, clerk)
    said = {"kind": "color", "illuminant": "D65", "observer_deg": "10", "geometry": "d/8", "specular": "included"}
    page = tried(clerk, "spool_code,L,a,b\nL1-S001,95,-0.8,1.5\n", **said, uv="excluded")
    assert "1 readings in 1 rows" in page.text
    assert "No errors" in tried(clerk, FILE, **{**said, "kind": "diameter"}).text


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({}, "Choose a file, or paste rows."),
        ({"text": "x\n1\n"}, "Not saved: "),
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
