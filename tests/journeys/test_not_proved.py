"""A lot rejected within its uncertainty is marked as not proved in record, report and comparison (ISO 14253-1), over HTTP."""

import pytest

LIMITS = {"decision_rule": "guarded", "sampling": {"fixed": 1}, "diameter": {"reading_tolerance_mm": 0.05}}


@pytest.mark.parametrize(
    ("d1", "proof", "mark", "says"),
    [
        (1.802, "not proved", "fail (not proved)", "Nonconformity is not proved"),
        (1.81, "proved", "fail", "Nonconformity is proved (ISO 14253-1)."),
    ],
    ids=["within-its-uncertainty", "beyond-it"],
)
def test_a_refusal_says_whether_nonconformity_is_proved(shop, d1, proof, mark, says):
    """With u 0.002 mm the guard band is 0.0033 mm: against 1.80 mm, 1.802 mm fails without proof and 1.81 mm with proof (arithmetic)."""
    gauge = {"code": "MIC-1", "kind": "micrometer", "standard_uncertainty": 0.002, "check_interval_days": 3650}
    instrument = shop.post("quality", "/instruments", gauge)["id"]
    check = {"checked_at": "2026-11-20T07:00:00Z", "result": "pass"}
    shop.post("quality", f"/instruments/{instrument}/checks", check)
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    got = shop.receive(supplier, grade, spools=1)
    code, number = got["spools"][0]["code"], got["lot_id"]
    assert "blocked" == shop.diameter(code, d1, 1.75, instrument_id=instrument)["lot"]["standing"]
    assert says in shop.finding(number, "diameter.reading")["message"]
    report = shop.get("quality", f"/lots/{number}/nonconformity-report")
    assert [proof] == [row["proof"] for row in report["found"]["failing"]]
    assert (proof == "not proved") is report["says"].endswith(
        "was rejected: 1 required limit is not met. Nonconformity is not proved."
    )
    record = shop.get("quality", f"/lots/{number}/record")
    assert [proof] == [row["proof"] for row in record["findings"] if row["verdict"] == "fail"]
    asked = {"Authorization": f"Bearer {shop.tokens['quality']}", "Accept": "text/html"}
    page = shop.app.test_client().get(f"/v1/lots/{number}/record", headers=asked).get_data(as_text=True)
    assert mark in page
    line = shop.get("purchasing", f"/supplier-comparison?grade_id={grade['id']}")["suppliers"][0]["acceptance"]
    assert ([number] if proof == "not proved" else []) == line["not_proved_lot_ids"]
    assert (proof == "not proved") is ("1 rejected lot is not proved to be nonconforming" in line["says"])
