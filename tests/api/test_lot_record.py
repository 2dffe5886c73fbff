"""The record of a lot in each form. Its expected content comes from the API's other answers."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta

import pypdf
import pytest

from lots.api.documents import printed
from lots.api.documents.record_pages import sections
from lots.services.documents.lot_record import record as record_now
from tests.api.refusals import refused
from tests.api.test_queries import asked
from tests.api.test_report_pages import Page, pdf_text, squeezed
from tests.reported import NAME, bad_lot
from tests.store.rows import connected


@pytest.fixture
def known(shop):
    """The shop with a lot of every kind of entry: failing readings, a void, a trial, a block lifted again, two concessions."""
    made = bad_lot(shop)
    made.diameter(made.codes[2], 1.77, 1.78, screening=True, note="a quick look")
    made.decide(made.lot_id, "block", "stringing on parts")
    made.decide(made.lot_id, "lift", "the nozzle was worn")
    until = (datetime.now(UTC) + timedelta(days=30)).isoformat()
    body = {"uses": ["hidden"], "max_mass_g": 500, "valid_until": until, "reason": "for jigs"}
    path = f"/lots/{made.lot_id}/concessions"
    # A second person approves: quality asks, the administrator agrees.
    made.approved, made.open = (made.post("quality", path, {**body, "reason": why})["id"] for why in ("jigs", "lids"))
    made.post("admin", f"/concessions/{made.approved}/approve", {})
    return made


def fetch(shop, accept="application/json", role="production"):
    """The record in the requested form."""
    headers = {"Authorization": f"Bearer {shop.tokens[role]}", "Accept": accept}
    return shop.client.get(f"/v1/lots/{shop.lot_id}/record", headers=headers)


def record(shop):
    """The record as JSON."""
    return shop.get("production", f"/lots/{shop.lot_id}/record")


def test_every_reading_is_in_it_with_who_when_and_whether_it_counts(known):
    """The record has every reading of the API, voided and screening ones included, with the reason where it does not count."""
    rows = {row["id"]: row for row in record(known)["readings"]}
    listed = known.get("quality", f"/lots/{known.lot_id}/readings?limit=500")["items"]
    assert {row["id"] for row in listed} == set(rows)
    for one in listed:
        kept = rows[one["id"]]
        assert [one[name] for name in ("kind", "spool_code", "measured_at", "recorded_by", "note", "screening")] == [
            kept[name] for name in ("kind", "spool_code", "measured_at", "recorded_by", "note", "screening")
        ]
    assert {"voided: the <jaw> was dirty", "for information only"} == {
        row["why_not"] for row in rows.values() if not row["counts"]
    }
    counting = known.assessment(known.lot_id)["reading_ids"]
    assert set(counting) == {number for number, row in rows.items() if row["counts"]}


def test_every_finding_is_in_it_with_value_limit_n_and_uncertainty(known):
    """The record has the assessment's findings under the same revisions."""
    found, judged = record(known), known.assessment(known.lot_id)
    pairs = (
        ("code", "code"),
        ("value", "value"),
        ("limit", "limit"),
        ("n", "n"),
        ("uncertainty", "standard_uncertainty"),
    )
    pairs += (("verdict", "verdict"), ("guard_band", "guard_band"), ("uses", "uses"), ("message", "message"))
    assert [[f[theirs] for theirs, _ in pairs] for f in judged["findings"]] == [
        [f[ours] for _, ours in pairs] for f in found["findings"]
    ]
    assert (judged["limits_revision"], judged["shade_revision"]) == (
        found["asked"]["limits_revision"],
        found["asked"]["shade"]["revision"],
    )
    assert judged["to_measure"] == found["to_measure"]


def test_every_decision_and_concession_is_in_it_with_who_and_when(known):
    """Decisions and concessions are in order, and the newest decision is the one in force."""
    found = record(known)
    listed = known.get("quality", f"/lots/{known.lot_id}/decisions?limit=500")["items"]
    names = (
        "id",
        "action",
        "standing",
        "uses",
        "reason",
        "decided_at",
        "decided_by",
        "limits_revision",
        "shade_revision",
    )
    assert [[one[name] for name in names] for one in listed] == [
        [one[name] for name in names] for one in found["decisions"]
    ]
    assert (listed[-1]["id"], f"LR-{known.lot_id}-{listed[-1]['id']}") == (found["decision_id"], found["number"])
    asked_for = known.get("quality", f"/lots/{known.lot_id}/concessions")["items"]
    names = ("id", "uses", "max_mass_g", "valid_until", "reason", "requested_by", "approved_by", "approved_at")
    assert [[one[name] for name in names] for one in asked_for] == [
        [one[name] for name in names] for one in found["concessions"]
    ]
    assert ["approved", "asked for"] == [one["state"] for one in found["concessions"]]


def test_lot_deliveries_spools_and_cautions_are_in_it(known):
    """Lots, deliveries, spools and cautions are in the record, and the cost of a delivery is not."""
    found, lot = record(known), known.lot(known.lot_id)
    assert (NAME, lot["standing"], lot["received_at"]) == tuple(
        found["lot"][name] for name in ("supplier_lot", "standing", "received_at")
    )
    assert lot["spools"] == found["spools"]
    (delivery,) = found["deliveries"]
    assert ("PO-7", 3, 3.0, "dented <box>") == tuple(
        delivery[name] for name in ("order_ref", "spools", "net_mass_kg", "note")
    )
    assert "keep dry" in found["cautions"]
    assert "A released lot is not a safe part" in " ".join(found["cautions"])


