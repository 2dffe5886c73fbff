"""Letters to suppliers: signed once, stored byte by byte, verified, resent, and without internal data of the shop."""

from __future__ import annotations

import base64
import hashlib
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.api.documents import print_limits, printed
from lots.api.documents.letter_pages import letter_paper
from lots.domain.purchasing.letters import CAUTIONS, CLAIMS
from lots.services.assessment import integrity_checks
from lots.services.documents import letters
from lots.services.setup.place import Place
from lots.store.engine.database import db
from lots.store.tables.decisions import Letter
from lots.store.upkeep import integrity
from tests.api.refusals import refused
from tests.api.test_queries import asked, statements
from tests.api.test_report_pages import pdf_text, squeezed
from tests.described import describe
from tests.reported import NAME, bad_lot
from tests.shop import MEASURED, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected

SIGNER = "Isolde Marrow"
CREDIT = {"claim": "credit", "spools": 2, "mass_g": 2000.0, "amount": 49.5, "currency": "EUR", "signed_by": SIGNER}
PLACE = {"time_zone": "Europe/Berlin", "date_form": "DD.MM.YYYY", "decimal_sign": "comma"}


@pytest.fixture
def bad(shop):
    """The shop with a lot of three spools that fails in colour and diameter."""
    return bad_lot(shop)


def sign(shop, status=201, role="purchasing", **more):
    """A letter on the lot, or its refusal."""
    return shop.post(role, f"/lots/{shop.lot_id}/letters", {"claim": "none", "signed_by": SIGNER, **more}, status)


def fetch_pdf(shop, number, role="purchasing"):
    """The PDF of a letter on request."""
    headers = {"Authorization": f"Bearer {shop.tokens[role]}", "Accept": "application/pdf"}
    return shop.client.get(f"/v1/letters/{number}", headers=headers)


def events(shop, what):
    """Entries of one kind in the history."""
    return [one for one in shop.get("quality", "/events?limit=500")["items"] if one["what"] == what]


def says(pdf, *texts):
    """The texts missing in the PDF."""
    return [text for text in texts if squeezed(text) not in pdf]


def test_a_letter_is_kept_to_the_byte_with_its_digest_in_the_history(bad):
    """Two reads of a letter are the same bytes, and its SHA-256 (standard library) is that of the answer and the history."""
    made = sign(bad, **CREDIT)
    first, second = fetch_pdf(bad, made["number"]), fetch_pdf(bad, made["number"])
    assert (200, "application/pdf", True) == (first.status_code, first.mimetype, "Accept" in first.headers["Vary"])
    assert first.data == second.data
    assert hashlib.sha256(first.data).hexdigest() == made["digest"]
    # RFC 9530, 2: the digest as a byte sequence, in base64 between colons.
    sent = first.headers["Content-Digest"].removeprefix("sha-256=:").removesuffix(":")
    assert made["digest"] == base64.b64decode(sent).hex()
    (entry,) = events(bad, "letter signed")
    assert (bad.lot_id, {"digest": made["digest"], "number": made["number"]}) == (
        entry["lot_id"],
        entry["content"]["values"],
    )
    assert f'inline; filename="letter-{made["number"]}.pdf"' == first.headers["Content-Disposition"]
    assert made == bad.get("quality", f"/letters/{made['number']}")


def test_letters_are_numbered_by_lot_and_count(bad):
    """A letter's number is the lot and a count, and Location has its address."""
    answer = bad.call("purchasing", "POST", f"/lots/{bad.lot_id}/letters", {"claim": "none", "signed_by": SIGNER})
    assert f"/v1/letters/L-{bad.lot_id}-1" == answer.headers["Location"]
    assert f"L-{bad.lot_id}-2" == sign(bad)["number"]
    both = bad.get("purchasing", f"/lots/{bad.lot_id}/letters")["items"]
    assert [f"L-{bad.lot_id}-2", f"L-{bad.lot_id}-1"] == [one["number"] for one in both]
    assert both == bad.get("purchasing", "/letters")["items"]


