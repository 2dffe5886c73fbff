"""The acceptance agreement for a grade, in each form. Expected content comes from the posted limits, an assessment and scipy."""

import io
import re

import pypdf
import pytest
from scipy import stats

from tests.api.test_queries import statements
from tests.api.test_report_pages import Page, pdf_text, squeezed
from tests.shop import FULL_LIMITS

PLAN = {**FULL_LIMITS, "decision_rule": "guarded", "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 4.0}}


def agreed(shop, query="", status=200, grade=1):
    """The agreement as JSON."""
    return shop.get("purchasing", f"/grades/{grade}/agreement{query}", status)


def fetch(shop, accept, query=""):
    """The agreement in the requested form."""
    headers = {"Authorization": f"Bearer {shop.tokens['quality']}", "Accept": accept}
    return shop.client.get(f"/v1/grades/1/agreement{query}", headers=headers)


@pytest.fixture
def known(shop):
    """A shop with an address, a supplier and a grade with every block of limits."""
    shop.quillwort = shop.supplier(contact="Jory, sales@quillwort.example")
    shop.white = shop.grade(limits=FULL_LIMITS, cautions=["dry before the night shift"])
    for code, u in (("MIC-1", 0.002), ("MIC-2", 0.004), ("MIC-3", None)):
        gauge = {"code": code, "kind": "micrometer", "check_interval_days": 30}
        shop.post("quality", "/instruments", {**gauge, **({"standard_uncertainty": u} if u else {})})
    return shop


def test_it_states_the_limits_that_a_lot_is_judged_by(known):
    """The agreement has the limit of each finding of an unmeasured lot of the grade, with the uses that require it."""
    lot_id = known.receive(known.quillwort, known.white)["lot_id"]
    judged = {one["code"]: (one["limit"], one["unit"], one["uses"]) for one in known.assessment(lot_id)["findings"]}
    stated = {one["code"]: (one["limit"], one["unit"], one["uses"]) for one in agreed(known)["asked"]["limits"]}
    assert judged == stated


def leaves(value):
    """The numbers and words of a block of limits."""
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else None
    return [value] if parts is None else [leaf for part in parts for leaf in leaves(part)]


def test_it_states_every_value_of_the_revision(known):
    """Every posted value, those of steps included, is in the agreement, with its unit in its label."""
    found = agreed(known)
    for name in (name for name in FULL_LIMITS if name not in ("uses", "sampling", "decision_rule")):
        said = " ".join(one["says"] for one in found["requirements"] if one["characteristic"] == name)
        for leaf in leaves(FULL_LIMITS[name]):
            text = f"{leaf:g}" if isinstance(leaf, int | float) else str(leaf)
            assert text in re.split(r" to |, | ", said), (name, leaf)
    assert FULL_LIMITS["uses"] == {one["use"]: one["requires"] for one in found["uses"]}


def test_the_chance_of_acceptance_is_hypergeometric(known):
    """The acceptance probabilities of 3 of 20 spools, and of code letter C at AQL 4 % with its accept number, are those of scipy."""
    for limits in (None, PLAN):
        if limits:
            known.limit(1, limits)
        sample = agreed(known)["sampling"]
        for row in sample["chances"]:
            oracle = stats.hypergeom(sample["spools"], row["nonconforming"], sample["size"]).cdf(sample["accept"])
            assert oracle == pytest.approx(row["passes"])
        by_count = {row["nonconforming"]: row["passes"] for row in sample["chances"]}
        assert sample["producer_risk"] == pytest.approx(1 - by_count[1])
        assert sample["consumer_risk"] == pytest.approx(by_count[3])
    # MIL-STD-105E, Tables I and II-A: 16 to 25 spools, level II, letter C; at AQL 4.0 the arrow leads to n = 3, Ac = 0, Re = 1.
    assert ("C", 3, 0) == (sample["code_letter"], sample["size"], sample["accept"])


def test_the_example_is_of_the_usual_delivery_of_the_supplier(known):
    """The example is the median of the supplier's last deliveries, and 20 spools without deliveries or a supplier."""
    assert 20 == agreed(known)["sampling"]["spools"] == agreed(known, "?supplier_id=1")["sampling"]["spools"]
    for number, spools in enumerate((6, 8, 30)):
        known.receive(known.quillwort, known.white, f"Q-{number}", spools, confirm_spool_count=True)
    assert (8, 20) == tuple(agreed(known, query)["sampling"]["spools"] for query in ("?supplier_id=1", ""))


def test_methods_name_kinds_of_instruments_and_no_single_one(known):
    """Methods name kinds of instruments, with the smallest and largest stated uncertainty and the required readings."""
    by_name = {one["characteristic"]: one for one in agreed(known)["method"]}
    (micrometer,) = by_name["diameter"]["instruments"]
    ends = (micrometer["standard_uncertainty_low"], micrometer["standard_uncertainty_high"])
    assert ("micrometer", 3, 0.002, 0.004, "mm") == (
        micrometer["kind"],
        micrometer["instruments"],
        *ends,
        micrometer["unit"],
    )
    assert "5 positions" in by_name["diameter"]["terms"]
    assert [] == by_name["gloss"]["instruments"]
    assert "MIC-1" not in fetch(known, "text/html").text


def test_an_older_revision_is_agreed_as_it_was(known):
    """An older revision is agreed with its number, rule and limits; the default is the newest."""
    known.limit(1, {"sampling": {"fixed": 2}, "diameter": {"ovality_max_mm": 0.02}})
    newest, older = agreed(known), agreed(known, "?limits=1")
    assert (2, 1) == tuple(one["asked"]["limits_revision"] for one in (newest, older))
    assert ("AA-1-2", "AA-1-1-1") == (newest["number"], agreed(known, "?limits=1&supplier_id=1")["number"])
    assert [0.02] == [one["limit"] for one in newest["asked"]["limits"]]
    assert 0.05 in [one["limit"] for one in older["asked"]["limits"]]
    assert {one["code"] for one in older["risks"]["measures"]} > {one["code"] for one in newest["risks"]["measures"]}


def test_what_is_not_there_is_refused(known):
    """An unknown grade, supplier or revision, and a grade without limits, are refused."""
    known.grade("PLA-X")
    agreed(known, "?supplier_id=9", 404)
    agreed(known, "?limits=9", 404)
    agreed(known, "", 404, grade=9)
    assert "has no limits yet" in agreed(known, "", 409, grade=2)["detail"]


def test_page_and_pdf_say_the_same(known):
    """Each cell, fact and sentence of the page is in the PDF, with supplier, shade, conditions, signatures and cautions."""
    asked = "?supplier_id=1"
    page = fetch(known, "text/html", asked)
    pdf = fetch(known, "application/pdf", asked)
    assert ("text/html", "application/pdf") == (page.mimetype, pdf.mimetype)
    seen, printed = Page(page.text), pdf_text(pdf.data)
    for part in (
        "Supplier QWT (QWT)",
        "Jory",
        "revision 1",
        "D65",
        "Producer's risk",
        "nonconforming spools is accepted in",
        "For the buyer",
        "Signatures",
    ):
        assert squeezed(part) in seen.text, part
        assert squeezed(part) in printed, part
    for part in ("A released lot is not a safe part.", "Local codes apply", "They are no evidence for the lot."):
        assert squeezed(part) in printed, part
    assert "night shift" not in page.text
    assert ("main", {"class": "agreement"}) in seen.tags
    assert "Acceptance agreement AA-1-1-1" == pypdf.PdfReader(io.BytesIO(pdf.data)).metadata.title
    assert 'inline; filename="acceptance-agreement-AA-1-1-1.pdf"' == pdf.headers["Content-Disposition"]


@pytest.mark.parametrize("limits", [FULL_LIMITS, PLAN], ids=["fixed", "plan"])
def test_its_own_sentences_have_at_most_25_words(known, limits):
    """Sentences on sampling, decision, references, disputes and cautions have at most 25 words."""
    known.limit(1, {**limits, "sampling": {**limits["sampling"], "retest_rounds_max": 2}})
    found = agreed(known)
    own = [*found["sampling"]["terms"], found["sampling"]["says"], *found["decision"], *found["references"]]
    sentences = [one for text in (*own, *found["disputes"], *found["cautions"]) for one in re.split(r"(?<=\.) ", text)]
    assert [] == [one for one in sentences if len(one.split()) > 25]


def test_it_is_asked_with_a_fixed_number_of_statements(known):
    """The number of statements does not depend on lots, instruments and revisions."""
    counts = []
    for batch in "AB":
        with statements() as seen:
            agreed(known, "?supplier_id=1")
        counts.append(len(seen))
        for number in range(4):
            known.receive(known.quillwort, known.white, f"Q-{batch}{number}")
            known.post(
                "quality",
                "/instruments",
                {"code": f"G-{batch}{number}", "kind": "glossmeter", "check_interval_days": 9},
            )
    assert counts[0] == counts[1] <= 16
