"""Grades and tabs at the page: what quality forbids and permits, and a tab that is refused with its reasons."""

from lots.store.tables.models import Grade
from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME
from tests.shop import CONDITIONS
from tests.store.rows import connected

NEW = {"code": "PLA-X", "polymer": "PLA", "color_name": "Slate", "nominal_diameter_mm": "1.75", "density_g_cm3": "1,24"}


def test_a_grade_is_added_with_its_kind_of_filler(desk):
    """Without one, the form says so and keeps the typed values. With a matte finish, the page names the forbidden uses."""
    quality = Browser(desk, "quality")
    page = quality.send(quality.go("/grades/new"), "code", **NEW)
    assert 422 == page.status
    assert "The kind of filler is required." in page.text
    assert "PLA-X" == page.form("code")["fields"]["code"]
    page = quality.send(page, "code", filler_kind="none", finish="matte", density_g_cm3="1.24")
    assert "Grade PLA-X" == page.headings[0]
    assert "The grade is forbidden for flexing use: its finish is matte." in page.text


def test_quality_permits_and_forbids_at_the_page(desk):
    """A missing reason is reported at its field. Permissions and prohibitions name person and reason."""
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
    assert "This grade is not forbidden for hidden use." in page.text
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
    """The large word follows `enough`, with the reasons of the lot below."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    floor = Browser(desk, "production")
    page = floor.go(floor.go("/check").links["Tab check"])
    tab = {"spool_code": spool, "use": "flexing", "width_mm": "10", "thickness_mm": "2", "lever_mm": "20"}
    page = floor.send(page, "width_mm", **tab, load_n="5")
    assert "✖ Not enough" in page.text
    assert "has not been assessed for flexing" in page.text
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


def test_after_it_is_added_a_grade_leads_to_its_limits(desk):
    """The page says that its lots wait for limits, and the way is one link."""
    quality = Browser(desk, "quality")
    page = quality.send(quality.go("/grades/new"), "code", **{**NEW, "density_g_cm3": "1.24"}, filler_kind="none")
    assert "Its lots stay in quarantine until it has limits." in page.text
    assert "Limits of grade PLA-X" == quality.go(page.links["Set its limits"]).headings[0]
    assert "is added" not in quality.go("/grades/2").text


def test_every_field_of_a_new_grade_is_kept(desk):
    """Shelf life, open life, drying, brightener, shade and density, with a decimal comma where the site writes one."""
    desk.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match="*")
    quality = Browser(desk, "quality")
    form = quality.go("/grades/new")
    assert "Common practice, unfilled: PLA 1,24" in form.text
    said = {"shelf_life_days": "365", "open_life_days": "14", "dry_c": "45,5", "dry_h": "6", "filler_kind": "none"}
    silent = desk.shade("SILENT", conditions={name: said for name, said in CONDITIONS.items() if name != "uv"})
    form = quality.go("/grades/new")
    page = quality.send(form, "code", **NEW, **said, brightened="on", shade_id=str(silent["id"]))
    # The reference of the shade has no UV condition.
    assert (422, True) == (page.status, "has no UV condition" in page.text)
    fields = page.form("code")["fields"]
    assert {**NEW, **said, "shade_id": str(silent["id"])} == {name: fields[name] for name in (*NEW, *said, "shade_id")}
    form = quality.go("/grades/new")
    quality.send(form, "code", **NEW, **said, shade_id="1")
    found = desk.get("quality", "/grades/2")
    assert (365, 14, 45.5, 1.24, 1, False) == tuple(
        found[name]
        for name in ("shelf_life_days", "open_life_days", "dry_c", "density_g_cm3", "shade_id", "brightened")
    )


def test_what_may_change_about_a_grade_is_corrected(desk):
    """Polymer, colour, density, diameter and shade before lots are received; an emptied life is taken back."""
    made = desk.grade("SLIP", filler_kind="none", shelf_life_days=100)
    quality = Browser(desk, "quality")
    typed = {"polymer": "PETG", "color_name": "Kelp", "nominal_diameter_mm": "2.85", "density_g_cm3": "1.27"}
    quality.send(quality.go(f"/grades/{made['id']}"), "polymer", **typed, shelf_life_days="", shade_id="")
    found = desk.get("quality", f"/grades/{made['id']}")
    assert ("PETG", "Kelp", 2.85, 1.27, None, None) == tuple(
        found[name] for name in (*typed, "shelf_life_days", "shade_id")
    )
    refused = quality.send(quality.go(f"/grades/{made['id']}"), "polymer", polymer="", density_g_cm3="")
    assert (422, 2) == (refused.status, refused.html.count('class="field wrong"'))


def test_what_lots_were_judged_with_stays_and_the_page_says_why(desk):
    """Nominal diameter and shade are text, not fields; the rest can still be saved."""
    desk.receive(desk.quillwort, desk.white)
    quality = Browser(desk, "quality")
    page = quality.go(f"/grades/{desk.white['id']}")
    assert (
        "Lots of this grade were assessed with its nominal diameter (1.75 mm) and its shade. These cannot be changed either."
        in page.text
    )
    assert not {"nominal_diameter_mm", "shade_id"} & page.form("polymer")["fields"].keys()
    quality.send(page, "polymer", density_g_cm3="1.25", filler_kind="none")
    found = desk.get("quality", f"/grades/{desk.white['id']}")
    assert (1.25, 1.75, 1) == (found["density_g_cm3"], found["nominal_diameter_mm"], found["shade_id"])
