"""Shades at the pages: adding and correcting, and references typed, measured or read from files, previewed and approved."""

from __future__ import annotations

import io

import pytest

from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME
from tests.shop import WHITE

EXCHANGE = """CGATS.17
ILLUMINATION_NAME "D50"
OBSERVER_ANGLE "2"
MEASUREMENT_GEOMETRY "45/0"
SPECULAR "excluded"
NUMBER_OF_FIELDS 4
BEGIN_DATA_FORMAT
SAMPLE_ID LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
1 50.0 10.0 20.0
2 52.0 12.0 22.0
END_DATA
"""


@pytest.fixture
def quality(shop):
    """The quality technician at a browser."""
    return Browser(shop, "quality")


@pytest.fixture
def green(shop, quality):
    """A shade that was added at the page, and the form of its first reference."""
    page = quality.send(quality.go("/setup/shades"), "code", code="SG", name="Signal Green")
    assert "Shade SG, Signal Green" == page.headings[0]
    return quality.go(page.links["Approve the first reference"])


def with_file(quality, page, content, name="white.txt", **typed):
    """The form sent with a file."""
    fields = {**page.form("approved_by")["fields"], "approved_by": "Wilhelmina", "step": "look", **typed}
    return quality.go(quality.at, data={**fields, "file": (io.BytesIO(content.encode()), name)})


def revisions(shop):
    """The references of the first shade."""
    return shop.get("quality", "/shades/1/revisions")["items"]


def test_a_shade_needs_a_code_of_its_own_and_keeps_what_was_typed(shop, quality):
    """A code that exists is reported in words, and the typed values stay."""
    shop.shade("HW")
    page = quality.send(quality.go("/setup/shades"), "code", code="HW", name="Hail White")
    assert (409, "Hail White") == (page.status, page.form("code")["fields"]["name"])
    assert "The code HW belongs to shade 1." in page.text


def test_name_and_interval_are_corrected_and_the_code_stays(shop, quality):
    """On the version that was read: somebody else's change in between is not written over."""
    shop.shade("HW")
    page, stale = quality.go("/setup/shades/1"), quality.go("/setup/shades/1")
    assert "The code HW cannot be changed, because grades and papers name it." in page.text
    done = quality.send(page, "name", name="Harbour White", remeasure_every_days="180")
    found = shop.get("quality", "/shades/1")
    assert ("Harbour White", 180) == (found["name"], found["remeasure_every_days"])
    assert 412 == quality.send(stale, "name", name="Hail White").status
    quality.send(done, "name", remeasure_every_days="")
    assert shop.get("quality", "/shades/1")["remeasure_every_days"] is None


def test_common_conditions_are_proposed_and_marked(green):
    """D65, 10 degrees, d/8, specular included."""
    fields = green.form("approved_by")["fields"]
    said = {name: fields[f"conditions-{name}"] for name in ("illuminant", "observer_deg", "geometry", "specular")}
    assert {"illuminant": "D65", "observer_deg": "10", "geometry": "d/8", "specular": "included"} == said
    assert "Common practice: D65." in green.text
    assert [] == JSON_NAME.findall(green.text)


def test_a_typed_reference_is_looked_at_before_it_is_stored(shop, quality, green):
    """First the swatch and the values, nothing stored; then it is approved, once."""
    look = quality.send(
        green, "approved_by", **{"lab-0": "50.5", "lab-1": "-30", "lab-2": "20", "approved_by": "Wilhelmina"}
    )
    assert "Approval of a reference of shade SG" == look.headings[0]
    assert "They are not a match." in look.text
    assert 'fill="#' in look.html
    assert [] == revisions(shop)
    done = quality.send(look, "approved_by", "Approve revision 1")
    assert "Revision 1 is approved" in done.text
    assert "No lot in stock would lose a use." in done.text
    (kept,) = revisions(shop)
    assert ([50.5, -30, 20], "Wilhelmina") == (kept["lab"], kept["approved_by"])
    # The same form sent again approves nothing.
    quality.send(look, "approved_by", "Approve revision 1")
    assert 1 == len(revisions(shop))


