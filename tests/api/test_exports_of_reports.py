"""Reports as CSV: the rows and figures of their JSON, with the documented columns."""

import json
from datetime import datetime

import pytest

from tests.files import export, rows
from tests.journeys.supply import whites
from tests.shop import SIMPLE_LIMITS


@pytest.fixture
def bought(shop):
    """Two suppliers of a white, one with fourteen lots growing yellower and one with nine steady lots; the first name is a formula."""
    shop.grown = shop.supplier("QWT", name="=1+1")
    shop.steady = shop.supplier("NBK")
    shop.white = shop.grade("PLA-HW-175", SIMPLE_LIMITS)
    whites(shop.grown, shop.white, [0.1 * number for number in range(14)])
    whites(shop.steady, shop.white, [0.0, 0.05] * 4 + [0.02], prefix="N")
    shop.pair = f"supplier_id={shop.grown['id']}&grade_id={shop.white['id']}"
    return shop


def header(shop, path):
    """The documented columns of a report."""
    shown = shop.contract.document["paths"][f"/v1{path}"]["get"]["responses"]["200"]["content"]["text/csv"]
    return shown["schema"]["description"].partition("Columns: ")[2].removesuffix(".").split(", ")


def exported(shop, path, role="purchasing"):
    """The rows of a report with the documented columns and lines by RFC 4180."""
    answer = export(shop, path, role)
    text = answer.get_data(as_text=True)
    assert (200, "text/csv; charset=utf-8; header=present") == (answer.status_code, answer.content_type)
    assert "Accept" in answer.headers["Vary"]
    assert text.endswith("\r\n")
    plain = "/lots/{number}/exposure" if path.endswith("/exposure") else path.partition("?")[0]
    assert header(shop, plain) == text.partition("\r\n")[0].split(",")
    return rows(answer)


def cell(value):
    """The text of a JSON value in a cell."""
    if value is None:
        return ""
    return (
        ("'" + value if value[:1] == "=" else value)
        if isinstance(value, str)
        else json.dumps(value, ensure_ascii=False)
    )


def follows(row, item, prefix=""):
    """Whether each cell has the value of its path."""
    for column, found in row.items():
        if column.startswith(prefix):
            value = item
            for name in column.removeprefix(prefix).split("."):
                value = value.get(name) if isinstance(value, dict) else None
            assert cell(value) == found, column


def test_a_comparison_has_a_row_for_each_supplier(bought):
    """Acceptance, cost, late deliveries and the rank on each criterion are columns."""
    path = f"/supplier-comparison?grade_id={bought.white['id']}"
    told, found = bought.get("purchasing", path), exported(bought, path)
    assert [str(one["supplier_id"]) for one in told["suppliers"]] == [row["supplier_id"] for row in found]
    for item, row in zip(told["suppliers"], found, strict=True):
        follows(row, item)
    assert "'=1+1" in {row["supplier"] for row in found}
    assert {"acceptance.rate", "acceptance.low", "ranks.steadiness.rank", "cost.per_accepted_kg"} <= set(found[0])


def test_a_summary_has_a_row_for_each_entry_of_the_week(bought):
    """A summary has a row for each entry of the week, in order."""
    bought.decide(bought.good_lot(bought.steady, bought.white, "B-1")["lot_id"], "block", "Streaks.")
    told, found = bought.get("purchasing", "/purchasing-summary"), exported(bought, "/purchasing-summary")
    assert len(told["items"]) == len(found) > 0
    for item, row in zip(told["items"], found, strict=True):
        follows(row, item)


def test_drift_has_a_row_for_each_figure_with_its_chart_and_signals(bought):
    """Each figure has one row with its lot, chart limits and the sentences of its signals."""
    path = f"/drift?{bought.pair}&characteristic=color"
    told, found = bought.get("purchasing", path), exported(bought, path)
    points = [(series, point) for series in told["series"] for point in series["points"]]
    assert len(points) == len(found) >= 14
    lots = {lot["number"]: lot for lot in told["lots"]}
    charts = {(c["measure"], c["stretch"], p["number"]): p for c in told["charts"] for p in c["points"]}
    for (series, point), row in zip(points, found, strict=True):
        at = (series["measure"], point["stretch"], point["number"])
        whole = {**series, **charts.get(at, {}), **lots[point["number"]], **point}
        signals = [
            one["says"]
            for one in told["signals"]
            if (one["measure"], one["stretch"]) == at[:2] and one["first"]["number"] <= at[2] <= one["last"]["number"]
        ]
        base = next(one for one in told["baseline"] if (one["measure"], one["stretch"]) == at[:2])
        follows(row, {**whole, "signals": signals, "read": base["read"], "baseline": base})
    assert any("drift" in row["signals"] or '["' in row["signals"] for row in found)
    assert {datetime.fromisoformat(row["received_at"]).utcoffset().total_seconds() for row in found} == {0}


