"""Supplier certificates: stored with a delivery, compared with the shop's own values, and no evidence for a lot."""

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lots.domain.characteristics.registry import MEASURES
from tests.api.test_queries import statements
from tests.shop import SIMPLE_LIMITS, WHITE

LIMITS = {
    **SIMPLE_LIMITS,
    "color": {"lot_max": 1.0, "components_max": {"b": 0.8}},
    "diameter": {"mean_tolerance_mm": 0.03, "ovality_max_mm": 0.05},
}


def states(**values):
    """The values of a certificate; a dot in a measure is two underscores."""
    return [{"measure": name.replace("__", "."), "value": value} for name, value in values.items()]


def certify(shop, delivery, status=201, role="purchasing", **body):
    """A certificate of a delivery."""
    return shop.post(role, f"/deliveries/{delivery['id']}/certificate", body, status)


@pytest.fixture
def pair(shop):
    """A supplier and a grade with limits on means."""
    return shop.supplier(), shop.grade(limits=LIMITS)


def lot(shop, pair, number, d_mm, lab=WHITE):
    """A lot with one diameter and one colour."""
    delivery = shop.receive(*pair, f"Q-{number}")
    spool = delivery["sample"]["spool_codes"][0]
    shop.diameter(spool, d_mm, d_mm)
    shop.color(spool, lab)
    return delivery


def comparison(shop, pair, query=""):
    """The certificates of a supplier and grade beside the shop's values."""
    supplier, grade = pair
    return shop.get("purchasing", f"/certificate-comparison?supplier_id={supplier['id']}&grade_id={grade['id']}{query}")


def test_the_newest_certificate_counts_and_earlier_ones_are_kept(shop, pair):
    """The newest certificate counts, and earlier ones are kept, with reference, date, units and author."""
    delivery = lot(shop, pair, 1, 1.75)
    shop.get("purchasing", f"/deliveries/{delivery['id']}/certificate", 404)
    certify(shop, delivery, values=states(diameter__mean=1.76), reference="C-1", role="receiving")
    stated = [{"measure": "diameter.mean", "value": 1.752, "standard_uncertainty": 0.002}]
    certify(shop, delivery, values=stated, reference="C-2", issued_at="2026-11-18T00:00:00Z", note="corrected")
    found = shop.get("quality", f"/deliveries/{delivery['id']}/certificate")
    assert ("C-2", "corrected", "2026-11-18T00:00:00Z") == (found["reference"], found["note"], found["issued_at"])
    assert [("Mean diameter", "mm", 1.752, 0.002)] == [
        tuple(one[name] for name in ("label", "unit", "value", "standard_uncertainty")) for one in found["values"]
    ]
    assert ["C-1"] == [one["reference"] for one in found["earlier"]]
    assert delivery["lot_id"] == found["lot_id"]
    (measure,) = comparison(shop, pair)["measures"]
    assert ("diameter.mean", pytest.approx(0.002)) == (measure["measure"], measure["bias"])


def test_a_certificate_is_on_the_history_of_its_lot(shop, pair):
    """A certificate is in the history of its lot by its author's name, and the chain is whole."""
    delivery = lot(shop, pair, 1, 1.75)
    certify(shop, delivery, values=states(diameter__mean=1.76))
    events = shop.get("quality", f"/events?lot_id={delivery['lot_id']}&limit=500")["items"]
    assert 1 == sum(one["what"] == "certificate kept" for one in events)


def test_the_newest_value_of_each_measure_counts(shop, pair):
    """A second certificate with one measure replaces that measure alone, and each value names its certificate."""
    for number in range(4):
        first = states(diameter__mean=1.76, diameter__mean_ovality=0.01, color__component_b=0.1)
        delivery = lot(shop, pair, number, 1.75)
        certify(shop, delivery, values=first, reference="C-1")
    before = {one["measure"]: one for one in comparison(shop, pair)["measures"]}
    kept = certify(shop, delivery, values=states(color__component_b=0.3), reference="C-2")
    after = {one["measure"]: one for one in comparison(shop, pair)["measures"]}
    assert set(before) == set(after)
    assert {4} == {one["lots"] for one in after.values()}
    assert before["diameter.mean"] == after["diameter.mean"]
    assert 0.3 == after["color.component_b"]["points"][-1]["certificate"]
    found = shop.get("quality", f"/deliveries/{delivery['id']}/certificate")
    assert kept == found
    (earlier,) = found["earlier"]
    assert {
        "color.component_b": (0.3, found["id"]),
        "diameter.mean": (1.76, earlier["id"]),
        "diameter.mean_ovality": (0.01, earlier["id"]),
    } == {one["measure"]: (one["value"], one["certificate_id"]) for one in found["values"]}
    assert 3 == len(earlier["values"])
    assert found["says"].startswith("Earlier certificates are still valid for mean diameter and ")