def test_the_letter_goes_from_the_shop_to_the_contact_and_states_its_claim(bad):
    """The letter has name, address, signer, contact, claim, quantity, money and due date in the site's formats."""
    describe(bad, name="Saltmarsh Yard Prints", address="Kiln Lane 4\nSaltmarsh", **PLACE)
    pdf = pdf_text(fetch_pdf(bad, sign(bad, **CREDIT, note="Kept apart for you.")["number"]).data)
    due = (datetime.now(UTC) + timedelta(days=14)).astimezone(letters_zone()).strftime("%d.%m.%Y")
    told = (
        "Saltmarsh Yard Prints",
        "Kiln Lane 4",
        SIGNER,
        "Supplier NBK",
        "Jory, sales@ninebark.example",
        NAME,
        "PO-7",
    )
    claimed = ("Credit", "We ask you for a credit note.", "2 spools, 2 kg", "49,50 EUR", "Kept apart for you.")
    assert [] == says(pdf, *told, *claimed, f"Please answer in writing by {due}.", *CAUTIONS)
    found = ("1,820 mm", "1,7 to 1,8 mm", "Proved: outside by more than the guard band of 0,0039 (ISO 14253-1).")
    annexes = ("Annex 1: limits", "Ovality", "at most 0,05 mm", "Annex 2: methods", "Annex 3: readings")
    assert [] == says(pdf, *found, *annexes, "1,82 and 1,82 mm at 3 m", "revision 1 of", "JCGM 106:2012, 8.2")
    assert "the buyer" == sign_issuer(bad, None)
    assert "Saltmarsh Yard Prints" == sign_issuer(bad, "Saltmarsh Yard Prints")


def letters_zone():
    """The time zone of the shop in these tests."""
    from zoneinfo import ZoneInfo

    return ZoneInfo(PLACE["time_zone"])


def sign_issuer(shop, name):
    """The issuer of the report once the shop has this name."""
    describe(shop, name=name)
    return shop.get("purchasing", f"/lots/{shop.lot_id}/nonconformity-report")["issued_by"]


def test_nobody_of_the_shop_is_named_but_the_signer(bad):
    """Of all names with a token only the signer's is in the PDF and the page."""
    bad.decide(bad.lot_id, "block", "streaks on every spool")
    made = sign(bad, role="quality", **CREDIT)
    pdf = pdf_text(fetch_pdf(bad, made["number"]).data)
    headers = {"Authorization": f"Bearer {bad.tokens['purchasing']}", "Accept": "text/html"}
    page = squeezed(
        bad.client.get(f"/v1/lots/{bad.lot_id}/nonconformity-report", headers=headers).get_data(as_text=True)
    )
    names = {one["name"] for one in bad.get("admin", "/people")["items"]}
    assert len(names) >= 5
    assert [] == [name for name in names if squeezed(name) in pdf or squeezed(name) in page]
    assert "quality person" == made["recorded_by"]
    own = ("keep dry", "Still to be measured", "<jaw>", "dented", "/v1/", "Decisions")
    assert [] == [text for text in own if squeezed(text) in pdf]
    assert [] == says(pdf, SIGNER, "We blocked this lot. Reason: streaks on every spool.")


def test_a_lot_blocked_by_hand_is_written_about_by_its_reason(shop):
    """A letter on a lot blocked by a manual decision has no findings or annexes, but the reason, the claim and the caution."""
    shop.lot_id = shop.good_lot()["lot_id"]
    assert "nothing to report" in sign(shop, 409)["detail"]
    shop.decide(shop.lot_id, "block", "wound crosswise")
    pdf = pdf_text(fetch_pdf(shop, sign(shop, claim="replacement", spools=1)["number"]).data)
    assert [] == says(pdf, "Reason: wound crosswise.", "Replacement", "1 spool", "From the buyer", *CAUTIONS)
    assert ["Annex 1", "Findings"] == says(pdf, "Annex 1", "Findings")


