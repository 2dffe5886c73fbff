"""The bead in a shrinkage over HTTP: filament of 0.30 % with a bead of 0.1 mm, on coupons of several lengths."""

import pytest

LIMITS = {"shrinkage": {"x_percent": [0.1, 0.5], "step_max_percent": 0.15}}


def lot(shop, grade, supplier, number, lengths, feature="outside"):
    """A lot of one spool with outside lengths of that filament; returns the lot and its findings."""
    got = shop.receive(supplier, grade, f"B-{number}", 1, received_at=f"2026-11-{number:02}T08:00:00Z")
    items = [
        {
            "spool_code": got["spools"][0]["code"],
            "axis": "x",
            "feature": feature,
            "designed_mm": d,
            "measured_mm": d * 0.997 + 0.1,
            "age_h": 24,
        }
        for d in lengths
    ]
    shop.measure("shrinkage", items)
    found = shop.get("quality", f"/lots/{got['lot']['id']}/assessment")
    return found, {finding["code"]: finding for finding in found["findings"]}


def test_lots_on_other_lengths_are_not_compared(shop):
    """A lot on 20 and 100 mm has 0.30 %, a lot on 50 mm 0.10 %, and no step is computed, because the bead is the difference."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    first, findings = lot(shop, grade, supplier, 1, (20, 100))
    assert ("released", 0.3) == (first["standing"], round(findings["shrinkage.x"]["value"], 9))
    assert "The width error of the bead (+0.100 mm) is removed" in findings["shrinkage.x"]["message"]
    second, findings = lot(shop, grade, supplier, 2, (50,))
    assert ("released", 0.1) == (second["standing"], round(findings["shrinkage.x"]["value"], 9))
    assert "includes the width error of the bead" in findings["shrinkage.x"]["message"]
    assert "shrinkage.step_x" not in findings
    assert ["No step in X shrinkage is assessed."] == [note[:35] for note in second["notes"]]
    third, findings = lot(shop, grade, supplier, 3, (50,))
    assert ("pass", 0.0) == (findings["shrinkage.step_x"]["verdict"], round(findings["shrinkage.step_x"]["value"], 9))
    assert [] == third["notes"]


@pytest.mark.parametrize(
    ("block", "lengths", "standing"),
    [
        ({"basis": "material"}, (50,), "quarantined"),
        ({"basis": "material"}, (20, 100), "released"),
        ({"basis": "part", "designed_mm": 100}, (100,), "released"),
        ({"basis": "part", "designed_mm": 100}, (50,), "quarantined"),
    ],
)
def test_limits_name_what_they_are_on(shop, block, lengths, standing):
    """Limits on the material wait for lengths that separate the bead; limits on the part count one length only."""
    grade = shop.grade(limits={"shrinkage": {"x_percent": [0.1, 0.5], **block}})
    found, findings = lot(shop, grade, shop.supplier(), 1, lengths)
    assert standing == found["standing"]
    waits = block["basis"] == "material" and standing == "quarantined"
    assert waits is ("outside and inside lengths, or lengths of at least 5 : 1" in findings["shrinkage.x"]["message"])


def test_a_designed_length_belongs_to_limits_on_the_part(shop):
    """A designed length without basis part is refused with a hint."""
    grade = shop.grade()
    body = {"shrinkage": {"x_percent": [0.1, 0.5], "designed_mm": 100}}
    refused = shop.post("quality", f"/grades/{grade['id']}/limits", body, 422)
    assert ["/shrinkage/designed_mm"] == [fault["pointer"] for fault in refused["errors"]]