def test_an_older_colour_difference_gives_way_to_newer_coordinates(shop, pair):
    """An older colour difference is replaced by that of newer coordinates; on one certificate both are as stated."""
    delivery = lot(shop, pair, 1, 1.75, [95.0, -0.8, 2.1])
    flat = states(color__component_l=0.0, color__component_a=0.0, color__component_b=0.0)
    certify(shop, delivery, values=[*flat, *states(color__lot_delta_e=0.9)])
    stated = {one["measure"]: one for one in comparison(shop, pair)["measures"]}["color.lot_delta_e"]
    assert [0.9] == [point["certificate"] for point in stated["points"]]
    certify(shop, delivery, values=states(color__component_l=0.0))
    derived = {one["measure"]: one for one in comparison(shop, pair)["measures"]}["color.lot_delta_e"]
    assert [pytest.approx(0, abs=1e-9)] == [point["certificate"] for point in derived["points"]]


def test_a_span_that_ends_before_it_begins_is_refused(shop, pair):
    """A span that ends before its start is refused at its end."""
    supplier, grade = pair
    path = f"/certificate-comparison?supplier_id={supplier['id']}&grade_id={grade['id']}"
    answer = shop.get("purchasing", f"{path}&from=2026-05-02T00:00:00Z&to=2026-05-01T00:00:00Z", 422)
    assert "is before the beginning" in answer["detail"]


@pytest.mark.parametrize(
    ("certified", "says"),
    [
        ([1.75], "We found no lot outside the limit. By certificate, the lot is not outside the limit (95 % interval "),
        ([1.75, 1.75], "By certificate, none of 2 lots is outside the limit (95 % interval "),
        ([1.75, 1.80, 1.80], "By certificate, 2 of 3 lots are outside the limit (95 % interval "),
    ],
)
def test_what_the_certificates_say_of_good_lots_is_in_plain_words(shop, pair, certified, says):
    """The sentences on certificates use the right plural and are short."""
    for number, mm in enumerate(certified):
        certify(shop, lot(shop, pair, number, 1.75), values=states(diameter__mean=mm))
    (measure,) = comparison(shop, pair)["measures"]
    assert says in measure["judged_says"]
    assert all(len(one.split()) <= 25 for one in measure["judged_says"].split(". "))


REFUSED = {
    "negative": (
        {"values": states(diameter__mean=-1.75)},
        "/values/0/value",
        "A diameter is above 0 mm. Check the certificate.",
    ),
    "far off": ({"values": states(diameter__mean=1.2)}, "/values/0/value", "Check the certificate."),
    "unknown measure": ({"values": states(diameter__maen=1.75)}, "/values/0/measure", "Did you mean diameter.mean"),
    "twice": ({"values": states(diameter__mean=1.75) * 2}, "/values/1/measure", "State each measure once."),
    "inches": ({"values": states(diameter__mean=0.0689)}, "/values/0/value", "This looks like inches"),
    "empty": ({"values": []}, "/values", ""),
    "to come": ({"values": states(diameter__mean=1.75), "issued_at": "2199-01-01T00:00:00Z"}, "/issued_at", ""),
    "no uncertainty": (
        {"values": [{"measure": "diameter.mean", "value": 1.75, "standard_uncertainty": 0}]},
        "/values/0/standard_uncertainty",
        "",
    ),
}