@pytest.mark.parametrize(
    ("more", "pointer", "hint"),
    [
        ({"claim": "credit", "spools": 4}, "/spools", "Give at most 3."),
        ({"claim": "credit", "mass_g": 3000.5}, "/mass_g", "Give at most 3 kg."),
        ({"claim": "credit", "amount": 5.0}, "/currency", "Give both, or neither."),
        ({"claim": "credit", "currency": "EUR"}, "/amount", "Give both, or neither."),
        ({"claim": "credit", "amount": 5.0, "currency": "eur"}, "/currency", "capital letters"),
        ({"claim": "credit", "amount": 5.0, "currency": "ABC"}, "/currency", "three-letter currency code"),
        ({"claim": "credit", "amount": 5.0, "currency": "XXX"}, "/currency", "three-letter currency code"),
        ({"claim": "credit", "amount": 71.2512345, "currency": "JPY"}, "/amount", "Give no decimals."),
        ({"claim": "credit", "amount": 49.505, "currency": "EUR"}, "/amount", "Give at most 2 decimals."),
        ({"amount": 5.0, "currency": "EUR"}, "/amount", "State a claim, or leave this field empty."),
        ({"spools": 1}, "/spools", "State a claim, or leave this field empty."),
        ({"mass_g": 500.0}, "/mass_g", "State a claim, or leave this field empty."),
        ({"claim": "credit", "spools": 1, "mass_g": 1000.5}, "/mass_g", "Give at most 1 kg, or more spools."),
        ({"claim": "credit", "amount": 2e9, "currency": "EUR"}, "/amount", "from 0 to 1000000000."),
        ({"claim": "credit", "spools": 0}, "/spools", "from 1 to 2147483647."),
        ({"answer_by": "2020-01-01T00:00:00Z"}, "/answer_by", "two weeks from now"),
        ({"corrective_action_id": 99}, "/corrective_action_id", "Name a corrective action of this lot"),
        ({"claim": "refund"}, "/claim", "credit"),
    ],
)
def test_what_cannot_be_claimed_is_refused_at_its_field(bad, more, pointer, hint):
    """An impossible claim is refused with 422 at its field and the remedy, and nothing is stored."""
    (fault,) = sign(bad, 422, **more)["errors"]
    assert (pointer, True) == (fault["pointer"], hint in fault["hint"])
    assert [] == bad.get("purchasing", "/letters")["items"]


@pytest.mark.parametrize(("amount", "currency"), [(49.5, "EUR"), (71.0, "JPY"), (0.07, "USD"), (1.125, "BHD")])
def test_an_amount_may_have_the_decimals_of_its_currency(bad, amount, currency):
    """An amount has the decimals of its currency (ISO 4217, minor units: 2, 0, 2 and 3)."""
    made = sign(bad, claim="credit", amount=amount, currency=currency)
    assert (amount, currency) == (made["amount"], made["currency"])


def test_the_stated_spools_may_be_the_heaviest_ones(shop):
    """Of spools of 0.5, 1 and 0.75 kg two hold at most 1.75 kg (arithmetic)."""
    supplier, grade = shop.supplier(), shop.grade()
    for mass_g in (500, 1000, 750):
        got = shop.receive(supplier, grade, spools=1, net_mass_g=mass_g)
    shop.lot_id = got["lot_id"]
    shop.decide(shop.lot_id, "block", "wound crosswise")
    (fault,) = sign(shop, 422, claim="credit", spools=2, mass_g=1750.5)["errors"]
    assert ("/mass_g", True) == (fault["pointer"], "held at most 1.75 kg" in fault["detail"])
    assert 1750.0 == sign(shop, claim="credit", spools=2, mass_g=1750.0)["mass_g"]


