"""Words for people: what the API calls a field, a page calls by its label, and nothing stands there twice."""

from __future__ import annotations

import re

import pytest

from lots.pages.site.words import worded
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
    """At the field, with the focus there, and not in the summary as well."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    page = Browser(desk, "production").go(f"/check?spool={spool}")
    assert 1 == page.text.count("This is needed.")
    assert "What to put right stands beside each field." in page.text
    assert re.search(r'<select id="use" name="use" autofocus', page.html)
    assert [] == JSON_NAME.findall(page.text)


def test_a_form_left_empty_names_no_field_as_json_does(desk, clerk):
    """A delivery and each kind of reading at the bench, sent with nothing in them, and with a number that is none."""
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
        told += [quality.send(form, first), quality.send(form, first, **{first: "x"})]
    for page in told:
        assert 422 == page.status
        assert [] == JSON_NAME.findall(page.text), page.text


def test_limits_that_lack_a_use_name_the_others_in_words(desk):
    """The sentence is the API's; the use in it is written as people write it."""
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
    assert "This form was sent before with other words. Open it anew." in page.text
    assert "Idempotency" not in page.text


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ({"pointer": "/0/d2_mm", "detail": "This is needed.", "hint": "d2_mm: mm, across d1."}, None),
        ({"pointer": "/grade_id", "detail": "This is needed.", "hint": "Give grade_id."}, None),
        ({"pointer": "use", "detail": "This is needed.", "hint": "Write one of: cosmetic, load_bearing."}, None),
        (
            {"pointer": "/0/stress_mpa", "detail": "x", "hint": "Give stress_mpa, or break_force_n with area_mm2."},
            "Give the stress, or the force with the section.",
        ),
        (
            {
                "pointer": "/0/d1_mm",
                "detail": "x",
                "hint": "Write 1.75, with a decimal point, not a comma, and without quotes.",
            },
            "Write 1.75, with a decimal point, not a comma.",
        ),
    ],
)
def test_a_hint_that_only_repeats_its_field_is_dropped(fault, told):
    """What says more is kept, in the page's words."""
    assert told == worded(fault).get("hint")


def test_a_file_keeps_the_names_of_its_columns():
    """Whoever writes the file writes them; how fractions are declared is a choice on the page."""
    hint = "Write 1.75, or declare decimal: comma for the whole file."
    told = worded({"pointer": "/0/d1_mm", "row": 2, "column": "d1_mm", "detail": "d1_mm is no number.", "hint": hint})
    assert "d1_mm is no number." == told["detail"]
    assert "Fractions are written with" in told["hint"]


def test_what_people_typed_is_left_as_it_is():
    """Only sentences of the API are put in other words, never notes, codes or numbers."""
    typed = {"reason": "load_bearing d1_mm", "supplier_lot": "d1_mm", "standing": "released", "net_mass_g": 1000}
    assert typed == worded(typed)