def test_a_reference_that_somebody_approved_meanwhile_is_seen_first(shop, quality, green):
    """The step is from another one then, so it is looked at again."""
    typed = {"lab-0": "50", "lab-1": "0", "lab-2": "0", "approved_by": "Wilhelmina"}
    look = quality.send(green, "approved_by", **typed)
    shop.approve(1, [60, 0, 0])
    again = quality.send(look, "approved_by", "Approve revision 1")
    assert "Step from revision 1" in again.text
    assert 1 == len(revisions(shop))
    quality.send(again, "approved_by", "Approve revision 2")
    assert [60, 50] == [row["lab"][0] for row in revisions(shop)]


def test_what_was_looked_at_can_be_changed_before_it_is_approved(shop, quality, green):
    """Back to the form with all values."""
    look = quality.send(green, "approved_by", **{"lab-0": "50", "lab-1": "0", "lab-2": "0", "approved_by": "W."})
    form = quality.send(look, "approved_by", "Change reference")
    assert ("50", "W.") == (
        form.form("approved_by")["fields"]["lab-0"],
        form.form("approved_by")["fields"]["approved_by"],
    )
    assert [] == revisions(shop)


def test_readings_are_shown_with_their_mean_and_spread(shop, quality, green):
    """One line each; with a comma as the decimal sign where the site writes one."""
    shop.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match="*")
    look = quality.send(
        green, "approved_by", readings="95,0 -0,8 1,5\n95,2 -0,8 1,5\n\n95,4 -0,8 1,5", approved_by="Wilhelmina"
    )
    assert "L* 95,20" in look.text
    assert "Standard deviation L* 0,200, a* 0,000" in look.text
    quality.send(look, "approved_by", "Approve revision 1")
    (kept,) = revisions(shop)
    assert 3 == len(kept["readings"])
    assert pytest.approx([95.2, -0.8, 1.5]) == kept["lab"]


def test_the_step_from_the_revision_before_is_told_in_the_shops_formula_and_in_words(shop, quality):
    """CIE76 where the limits of a grade say so; conditions begin with those of the revision before."""
    grade = shop.grade()
    limits = {"color": {"formula": "CIE76", "lot_max": 1.0}}
    shop.post("quality", f"/grades/{grade['id']}/limits", limits)
    page = quality.go("/setup/shades/1/revisions/new")
    lab = {"lab-0": str(WHITE[0] - 2), "lab-1": str(WHITE[1]), "lab-2": str(WHITE[2]), "approved_by": "Wilhelmina"}
    look = quality.send(page, "approved_by", **lab)
    assert "ΔE*ab 2.00 (CIE76): darker" in look.text
    done = quality.send(look, "approved_by", "Approve revision 2")
    assert "ΔE*ab 2.00: darker" in done.text
    assert [WHITE, [WHITE[0] - 2, *WHITE[1:]]] == [row["lab"] for row in revisions(shop)]


def test_lots_that_a_new_reference_would_cost_a_use_are_told_after_it(desk):
    """Each with a link. Its status stays until it is reassessed."""
    desk.good_lot(desk.quillwort, desk.white, "KEPT")
    quality = Browser(desk, "quality")
    page = quality.go("/setup/shades/1/revisions/new")
    typed = {"lab-0": "20", "lab-1": "0", "lab-2": "0", "approved_by": "Wilhelmina"}
    done = quality.send(quality.send(page, "approved_by", **typed), "approved_by", "Approve revision 2")
    assert "These lots in stock would lose a use with this reference." in done.text
    assert "Lot KEPT" in done.links
    assert "released" == desk.get("quality", "/lots/1")["standing"]


def test_exchange_text_gives_colours_and_conditions(shop, quality, green):
    """Several colours are averaged, and conditions in the header replace those in the form."""
    look = with_file(quality, green, EXCHANGE)
    assert "Illuminant D50" in look.text
    quality.send(look, "approved_by", "Approve revision 1")
    (kept,) = revisions(shop)
    assert [51, 11, 21] == kept["lab"]
    assert {"illuminant": "D50", "observer_deg": 2, "geometry": "45/0", "specular": "excluded"} == kept["conditions"]