def test_a_lot_in_quarantine_is_not_written_about(shop):
    """A lot in quarantine with one hold, too wet, has a report and no letter: 409."""
    got = shop.receive(
        shop.supplier(), shop.grade(limits={**SIMPLE_LIMITS, "moisture": {"max_percent": 0.05}}), spools=1
    )
    shop.lot_id, code = got["lot_id"], got["spools"][0]["code"]
    shop.measure("moisture", {"spool_code": code, "moisture_percent": 0.2, "measured_at": MEASURED})
    assert "quarantined" == shop.lot(shop.lot_id)["standing"]
    why = "Lot Q-71 is in quarantine: its measurements are not complete, so nothing can be claimed yet."
    assert why == sign(shop, 409, claim="credit")["detail"]
    assert [] == shop.get("purchasing", "/letters")["items"]
    shop.get("purchasing", f"/lots/{shop.lot_id}/nonconformity-report")


def test_a_released_lot_is_not_written_about(shop):
    """A released lot with a value outside an optional limit has no letter: 409."""
    limits = {**SIMPLE_LIMITS, "uses": {"hidden": ["color"]}}
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=1)
    shop.lot_id, code = got["lot_id"], got["spools"][0]["code"]
    shop.color(code, WHITE)
    shop.diameter(code, 1.9, 1.9)
    assert "released" == shop.lot(shop.lot_id)["standing"]
    assert "Lot Q-71 is released, so nothing can be claimed." == sign(shop, 409)["detail"]


def test_all_that_came_may_be_claimed(bad):
    """The largest claim is all of the delivery: three spools and 3 kg."""
    assert (3, 3000.0) == tuple(
        sign(bad, claim="sorting", spools=3, mass_g=3000.0)[name] for name in ("spools", "mass_g")
    )


def test_an_answer_is_due_as_the_corrective_action_says_else_in_two_weeks(bad):
    """An answer is due on the 14th day at the shop (common practice, no source), or on the due date of the named corrective action, quoted."""
    with time_machine.travel("2026-03-20T23:30:00Z", tick=True):
        # In Berlin the 21st has begun, and the clocks go forward before the answer is due.
        assert "2026-04-03T23:59:59Z" == sign(bad)["answer_by"]
        describe(bad, **PLACE)
        made = sign(bad)
        assert "2026-04-04T21:59:59Z" == made["answer_by"]
        assert [] == says(pdf_text(fetch_pdf(bad, made["number"]).data), "Please answer in writing by 04.04.2026.")
    describe(bad, time_zone="UTC", date_form="YYYY-MM-DD", decimal_sign="point")
    asked_for = {"requested_action": "Find the cause of the yellow tint.", "due_at": "2190-01-31T08:00:00Z"}
    action = bad.post("purchasing", f"/lots/{bad.lot_id}/corrective-actions", asked_for)
    made = sign(bad, corrective_action_id=action["id"])
    assert ("2190-01-31T08:00:00Z", action["id"]) == (made["answer_by"], made["corrective_action_id"])
    pdf = pdf_text(fetch_pdf(bad, made["number"]).data)
    assert [] == says(pdf, "Find the cause of the yellow tint.", "Please answer in writing by 2190-01-31.")


def test_a_letter_about_a_big_lot_stays_short_and_begins_with_what_fails(bad):
    """A letter has at most 200 rows, readings of nonconforming spools first, with an offer of the rest."""
    more = bad.receive(bad.supplier_row, bad.grade_row, NAME, 30)
    codes = [spool["code"] for spool in more["spools"]]
    rows = [{"spool_code": code, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED} for code in codes * 12]
    bad.measure("diameter", [*rows, {**rows[0], "spool_code": codes[-1], "d1_mm": 1.9, "d2_mm": 1.9}])
    with connected():
        paper = letter_paper(*letters.draft(bad.lot_id, {"claim": "none", "signed_by": SIGNER}), Place())
    tables = {table.title: table for part in paper.shown for table in part.tables}
    assert print_limits.MOST_ROWS_OF_LETTER == sum(len(table.rows) for table in tables.values())
    bad_codes = {row[0].partition(":")[0] for row in tables["Nonconforming spools"].rows}
    first = [row[1] in bad_codes for row in tables["Diameter"].rows]
    assert codes[-1] in {row[1] for row in tables["Diameter"].rows}
    assert first == sorted(first, reverse=True)
    said = next(part.paragraphs for part in paper.shown if "readings behind" in part.title)
    assert ["The complete data are available on request."] == [text[-43:] for text in said[1:]]