def test_what_it_is_good_for_is_what_a_clearance_says(known):
    """Permitted uses and reasons are those of a clearance: hidden use under the concession alone."""
    answers = {part["use"]: part for part in record(known)["uses"]}
    for use, part in answers.items():
        asked_for = known.ask_clearance(known.codes[0], use)
        assert (part["answer"] in ("yes", "concession")) is asked_for["clear"], use
        assert set(part["reasons"]) <= set(asked_for["reasons"]), use
    assert {"hidden": "concession", "cosmetic": "no", "flexing": "not_judged"} == {
        use: answers[use]["answer"] for use in ("hidden", "cosmetic", "flexing")
    }


def test_a_good_lot_has_one_too(shop):
    """A good lot's record has passing findings, no tasks, and the number of the releasing decision."""
    shop.lot_id = shop.good_lot()["lot_id"]
    found = record(shop)
    assert ("released", [], {"pass"}) == (
        found["lot"]["standing"],
        found["to_measure"],
        {row["verdict"] for row in found["findings"]},
    )
    assert "is released (decision" in found["says"]


def test_a_lot_that_nobody_measured_says_so(shop):
    """An unmeasured lot's record has no method, reading or finding, and the status in quarantine."""
    shop.lot_id = shop.receive(shop.supplier(), shop.grade(shade_id=None))["lot_id"]
    found = record(shop)
    assert ([], [], None, None) == (
        found["method"],
        found["readings"],
        found["asked"]["limits_revision"],
        found["asked"]["shade"],
    )
    page = Page(fetch(shop, "text/html").get_data(as_text=True)).text
    assert squeezed("none were approved for this grade") in page
    assert {"not_judged", "not_yet"} == {part["answer"] for part in found["uses"]}


def test_page_and_pdf_hold_all_of_it(known):
    """Every title, fact and sentence, and each number of a reading and a decision with person and time, is in page and PDF."""
    page = Page(fetch(known, "text/html").get_data(as_text=True)).text
    pdf = pdf_text(fetch(known, "application/pdf").data)
    with connected():
        parts = sections(record_now(known.lot_id, to_print=True))
    said = [text for part in parts for text in (part.title, *part.paragraphs, *(name for name, _ in part.facts))]
    said += [table.title for part in parts for table in part.tables]
    for text in said:
        assert squeezed(text) in page, text
        assert squeezed(text) in pdf, text
    cells = [cell for part in parts for table in part.tables for row in table.rows for cell in row]
    assert [] == [cell for cell in cells if squeezed(cell) not in page]
    # A PDF wraps long cells next to each other, so their words are not contiguous.
    words = {word for cell in cells for word in cell.split() if len(word) <= 8}
    assert [] == sorted(word for word in words if squeezed(word) not in pdf)


def test_the_pdf_has_every_reading_as_a_row_and_numbers_its_pages(known):
    """The PDF has a row with number and spool for each reading, and page x of y with the record's number on each page."""
    answer = fetch(known, "application/pdf")
    number = record(known)["number"]
    assert f'inline; filename="lot-record-{number}.pdf"' == answer.headers["Content-Disposition"]
    read = pypdf.PdfReader(io.BytesIO(answer.data))
    assert f"Lot record {number}" == read.metadata.title
    whole = pdf_text(answer.data)
    for row in record(known)["readings"]:
        assert squeezed(f"{row['id']} {row['spool_code']}") in whole
    for index, page in enumerate(read.pages, start=1):
        assert squeezed(f"Lot record {number}, page {index} of {len(read.pages)}") in squeezed(page.extract_text())


def test_its_page_keeps_to_the_style_of_papers(known):
    """The page is escaped, without script, with a class per column width and numbered pages in print."""
    page = Page(fetch(known, "text/html").get_data(as_text=True))
    assert {"b", "box", "jaw", "script", "style", "img", "form"} & {tag for tag, _ in page.tags} == set()
    assert ("main", {"class": "record"}) in page.tags
    answer = known.client.get("/static/report.css")
    style = answer.get_data(as_text=True)
    answer.close()
    assert '@page record { @bottom-left { content: "Lot record"' in style
    with connected():
        tables = [table for part in sections(record_now(known.lot_id, to_print=True)) for table in part.tables]
    assert {100} == {sum(table.widths) for table in tables}
    assert [] == [w for table in tables for w in table.widths if f".w{w} {{ width: {w}%; }}" not in style]


def test_it_costs_as_many_queries_for_a_big_lot(known):
    """Thirty more readings and a second delivery need no further statement."""
    path = f"/lots/{known.lot_id}/record"
    few = len(asked(known, "production", "GET", path))
    known.receive(known.supplier_row, known.grade_row, NAME, 5)
    known.measure("diameter", [{"spool_code": known.codes[0], "d1_mm": 1.75, "d2_mm": 1.75}] * 30)
    assert few == len(asked(known, "production", "GET", path))
    assert few <= 21


def test_without_its_extra_a_pdf_is_refused(known, monkeypatch):
    """Without its extra a PDF is refused with 501, page and JSON work, and an unknown lot is 404 in every form."""
    monkeypatch.setattr(printed, "find_spec", lambda name: None)
    assert "pip install 'lots[pdf]'" in refused(fetch(known, "application/pdf"), 501, "no-pdf")["detail"]
    assert [200, 200] == [fetch(known, accept).status_code for accept in ("text/html", "application/json")]
    known.lot_id = 99
    for accept in ("text/html", "application/json"):
        refused(fetch(known, accept), 404, "not-found", [])