def test_a_forecast_has_a_row_for_each_value_beside_its_probability(bought):
    """A forecast has a row for each value; without values it has one row with its probability."""
    path = f"/forecast?{bought.pair}"
    told, found = bought.get("purchasing", path), exported(bought, path)
    assert len(told["next_values"]) == len(found) > 0
    for value, row in zip(told["next_values"], found, strict=True):
        follows(row, value, "next_values.")
        assert cell(told["probability"]) == row["probability"]
    other = bought.grade("PLA-BK-175", SIMPLE_LIMITS)
    (empty,) = exported(bought, f"/forecast?supplier_id={bought.steady['id']}&grade_id={other['id']}")
    assert ("none", "", "") == (empty["model"], empty["probability"], empty["next_values.measure"])


def test_the_next_order_has_a_row_for_each_supplier(bought):
    """Suppliers without a price have a row with the reason."""
    path = f"/next-order?grade_id={bought.white['id']}&use=hidden"
    told, found = bought.get("purchasing", path), exported(bought, path)
    assert len(told["suppliers"]) == len(found) == 2
    for item, row in zip(told["suppliers"], found, strict=True):
        follows(row, item)
    assert {"expected_cost_per_usable_kg", "low", "high", "why"} <= set(found[0])


def test_exposure_has_a_row_for_each_stay_on_a_machine(bought):
    """Each stay on a machine has a row with machine, job, start and end."""
    delivery = bought.good_lot(bought.steady, bought.white, "L-1")
    for spool in delivery["spools"][:2]:
        bought.load(spool["code"], machine=f"P{spool['code']}", job="J-1", confirm_new_job=True)
    path = f"/lots/{delivery['lot_id']}/exposure"
    told, found = bought.get("purchasing", path), exported(bought, path)
    assert 2 == len(told["items"]) == len(found)
    for item, row in zip(told["items"], found, strict=True):
        follows(row, item)


@pytest.mark.parametrize(
    ("accept", "mimetype"),
    [
        ("text/csv", "text/csv"),
        ("*/*", "application/json"),
        ("image/svg+xml", "image/svg+xml"),
        ("text/csv;q=0.5, image/svg+xml", "image/svg+xml"),
        ("text/csv, image/svg+xml;q=0.5", "text/csv"),
        ("text/csv;q=0.5, application/json", "application/json"),
        ("text/html", "application/json"),
    ],
)
def test_a_report_comes_as_figures_picture_or_rows(bought, accept, mimetype):
    """A report has the type with the highest preference of the request, JSON by default."""
    headers = {"Authorization": f"Bearer {bought.tokens['purchasing']}", "Accept": accept}
    for path in (f"/supplier-comparison?grade_id={bought.white['id']}", f"/drift?{bought.pair}&characteristic=color"):
        assert mimetype == bought.client.get(f"/v1{path}", headers=headers).mimetype


def test_a_window_of_drift_shows_fewer_lots_and_changes_no_chart(bought):
    """The days select rows of the same charts; `from` and `to` still select the series behind them."""
    path = f"/drift?{bought.pair}&characteristic=color.component_b"
    whole = bought.get("purchasing", path)
    first, last = (whole["lots"][place]["received_at"] for place in (9, 11))
    part = bought.get("purchasing", f"{path}&shown_from={first}&shown_to={last}".replace("+", "%2B"))
    assert [10, 11, 12] == [lot["number"] for lot in part["lots"]]
    (chart,), (shown) = whole["charts"], part["charts"][0]
    assert [one for one in chart["points"] if 10 <= one["number"] <= 12] == shown["points"]
    assert whole["baseline"] == part["baseline"]
    assert whole["projection"] == part["projection"]
    assert 14 == part["lots_in_all"]
    span = bought.get("purchasing", f"{path}&from={first}&to={last}".replace("+", "%2B"))
    assert 3 == span["lots_in_all"]
    none = bought.get("purchasing", f"{path}&shown_from={last}&shown_to={first}".replace("+", "%2B"))
    assert ([], 14) == (none["lots"], none["lots_in_all"])