@pytest.mark.parametrize("claim", CLAIMS)
def test_every_claim_is_in_words(bad, claim):
    """Every claim is in words, with its name and request and without a code."""
    pdf = pdf_text(fetch_pdf(bad, sign(bad, claim=claim)["number"]).data)
    assert [] == says(pdf, CLAIMS[claim].name, CLAIMS[claim].asks)


def test_our_sentences_are_short(bad):
    """Each sentence of the program in a letter has at most 25 words."""
    ours = [*CAUTIONS, *(claim.asks for claim in CLAIMS.values())]
    assert [] == [one for text in ours for one in text.split(". ") if len(one.split()) > 25]


def test_a_letter_without_the_extra_is_refused_and_not_kept(bad, monkeypatch):
    """Without the extra a letter is refused with 501, and neither list nor history has it."""
    monkeypatch.setattr(printed, "find_spec", lambda name: None)
    answer = bad.call("purchasing", "POST", f"/lots/{bad.lot_id}/letters", {"claim": "none", "signed_by": SIGNER})
    assert "pip install 'lots[pdf]'" in refused(answer, 501, "no-pdf")["detail"]
    assert ([], []) == (bad.get("purchasing", "/letters")["items"], events(bad, "letter signed"))


def test_a_repeat_with_the_same_key_signs_once(bad):
    """The same key signs one letter and repeats its answer."""
    body, path = {"claim": "none", "signed_by": SIGNER}, f"/lots/{bad.lot_id}/letters"
    first, second = (bad.call("purchasing", "POST", path, body, Idempotency_Key="once") for _ in range(2))
    assert first.get_json() == second.get_json()
    assert "true" == second.headers["Idempotent-Replayed"]
    assert 1 == len(bad.get("purchasing", "/letters")["items"])


def test_a_letter_is_sent_and_sent_again(bad):
    """Each sending is recorded with the letter and in the history of its lot; the PDF and its digest are unchanged."""
    made, path = sign(bad), None
    path = f"/letters/{made['number']}/sent"
    bad.post("purchasing", path, {"sent_to": "sales@ninebark.example", "note": "by e-mail"})
    again = bad.post("quality", path, {"sent_to": "Jory", "sent_at": datetime.now(UTC).isoformat()})
    assert [("sales@ninebark.example", "by e-mail", "purchasing person"), ("Jory", None, "quality person")] == [
        (one["sent_to"], one["note"], one["recorded_by"]) for one in again["sent"]
    ]
    assert [(bad.lot_id, {"number": made["number"]})] * 2 == [
        (one["lot_id"], one["content"]["values"]) for one in events(bad, "letter sent")
    ]
    assert {**made, "sent": again["sent"]} == again == bad.get("purchasing", "/letters")["items"][0]


@pytest.mark.parametrize(
    ("sent_at", "words"),
    [("2020-01-01T00:00:00Z", "before the letter was signed"), ("2199-01-01T00:00:00Z", "is in the future")],
)
def test_a_letter_is_not_sent_before_it_is_signed_nor_in_the_future(bad, sent_at, words):
    """A sending before the signature or in the future is refused with 422 at its field."""
    number = sign(bad)["number"]
    (fault,) = bad.post("purchasing", f"/letters/{number}/sent", {"sent_to": "Jory", "sent_at": sent_at}, 422)["errors"]
    assert ("/sent_at", True) == (fault["pointer"], words in fault["detail"])


