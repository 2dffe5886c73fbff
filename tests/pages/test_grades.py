"""Grades and tabs at the page: what quality forbids and permits, and a tab that is refused with its reasons."""

from lots.store.tables.models import Grade
from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME
from tests.store.rows import connected

NEW = {"code": "PLA-X", "polymer": "PLA", "color_name": "Slate", "nominal_diameter_mm": "1.75", "density_g_cm3": "1,24"}


def test_a_grade_is_added_with_its_kind_of_filler(desk):
    """Without one the form says so and keeps what was typed; with a matte finish the page tells what is forbidden."""
    quality = Browser(desk, "quality")
    page = quality.send(quality.go("/grades/new"), "code", **NEW)
    assert 422 == page.status
    assert "The kind of filler is required." in page.text
    assert "PLA-X" == page.form("code")["fields"]["code"]
    page = quality.send(page, "code", filler_kind="none", finish="matte", density_g_cm3="1.24")
    assert "Grade PLA-X" == page.headings[0]
    assert "The grade is forbidden for flexing use: its finish is matte." in page.text


def test_quality_permits_and_forbids_at_the_page(desk):
    """A reason is asked for at its field; a permission and a prohibition are told with person and reason."""
    made = desk.grade("M", finish="matte", filler_kind="mineral")
    quality = Browser(desk, "quality")
    page = quality.send(quality.go(f"/grades/{made['id']}"), "reason", permit_load_bearing="on")
    assert 422 == page.status
    assert "A reason is required." in page.text
    page = quality.send(page, "reason", reason="bars of 31 MPa", forbid_fit="on")
    assert "Permitted by quality." in page.text
    assert "load-bearing: bars of 31 MPa (quality person" in page.text
    assert ["fit", "flexing"] == desk.get("quality", f"/grades/{made['id']}")["forbidden_uses"]
    # Saved again as it stands, it changes nothing and asks for nothing.
    assert 200 == quality.send(page, "reason").status
    assert ["fit", "flexing"] == desk.get("quality", f"/grades/{made['id']}")["forbidden_uses"]
    page = quality.send(quality.go(f"/grades/{made['id']}"), "reason", permit_hidden="on", reason="all of it")
    assert "Nothing forbids hidden use of this grade." in page.text
    assert [] == JSON_NAME.findall(page.text)


def test_grades_to_review_are_on_the_quality_page_until_they_are_confirmed(desk):
    """A prohibition carried over from a caution is listed with the caution, and leaves the list once it is saved with a reason."""
    said = {"use": "load_bearing", "reason": "never load-bearing", "by": "lots migrate", "from_caution": True}
    made = desk.grade("OLD", filler_kind="none", cautions=["never load-bearing"])
    with connected():
        Grade.update(forbidden_uses=[{**said, "at": "2026-11-01T08:00:00.000000Z"}]).where(
            Grade.id == made["id"]
        ).execute()
    quality = Browser(desk, "quality")
    page = quality.go("/quality")
    assert "OLD : Forbidden by an old caution and not confirmed: load-bearing." in page.text
    assert [] == JSON_NAME.findall(page.text)
    form = quality.go(page.links["OLD"])
    assert "on" == form.form("reason")["fields"]["forbid_load_bearing"]
    done = quality.send(form, "reason", reason="bars of 12 MPa")
    assert "To review" not in done.text
    assert "OLD" not in quality.go("/quality").links
    assert "OLD" in quality.go("/grades").links


def test_a_tab_is_refused_at_the_page_with_its_reasons(desk):
    """The large word follows `enough`, and the reasons of the lot stand beneath."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    floor = Browser(desk, "production")
    page = floor.go(floor.go("/check").links["Check a tab"])
    tab = {"spool_code": spool, "use": "flexing", "width_mm": "10", "thickness_mm": "2", "lever_mm": "20"}
    page = floor.send(page, "width_mm", **tab, load_n="5")
    assert "✖ Not enough" in page.text
    assert "has judged lot Q-71 for flexing use" in page.text
    assert "not a design approval" in page.text
    page = floor.send(page, "width_mm", thickness_mm="thin")
    assert 422 == page.status
    assert [] == JSON_NAME.findall(page.text)
    assert "Lot Q-71" in floor.go("/tabs?lot_id=1&layers=across&width_mm=10&thickness_mm=2&lever_mm=20&load_n=5").text


def test_a_grades_page_shows_and_changes_its_drying_rule(desk):
    """Temperatures and times are typed, shown in words, and a rule above the softening temperature is refused at its field."""
    grade = desk.grade("PLA-DRY")
    who = Browser(desk, "quality")
    page = who.go(f"/grades/{grade['id']}")
    assert "No drying rule is set." in page.text
    saved = who.send(page, "dry_c", dry_c="45", dry_h="6", softening_c="55", dry_for_h="48", filler_kind="none")
    assert "Dry at 45 °C for 6 h. It softens at 55 °C. It stays dry for 48 h sealed and 24 h once opened." in saved.text
    refused = who.send(saved, "dry_c", dry_c="60")
    assert (422, True) == (refused.status, "above the softening temperature of 55 °C" in refused.text)