@pytest.mark.parametrize("wrong", REFUSED)
def test_a_certificate_with_a_fault_is_refused_at_its_field(shop, pair, wrong):
    """An invalid certificate is refused at its field, and nothing is stored."""
    body, pointer, hint = REFUSED[wrong]
    delivery = lot(shop, pair, 1, 1.75)
    (fault,) = certify(shop, delivery, 422, **body)["errors"]
    assert pointer == fault["pointer"]
    assert fault.get("hint", "").startswith(hint)
    shop.get("purchasing", f"/deliveries/{delivery['id']}/certificate", 404)


def test_a_closed_delivery_takes_no_certificate_and_counts_in_no_comparison(shop, pair):
    """A closed delivery takes no certificate and is in no comparison."""
    delivery = shop.receive(*pair, "Q-1")
    certify(shop, delivery, values=states(diameter__mean=1.75))
    shop.post("quality", f"/deliveries/{delivery['id']}/close", {"reason": "logged twice"}, 200)
    certify(shop, delivery, 409, values=states(diameter__mean=1.75))
    assert 0 == comparison(shop, pair)["lots"]
    shop.post("purchasing", "/deliveries/99/certificate", {"values": states(diameter__mean=1.75)}, 404)


def test_bias_and_what_would_have_passed_follow_from_the_lots(shop, pair):
    """Certificates that state 0.03 mm less would have passed two of the three lots that were too thick."""
    shop_mm = [1.75, 1.752, 1.751, 1.80, 1.805, 1.82]
    offsets = [-0.030, -0.031, -0.029, -0.030, -0.030, -0.030]
    for number, (d_mm, offset) in enumerate(zip(shop_mm, offsets, strict=True)):
        certify(shop, lot(shop, pair, number, d_mm), values=states(diameter__mean=round(d_mm + offset, 4)))
    found = comparison(shop, pair)
    (measure,) = found["measures"]
    assert (6, 6, True) == (found["lots"], measure["lots"], measure["significant"])
    assert sum(offsets) / 6 == pytest.approx(measure["bias"])
    assert measure["low"] < measure["bias"] < measure["high"] < 0
    assert (2, 3, 0, 3) == (
        *(measure["let_pass"][name] for name in ("count", "of")),
        *(measure["held_back"][name] for name in ("count", "of")),
    )
    assert measure["says"].startswith("The certificates state 0.0300 mm less than our readings (95 % interval ")
    assert measure["judged_says"].startswith(
        "We found 3 lots outside the limit. By certificate, 2 lots are within it ("
    )
    assert 0 == comparison(shop, pair, "&to=2020-01-01T00:00:00Z")["lots"]


def test_a_colour_stated_in_three_coordinates_has_its_colour_difference_too(shop, pair):
    """The colour difference of three stated coordinates is computed from the reference, in the formula of its limits."""
    for number in range(3):
        delivery = lot(shop, pair, number, 1.75, [95.0, -0.8, 2.1])
        values = states(color__component_l=0.0, color__component_a=0.0, color__component_b=0.6)
        certify(shop, delivery, values=values)
    by_measure = {one["measure"]: one for one in comparison(shop, pair)["measures"]}
    assert pytest.approx(0, abs=1e-9) == by_measure["color.component_b"]["bias"]
    assert pytest.approx(0, abs=1e-9) == by_measure["color.lot_delta_e"]["bias"]
    own = shop.finding(1, "color.lot_delta_e")["value"]
    assert own == pytest.approx(by_measure["color.lot_delta_e"]["points"][0]["certificate"])


def test_a_lot_of_several_deliveries_is_certified_by_all_of_them(shop, pair):
    """A lot of several deliveries has the mean of the newest certificate of each."""
    first = lot(shop, pair, 1, 1.75)
    again = shop.receive(*pair, "Q-1", received_at="2026-11-21T08:00:00Z")
    certify(shop, first, values=states(diameter__mean=1.70))
    certify(shop, first, values=states(diameter__mean=1.74))
    certify(shop, again, values=states(diameter__mean=1.76))
    (measure,) = comparison(shop, pair)["measures"]
    assert [pytest.approx(1.75)] == [point["certificate"] for point in measure["points"]]