@pytest.mark.parametrize("number", ["L-1-9", "x", "L-1-1%00", "%20", "9" * 300])
def test_a_letter_that_is_not_there_is_said_so(bad, number):
    """An unknown letter is 404 in each form."""
    sign(bad)
    bad.get("purchasing", f"/letters/{number}", 404)
    assert 404 == fetch_pdf(bad, number).status_code
    bad.post("purchasing", f"/letters/{number}/sent", {"sent_to": "Jory"}, 404)


def test_letters_are_listed_by_supplier_and_day(bad):
    """Filters by supplier and day combine, both ends included; pages continue, newest first."""
    numbers = [sign(bad)["number"] for _ in range(3)]
    at = bad.get("purchasing", f"/letters/{numbers[1]}")["recorded_at"]
    supplier = bad.supplier_row["id"]

    def listed(query):
        return [one["number"] for one in bad.get("purchasing", f"/letters?{query}")["items"]]

    assert numbers[::-1] == listed(f"supplier_id={supplier}")
    assert [] == listed(f"supplier_id={supplier + 1}")
    assert [numbers[1]] == listed(f"supplier_id={supplier}&signed_from={at}&signed_to={at}")
    page = bad.get("purchasing", "/letters?limit=2")
    rest = bad.get("purchasing", page["next"].removeprefix("/v1"))
    assert numbers[::-1] == [one["number"] for one in (*page["items"], *rest["items"])]


def test_lists_make_as_many_statements_for_many_letters_and_never_read_a_pdf(bad):
    """A list needs the same statements for any number of letters and never reads a PDF."""

    def sent():
        bad.post("purchasing", f"/letters/{sign(bad)['number']}/sent", {"sent_to": "Jory"})

    sent()
    few = len(asked(bad, "purchasing", "GET", "/letters"))
    for _ in range(3):
        sent()
    paths = ("/letters", f"/lots/{bad.lot_id}/letters", f"/letters/L-{bad.lot_id}-1")
    with statements() as seen:
        for path in paths:
            bad.get("purchasing", path)
    assert [] == [sql for sql, _ in seen if '"pdf"' in sql]
    assert few == len(asked(bad, "purchasing", "GET", "/letters")) <= 4


def test_signing_takes_as_many_statements_however_big_the_lot(bad):
    """Signing needs the same statements for any size of lot."""
    body, path = {"claim": "none", "signed_by": SIGNER}, f"/lots/{bad.lot_id}/letters"

    def made():
        with statements() as seen:
            bad.post("purchasing", path, body)
        return len(seen)

    few = made()
    more = bad.receive(bad.supplier_row, bad.grade_row, NAME, 20)
    for spool in more["spools"]:
        bad.diameter(spool["code"], 1.83, 1.83)
    assert few == made() <= 45


def tamper(number, **columns):
    """Columns of a letter changed directly in the database."""
    for column, value in columns.items():
        db.execute_sql(f'UPDATE "letter" SET "{column}" = {db.param} WHERE "number" = {db.param}', (value, number))


def test_a_changed_pdf_is_not_sent_and_is_found(bad):
    """A changed PDF is refused with 503, and `lots check` names lot and letter, also with a changed digest."""
    number = sign(bad)["number"]
    other = b"%PDF-1.7 another"
    with connected():
        tamper(number, pdf=base64.b64encode(other).decode())
        with pytest.raises(letters.Damaged, match="does not match its stored digest"):
            letters.pdf_of(number)
        found = [flaw.line for flaw in integrity_checks.proved(integrity.lot_names())]
        assert [True] == ["letter" in line and f"({bad.lot_id})" in line for line in found]
    answer = fetch_pdf(bad, number)
    assert (503, False) == (answer.status_code, other in answer.data)
    bad.get("purchasing", f"/letters/{number}")
    with connected():
        tamper(number, digest=hashlib.sha256(other).hexdigest())
        assert [True] == ["letter" in flaw.line for flaw in integrity_checks.proved(integrity.lot_names())]
        tamper(number, pdf="no base64 at all")
        with pytest.raises(letters.Damaged):
            letters.pdf_of(number)
        assert 1 == Letter.select().count()
