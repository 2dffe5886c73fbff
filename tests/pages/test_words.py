"""Words for people: pages show labels instead of JSON names, and no fault twice."""

from __future__ import annotations

import re

import pytest

from lots.api.assessment.concessions import WithdrawArgs
from lots.api.assessment.decisions import DecisionArgs
from lots.api.assessment.reinspections import ReinspectionArgs
from lots.api.instruments.references import RemeasurementVoidArgs
from lots.api.production.dryings import DryingArgs
from lots.api.production.loads import UnloadArgs
from lots.api.production.matching import PickArgs
from lots.api.production.spools import WindArgs
from lots.api.production.tab_checks import TabArgs
from lots.api.production.tracing import CloseArgs
from lots.api.readings.reading_args import ARGS
from lots.api.readings.voids import AgreeArgs
from lots.api.receiving.delivery_corrections import ClosingArgs
from lots.api.receiving.samples import SubstituteArgs
from lots.api.setup.names import MachineChange
from lots.pages.site.calls import label_of
from tests.pages.reading import Browser, log, sign_in
from tests.shop import SIMPLE_LIMITS

# A name as JSON has it: small letters joined by low lines.
JSON_NAME = re.compile(r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b")


def test_a_wrong_token_is_told_in_words(shop):
    """No header and no command: what may be wrong, and whom to ask."""
    answer = sign_in(shop.app.test_client(), "nothing")
    text = answer.get_data(as_text=True)
    assert "This token is mistyped, revoked or expired. Ask your administrator for another." in text
    assert "Bearer" not in text


def test_a_check_without_a_use_says_so_once(desk):
    """A check without a use shows its error once, at the focused field."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    page = Browser(desk, "production").go(f"/check?spool={spool}")
    assert 1 == page.text.count("This is required.")
    assert "Correct the fields marked below." in page.text
    assert re.search(r'<select id="use" name="use" autofocus', page.html)
    assert [] == JSON_NAME.findall(page.text)


def test_a_form_left_empty_names_no_field_as_json_does(desk, clerk):
    """A delivery and each kind of reading at the bench, sent empty and with an invalid number."""
    log(desk, clerk)
    told = [clerk.send(clerk.go("/receiving"), "supplier_lot", received_at="")]
    quality = Browser(desk, "quality")
    for kind, first in (
        ("diameter", "d1_mm-0"),
        ("bond", "stress_mpa-0"),
        ("shrinkage", "measured_mm-0"),
        ("gloss", "gloss_gu-0"),
    ):
        form = quality.go(f"/bench?spool=L1-S001&kind={kind}")
        told += [quality.send(form, first, "Store"), quality.send(form, first, "Store", **{first: "x"})]
    for page in told:
        assert 422 == page.status
        assert [] == JSON_NAME.findall(page.text), page.text


def test_limits_that_lack_a_use_name_the_others_in_words(desk):
    """The sentence is the API's, with the use in words."""
    grade = desk.grade("CARRY", limits=SIMPLE_LIMITS | {"uses": {"load_bearing": ["diameter"]}})
    spool = desk.receive(desk.quillwort, grade)["spools"][0]["code"]
    page = Browser(desk, "production").go(f"/check?spool={spool}&use=fit")
    assert "load-bearing" in page.text
    assert "load_bearing" not in page.text


def test_a_form_sent_before_with_other_words_is_to_be_opened_anew(desk, clerk):
    """What people know is a form; keys and bodies they do not."""
    form = clerk.go("/receiving").form("supplier_lot")["fields"]
    sent = form | {"supplier_id": "1", "grade_id": "1", "supplier_lot": "Q-1", "spool_count": "1", "net_mass_g": "1000"}
    clerk.go("/receiving", data=sent)
    page = clerk.go("/receiving", data=sent | {"supplier_lot": "Q-2"})
    assert "This form was already sent with other values. Open it again." in page.text
    assert "Idempotency" not in page.text


@pytest.mark.parametrize(
    ("kind", "field", "typed", "says"),
    [
        ("diameter", "d1_mm-0", "1,75", "Write 1.75, with a decimal point, not a comma."),
        ("diameter", "d1_mm-0", "soon", "This must be a number."),
        ("diameter", "measured_at", "soon", "This time is not complete, or has another form."),
    ],
)
def test_a_hint_speaks_of_what_was_typed_and_not_of_json(desk, clerk, kind, field, typed, says):
    """Hints about JSON quotes and brackets are left out for people."""
    log(desk, clerk)
    page = clerk.send(
        clerk.go(f"/bench?spool=L1-S001&kind={kind}"), "d1_mm-0", "Store", **{"d2_mm-0": "1.75", field: typed}
    )
    assert 422 == page.status
    assert says in page.text
    assert "quotes" not in page.text


@pytest.mark.parametrize(
    ("path", "typed", "told"),
    [
        ("/lots/1/decide", {"action": "block"}, "This is required."),
        ("/lots/1/decide", {"action": "burn", "reason": "x"}, 'Decision: "burn" is not a permitted value.'),
        (
            "/lots/1/reinspections",
            {"measure": "diameter", "use_by": "soon", "reason": "x"},
            "This is not a date. Write it like 2026-11-25.",
        ),
        ("/lots/1/corrective-actions", {}, "This is required."),
        ("/spools/L1-S001/dryings", {"hours": "4"}, "This is required."),
        ("/machines/1", {"slots": "many", "version": "1"}, "Slots: This must be a number."),
    ],
)
def test_what_is_refused_of_a_form_names_its_fields_as_the_form_does(desk, path, typed, told):
    """An error of a form appears at the field or with its label, never with the JSON name."""
    desk.receive(desk.quillwort, desk.white)
    somebody = Browser(desk, "admin")
    page = somebody.go(path, data={**somebody.go("/").form("seal")["fields"], **typed})
    assert 422 == page.status
    assert told in page.text
    assert [] == JSON_NAME.findall(page.text)


@pytest.mark.parametrize(
    ("path", "typed", "told"),
    [
        ("/lots/1/decide", {"action": "block"}, "Reason This is required."),
        ("/lots/1/corrective-actions", {}, "Requested action This is required."),
        (
            "/lots/1/reinspections",
            {"measure": "diameter", "use_by": "soon", "reason": "x"},
            "This is not a date. Write it like 2026-11-25.",
        ),
    ],
)
def test_a_refused_act_on_a_lot_is_told_at_its_field(desk, path, typed, told):
    """Below the label; above the form where the grade leaves no form to fill."""
    desk.receive(desk.quillwort, desk.white)
    somebody = Browser(desk, "admin")
    page = somebody.go(path, data={**somebody.go("/").form("seal")["fields"], **typed})
    assert (422, True) == (page.status, told in page.text)
    assert [] == JSON_NAME.findall(page.text)


def test_a_form_that_asks_for_a_reason_begins_there(desk):
    """A box of several lines has the focus as any other field has."""
    desk.receive(desk.quillwort, desk.white)
    quality = Browser(desk, "quality")
    assert '<textarea id="reason" name="reason" rows="4" autofocus' in quality.go("/lots/1/decide?action=block").html
    for form in ("/setup/shades", "/setup/instruments"):
        assert re.search(r'<input id="code"[^>]* autofocus', quality.go(form).html)


def test_a_file_keeps_the_names_of_its_columns(desk, clerk):
    """Columns of a file keep their JSON names."""
    log(desk, clerk)
    page = clerk.send(clerk.go("/bench/file"), "text", text="spool_code,d1_mm,d2_mm\nL1-S001,1.75,x\n")
    assert "d2_mm" in page.text
    assert "is not a number" in page.text


def test_what_people_typed_is_left_as_it_is(desk):
    """No page rewords a reason, a note or a code."""
    lot = desk.receive(desk.quillwort, desk.white)["lot_id"]
    desk.decide(lot, "hold", "load_bearing d1_mm")
    assert "load_bearing d1_mm" in Browser(desk, "quality").go(f"/lots/{lot}").text


def test_every_field_that_a_page_asks_for_has_a_label():
    """Every field of the bodies whose errors have a page of their own has a label."""
    unnamed = {
        (schema.__name__, name)
        for schema in (
            DecisionArgs,
            ReinspectionArgs,
            SubstituteArgs,
            AgreeArgs,
            ClosingArgs,
            RemeasurementVoidArgs,
            WithdrawArgs,
            MachineChange,
            UnloadArgs,
            WindArgs,
            CloseArgs,
            DryingArgs,
            PickArgs,
            TabArgs,
        )
        for name, field in schema().fields.items()
        if field.required and not label_of(schema, f"/{name}")
    }
    assert set() == unnamed


def test_the_label_of_a_reading_comes_from_its_declaration():
    """Within a list, at any depth."""
    assert "D2" == label_of(ARGS["diameter"], "/0/d2_mm")
    assert "" == label_of(ARGS["diameter"], "/0/unknown")