@pytest.mark.parametrize(
    "text",
    ["name,L,a,b\nx,50,10,20\n", "L*;a*;b*\n50,0;10,0;20,0\n", "\ufeffCIELAB_L,CIELAB_A,CIELAB_B\r\n50,10,20\r\n"],
)
def test_a_csv_file_gives_a_colour(shop, quality, green, text):
    """A CSV file gives a colour, with commas or semicolons and the usual column names of instruments."""
    quality.send(with_file(quality, green, text, "r.csv"), "approved_by", "Approve revision 1")
    assert [50, 10, 20] == revisions(shop)[0]["lab"]


def test_a_spectrum_from_a_file_is_kept_as_one(shop, quality, green):
    """The colour is computed from it under the conditions of the form."""
    header = ",".join(f"nm{nm}" for nm in range(400, 701, 20))
    rows = "\n".join(",".join([value] * 16) for value in ("0.4", "0.6"))
    quality.send(with_file(quality, green, f"{header}\n{rows}\n", "s.csv"), "approved_by", "Approve revision 1")
    (kept,) = revisions(shop)
    assert (400, 20, pytest.approx([0.5] * 16)) == tuple(kept["spectrum"].values())
    assert pytest.approx([76.07, 0, 0], abs=0.02) == kept["lab"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "This file is empty."),
        ("name,hue\nx,3\n", "This file has no column L"),
        ("L,a,b\n50,10,grey\n", 'Row 2, column b: "grey" is not a number.'),
        ("L,a,b\n50,10\n", "Row 2: This row has 2 cells"),
        ("nm400,nm410,nm430\n0.1,0.2,0.3\n", "Row 2 has no value at 420 nm."),
        ("\xff\xfe", "not"),
        ("L,a,b\n250,10,20\n", "Line 1:"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_at_its_field(shop, quality, green, content, says):
    """An unreadable file is refused in words with its row. Nothing is stored."""
    page = with_file(quality, green, content, "r.csv")
    assert (422, True) == (page.status, says in page.text)
    assert [] == revisions(shop)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({}, "The reference colour must be given in exactly one way."),
        ({"lab-0": "50", "lab-1": "0"}, "This must be a number."),
        (
            {"lab-0": "50", "lab-1": "0", "lab-2": "0", "readings": "50 0 0"},
            "The reference colour must be given in exactly one way.",
        ),
        ({"readings": "50 0 0\n50 0"}, "Line 2: This must be 3 numbers"),
        ({"lab-0": "50", "lab-1": "0", "lab-2": "0", "conditions-illuminant": ""}, "This is required."),
        ({"lab-0": "50", "lab-1": "0", "lab-2": "0", "conditions-thickness_mm": "thin"}, "This must be a number."),
        ({"lab-0": "50", "lab-1": "0", "lab-2": "0", "approved_by": ""}, "This is required."),
    ],
)
def test_a_reference_that_makes_no_sense_keeps_what_was_typed(shop, quality, green, typed, says):
    """An impossible reference is refused in words at its field. The typed values stay."""
    typed = {"approved_by": "Wilhelmina", **typed}
    page = quality.send(green, "approved_by", **typed)
    assert (422, True) == (page.status, says in page.text)
    fields = page.form("approved_by")["fields"]
    assert {name: text.replace("\n", "\r\n") for name, text in typed.items()} == {name: fields[name] for name in typed}
    assert [] == revisions(shop)
    assert [] == JSON_NAME.findall(page.text)


def test_shades_are_quality_work(shop, quality):
    """Other desks get 403, and an unknown shade gets 404, both in words."""
    for path in ("/setup/shades", "/setup/shades/1", "/setup/shades/1/revisions/new"):
        assert 403 == Browser(shop, "receiving").raw(path).status_code
    assert 404 == quality.go("/setup/shades/9").status
    assert 404 == quality.go("/setup/shades/9/revisions/new").status
