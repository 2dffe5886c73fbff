"""Corrections of a delivery, in a browser without script."""

from tests.pages.reading import Browser, log, typed


def correct(clerk, number, button=None, **changed):
    """The form as it was filled, with some fields changed, sent."""
    return clerk.send(clerk.go(f"/receiving/{number}/correct"), "spool_count", button, **changed)


def test_the_clerk_corrects_what_was_typed_wrongly(desk, clerk):
    """From the page of the delivery to the form and back. Changes are listed, and missing spools are struck out."""
    done = log(desk, clerk, spool_count="80")
    form = clerk.go(done.links["Correct this delivery"])
    assert "Correction of delivery 1, lot Q-71" in form.text
    page = clerk.send(form, "spool_count", order_ref="PO 8", spool_count="8", due_at="2026-11-30")
    assert "spools: 8 (was 80)" in page.text
    assert "order: PO 8 (was none)" in page.text
    assert 72 == page.html.count("<s>")
    delivery = desk.get("receiving", "/deliveries/1")
    assert ("PO 8", "2026-11-30T23:59:59Z", 2) == tuple(delivery[k] for k in ("order_ref", "due_at", "version"))
    page = correct(clerk, 1, **{"mass-L1-S002": "750", "withdraw": "L1-S003", "further": "WB-1, 500", "order_ref": ""})
    assert "net mass, g: L1-S002 750 (was 1000)" in page.text
    assert "withdrawn L1-S003" in page.text
    assert "added WB-1" in page.text
    assert None is desk.get("receiving", "/deliveries/1")["order_ref"]
    correct(clerk, 1)
    assert 3 == desk.get("receiving", "/deliveries/1")["version"]
    struck = clerk.go("/spools/L1-S003")
    assert "withdrawn" in struck.text
    bench = clerk.go("/bench?spool=L1-S003&kind=diameter")
    assert "Spool L1-S003 was withdrawn. Do not measure it. Take it to quality." in bench.text
    refused = clerk.send(bench, "d1_mm-0", "Store", **{"d1_mm-0": "1.75", "d2_mm-0": "1.75"})
    assert (422, True) == (refused.status, "when its delivery was corrected. Check the label" in refused.text)
    assert "Correct the fields marked below." not in refused.text
    assert "Print its label" not in struck.text


def test_a_fault_stands_at_its_field_and_what_was_typed_stays(desk, clerk):
    """A cost without a currency; a mass that is kilograms."""
    log(desk, clerk)
    page = correct(clerk, 1, cost="12.5", note="dented")
    assert 422 == page.status
    assert "Cost and currency are required together." in page.text
    assert ("12.5", "dented") == tuple(page.form("cost")["fields"][name] for name in ("cost", "note"))
    page = correct(clerk, 1, **{"mass-L1-S002": "0.75"})
    assert "0.75 g is not a plausible net mass" in page.text


def test_questions_are_answered_with_a_tick(desk, clerk):
    """Far too many spools, at the first form and at the correction; a lot number much like a known one."""
    asked = log(desk, clerk, spool_count="800")
    assert (409, True) == (asked.status, "The number of spools is right" in asked.text)
    assert "800 spools are an unusual number for one delivery (more than 200)." in asked.text
    clerk.send(asked, "supplier_lot", confirm_spool_count="yes")
    assert 800 == len(desk.lot(1)["spools"])
    log(desk, clerk, "K-5")
    asked = correct(clerk, 2, supplier_lot="Q71")
    assert "Q71 is another lot" in asked.text
    clerk.send(asked, "supplier_lot", confirm_new_lot="yes")
    assert "Q71" == desk.lot(2)["supplier_lot"]


def test_somebody_else_was_faster(desk, clerk):
    """A form made from an older version overwrites nothing."""
    log(desk, clerk)
    form = clerk.go("/receiving/1/correct")
    correct(clerk, 1, note="dented")
    late = clerk.send(form, "spool_count", note="whole")
    assert (412, "dented") == (late.status, desk.get("receiving", "/deliveries/1")["note"])


def test_quality_closes_a_delivery_and_the_pages_say_so(desk, clerk):
    """The clerk has no such form. Afterwards the lot needs no measurement and no labels."""
    log(desk, clerk)
    desk.diameter(desk.get("receiving", "/deliveries/1")["sample"]["spool_codes"][0])
    assert "Closing" not in clerk.go("/receiving/1/correct").text
    assert "Ask quality to correct it" in correct(clerk, 1, note="x").text
    quality = Browser(desk, "quality")
    page = quality.send(quality.go("/receiving/1/correct"), "once", reason="it is lot Q-72")
    assert "Delivery 1 of lot Q-71 is closed" in page.headings[0]
    assert "it is lot Q-72" in page.text
    assert "Print labels" not in page.text
    assert "Lots in quarantine (0)" in quality.go("/quality").text
    assert "Q-71" not in clerk.go("/bench").text
    again = log(desk, clerk, "Q72")
    assert "Next steps for lot Q72" == again.headings[0]


def test_a_delivery_that_is_not_there(desk, clerk):
    """Both pages say so."""
    assert (404, 404) == (clerk.go("/receiving/9").status, clerk.go("/receiving/9/correct").status)
    form = {**clerk.go("/receiving").form("supplier_lot")["fields"], **typed(desk)}
    assert 404 == clerk.go("/receiving/9/correct", data=form).status