def test_the_comparison_asks_as_much_for_many_lots_as_for_few(shop, pair):
    """The comparison needs the same statements for many lots as for few."""
    counts = []
    for first in (1, 4):
        for number in range(first, first + 3):
            certify(shop, lot(shop, pair, number, 1.75), values=states(diameter__mean=1.75))
        with statements() as seen:
            comparison(shop, pair)
        counts.append(len(seen))
    assert counts[0] == counts[1] <= 10


def everything(shop, pair, lot_id):
    """All conclusions of the shop on its lots, without request times."""
    supplier, grade = pair
    query = f"supplier_id={supplier['id']}&grade_id={grade['id']}"
    asked = {
        "quality": [
            f"/lots/{lot_id}",
            f"/lots/{lot_id}/assessment",
            f"/lots/{lot_id}/sample",
            f"/lots/{lot_id}/readings",
            f"/lots/{lot_id}/decisions",
            f"/inspection-severity?{query}",
        ],
        "purchasing": [
            f"/forecast?{query}",
            f"/drift?{query}",
            f"/supplier-comparison?grade_id={grade['id']}",
            "/purchasing-summary",
        ],
        "production": [f"/lots/uses?grade_id={grade['id']}", f"/spools/{shop.spool}/clearance?use=cosmetic"],
    }
    return {
        path: re.sub(r'"(as_of|checked_at|to_be_asked|made_at)":\s*"[^"]*"', "", shop.call(role, "GET", path).text)
        for role, paths in asked.items()
        for path in paths
    }


values_of_any = st.lists(
    st.sampled_from([name for name in MEASURES if name.startswith(("color", "diameter.mean_", "shrinkage", "gloss"))]),
    min_size=1,
    max_size=6,
    unique=True,
)


@pytest.mark.parametrize("d_mm", [1.75, 1.85, None], ids=["released", "blocked", "not measured"])
def test_no_certificate_changes_what_is_concluded_of_a_lot(shop, pair, d_mm):
    """With any certificate all conclusions on lots are the same, also after a reassessment."""
    for number in range(4):
        lot(shop, pair, number, 1.75)
    delivery = lot(shop, pair, 9, d_mm) if d_mm else shop.receive(*pair, "Q-9")
    shop.spool = delivery["spools"][0]["code"]
    before = everything(shop, pair, delivery["lot_id"])

    @settings(max_examples=8, deadline=None)
    @given(values_of_any, st.floats(0, 0.4), st.sampled_from([1.60, 1.75, 1.79, 1.95]))
    def kept(measures, value, diameter):
        stated = states(diameter__mean=diameter) + [{"measure": name, "value": value} for name in measures]
        certify(shop, delivery, values=stated)
        assert before == everything(shop, pair, delivery["lot_id"])

    kept()
    shop.post("quality", f"/lots/{delivery['lot_id']}/reassess", {})
    path = f"/lots/{delivery['lot_id']}/assessment"
    assert before[path] == everything(shop, pair, delivery["lot_id"])[path]


def test_only_the_comparison_reads_certificates():
    """No other file of the program queries the table of certificates."""
    package = Path(__file__).parents[2] / "lots"
    found = {
        str(path.relative_to(package))
        for path in package.rglob("*.py")
        if "migrations" not in path.parts
        and re.search(r"import [^\n]*\bCertificate\b|models\.Certificate\b", path.read_text("utf-8"))
    }
    readers = {"store/purchasing/certificates.py", "services/purchasing/certificates.py"}
    tables = {"store/tables/models.py", "store/audit.py"}
    assert readers | tables == found


def test_the_comparison_is_a_file_too(shop, pair):
    """The comparison as CSV has a row for each measure, with the numbers of the answer."""
    certify(shop, lot(shop, pair, 1, 1.75), values=states(diameter__mean=1.76, color__component_b=0.2))
    supplier, grade = pair
    path = f"/certificate-comparison?supplier_id={supplier['id']}&grade_id={grade['id']}"
    headers = {"Authorization": f"Bearer {shop.tokens['purchasing']}", "Accept": "text/csv"}
    answer = shop.client.get(f"/v1{path}", headers=headers)
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert ["color.component_b", "diameter.mean"] == [row["measure"] for row in rows]
    assert [pytest.approx(one["bias"]) for one in comparison(shop, pair)["measures"]] == [
        float(r["bias"]) for r in rows
    ]
