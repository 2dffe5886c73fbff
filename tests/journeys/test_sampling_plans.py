"""Attributes plans on deliveries: sample sizes, bad spools, and switching by the record.

Plans: MIL-STD-105E (10 May 1989), Tables I and II-A to II-C; switching: 4.7 and 4.8.
"""

from datetime import UTC, datetime, timedelta
from itertools import count

import pytest
import time_machine
from scipy.stats import hypergeom

from tests.domain.builders import reference_csv
from tests.pages.reading import Browser
from tests.shop import CONDITIONS, WHITE

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
CASES = reference_csv("sampling_plan_cases.csv")
CLASSES = reference_csv("mil_std_105e_code_letters.csv")
CELLS = reference_csv("mil_std_105e_single_sampling.csv")
# Where the reference bounds a lot: the fraction of samples that a good lot would show is 1 - 95 %.
RISK = 0.05
GOOD, BAD = 1.75, 1.83


def printed_plan(lot_size, aql, inspection, level="II"):
    """Letter, sample size, accept and reject number as the standard prints them, for a lot."""
    row = next(r for r in CLASSES if int(r["lot_min"]) <= lot_size <= int(r["lot_max"] or lot_size))
    same = (inspection, row[level], float(aql))
    cell = next(c for c in CELLS if same == (c["inspection"], c["code_letter"], float(c["aql"])))
    return row[level], min(int(cell["n"]), lot_size), int(cell["Ac"]), int(cell["Re"])


def limits(aql, **more):
    """Diameter by an attributes plan, for hidden and fit use."""
    return {
        "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": aql, **more},
        "diameter": {"reading_tolerance_mm": 0.05},
        "uses": {"hidden": ["diameter"], "fit": ["diameter"]},
    }


class Supply:
    """A supplier's lots in sequence, measured as their samples require."""

    def __init__(self, shop, aql, spools, **sampling):
        self.shop, self.aql, self.spools = shop, aql, spools
        self.supplier, self.grade = shop.supplier(), shop.grade(limits=limits(aql, **sampling))
        self.numbers = count(1)

    def receive(self, **more):
        """The next lot, received now."""
        body = {"received_at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}", **more}
        return self.shop.receive(self.supplier, self.grade, f"Q-{next(self.numbers):03d}", self.spools, **body)

    def measure(self, delivery, bad=0):
        """Measures the whole sample with so many bad spools; returns the lot's status."""
        codes = delivery["sample"]["spool_codes"]
        rows = [
            {"spool_code": code, "d1_mm": BAD if index < bad else GOOD, "d2_mm": GOOD}
            for index, code in enumerate(codes)
        ]
        sent = [{**row, "measured_at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"} for row in rows]
        (lot,) = self.shop.post("receiving", "/diameter-readings", sent)["lots"]
        return lot["standing"]

    def run(self, outcomes, **more):
        """Lots that are accepted (A) or rejected (R); returns the severity of each inspection."""
        severities = []
        for outcome in outcomes:
            delivery = self.receive(**more)
            severities.append(delivery["sample"]["severity"])
            self.clock.shift(timedelta(minutes=1))
            refuse = delivery["sample"]["reject"] if outcome == "R" else 0
            assert ("blocked" if outcome == "R" else "released") == self.measure(delivery, refuse)
            self.clock.shift(timedelta(hours=1))
        return severities

    @property
    def severity(self):
        """The severity for the next lot."""
        path = f"/inspection-severity?supplier_id={self.supplier['id']}&grade_id={self.grade['id']}"
        return self.shop.get("receiving", path)


@pytest.fixture
def supply(shop):
    """A supply on a manual clock."""
    with time_machine.travel(MONDAY, tick=True) as clock:

        def made(aql, spools, **sampling):
            found = Supply(shop, aql, spools, **sampling)
            found.clock = clock
            return found

        yield made


@pytest.mark.parametrize("row", CASES, ids=lambda row: f"{row['lot_size']}-{row['level']}-{row['inspection']}")
def test_a_plan_is_looked_up(shop, row):
    """Every case of the reference file has the answer of the standard's tables."""
    query = f"lot_size={row['lot_size']}&level={row['level']}&aql={row['aql']}&severity={row['inspection']}"
    plan = shop.get("purchasing", f"/sampling-plan?{query}")
    expected = {
        "code_letter": row["code_letter"],
        "plan_letter": row["plan_letter"],
        "size": min(int(row["n"]), int(row["lot_size"])),
        "accept": int(row["Ac"]),
        "reject": int(row["Re"]),
        "inspect_all": row["inspect_all"] == "1",
    }
    assert expected == {name: plan[name] for name in expected}
    assert f"code letter {row['code_letter']}" in plan["says"]


@pytest.mark.parametrize(
    ("asked", "pointer", "allowed"),
    [
        ("lot_size=60&aql=3", "aql", "2.5, 4, 6.5"),
        ("lot_size=60&aql=1&level=IV", "level", "III"),
        ("lot_size=60&aql=1&severity=skip", "severity", "tightened"),
        ("lot_size=0&aql=1", "lot_size", "1"),
    ],
)
def test_a_plan_that_does_not_exist_is_refused_naming_those_that_do(shop, asked, pointer, allowed):
    """An unknown AQL, level or severity is refused with the standard's list."""
    refused = shop.get("quality", f"/sampling-plan?{asked}", 422)
    (fault,) = refused["errors"]
    assert pointer == fault["pointer"]
    assert allowed in fault["detail"] + fault.get("hint", "")


def test_limits_by_a_plan_that_does_not_exist_are_refused(shop):
    """Limits with an unknown AQL, level or plan are refused."""
    grade = shop.grade()
    for wrong, allowed in (({"aql": 3}, "2.5, 4, 6.5"), ({"level": "IV"}, "III"), ({"plan": "guess"}, "MIL-STD-105E")):
        body = limits(2.5)
        body["sampling"] |= wrong
        (fault,) = shop.post("quality", f"/grades/{grade['id']}/limits", body, 422)["errors"]
        assert f"/sampling/{next(iter(wrong))}" == fault["pointer"]
        assert allowed in fault["detail"] + fault.get("hint", "")
    assert [] == shop.get("quality", f"/grades/{grade['id']}/limits")["items"]


@pytest.mark.parametrize(("spools", "aql"), [(60, 2.5), (30, 6.5), (12, 1.0)])
def test_the_sample_of_a_delivery_follows_the_plan_and_says_what_it_proves(supply, spools, aql):
    """Letter, size, accept and reject are the standard's, and the words give the worst lot that could pass."""
    delivery = supply(aql, spools).receive()
    sample = delivery["sample"]
    letter, size, accept, reject = printed_plan(spools, aql, "normal")
    assert (letter, size, accept, reject, "normal") == tuple(
        sample[name] for name in ("code_letter", "size", "accept", "reject", "severity")
    )
    assert size == len(set(sample["spool_codes"]))
    if size == spools:
        assert "If the lot passes, none was found nonconforming." in sample["says"]
        return
    # The most bad spools with which a sample as good as this is still likelier than 5 %.
    worst = max(bad for bad in range(spools + 1) if hypergeom.cdf(accept, spools, bad, size) > RISK)
    are = "is" if worst == 1 else "are"
    assert f"at most {worst} of its {spools} spools {are} nonconforming (95 % confidence)" in sample["says"]


def test_one_bad_spool_of_an_accepted_lot_is_refused_by_itself(supply, shop):
    """With one bad spool of 20 the lot is released and that spool refused, by its diameter."""
    line = supply(2.5, 60)
    delivery = line.receive()
    assert (20, 1, 2) == tuple(delivery["sample"][name] for name in ("size", "accept", "reject"))
    assert "released" == line.measure(delivery, bad=1)
    bad, good = delivery["sample"]["spool_codes"][:2]
    counted = shop.finding(delivery["lot_id"], "sampling.nonconforming")
    assert ("pass", 1, 1, 20) == tuple(counted[name] for name in ("verdict", "value", "limit", "n"))
    assert {"hidden", "fit"} == set(counted["uses"])
    for use in ("hidden", "fit"):
        answer = shop.ask_clearance(bad, use)
        assert (False, "released") == (answer["clear"], answer["standing"])
        assert "1.83" in " ".join(shop.load(bad, use, 409)["reasons"])
    unmeasured = next(s["code"] for s in delivery["spools"] if s["code"] not in delivery["sample"]["spool_codes"])
    assert [True, True] == [shop.ask_clearance(code, "hidden")["clear"] for code in (good, unmeasured)]
    failing = {spool["code"] for spool in shop.lot(delivery["lot_id"])["spools"] if spool["nonconforming"]}
    assert {bad} == failing
    (reading,) = [r for r in shop.get("quality", f"/lots/{delivery['lot_id']}/readings")["items"] if r["d1_mm"] == BAD]
    assert "quarantined" == shop.void(reading["id"])["lot"]["standing"]
    again = shop.diameter(bad, measured_at=f"{MONDAY:%Y-%m-%dT%H:%M:%SZ}")
    assert "released" == again["lot"]["standing"]
    assert shop.ask_clearance(bad, "hidden")["clear"] is True


def test_more_bad_spools_than_the_plan_accepts_block_a_lot_whose_mean_is_right(supply, shop):
    """Two of 20 spools off shade reject a lot with a good mean, before the sample is complete."""
    line = supply(2.5, 60)
    colors = {"sampling": limits(2.5)["sampling"], "color": {"lot_max": 1.0, "spool_max": 1.3}}
    line.grade = shop.grade("PLA-2", limits=colors)
    delivery = line.receive()
    # 2.87 from the reference, and 0.28 for the mean of 20 with two such spools: colour-science, CIEDE2000.
    off = [90.3, -0.8, 1.5]
    rows = [
        {"spool_code": code, "lab": off if index in (3, 9) else WHITE, "conditions": CONDITIONS}
        for index, code in enumerate(delivery["sample"]["spool_codes"])
    ]
    early, late = rows[:10], rows[10:]
    standing = shop.post("quality", "/color-readings", early)["lots"][0]["standing"]
    assert "blocked" == standing
    assert "blocked" == shop.post("quality", "/color-readings", late)["lots"][0]["standing"]
    found = {finding["code"]: finding for finding in shop.assessment(delivery["lot_id"])["findings"]}
    assert "pass" == found["color.lot_delta_e"]["verdict"]
    counted = found["sampling.nonconforming"]
    assert ("fail", 2, 1, 20) == tuple(counted[name] for name in ("verdict", "value", "limit", "n"))


def test_the_record_tightens_relaxes_and_ends_inspection(supply, shop):
    """Two of five rejected tighten, five accepted relax, five rejected under tightened discontinue; quality resumes it as tightened."""
    line = supply(4.0, 8)
    assert ["normal"] * 4 == line.run("RAAR")
    assert "tightened" == line.severity["severity"]
    delivery = line.receive()
    letter, size, accept, reject = printed_plan(8, 4.0, "tightened")
    assert size > printed_plan(8, 4.0, "normal")[1]
    assert (letter, size, accept, reject, "tightened") == tuple(
        delivery["sample"][name] for name in ("code_letter", "size", "accept", "reject", "severity")
    )
    assert "Tightened since the 5th lot" in delivery["sample"]["says"]
    assert "released" == line.measure(delivery)
    assert ["tightened"] * 4 == line.run("AAAA")
    assert ["normal"] * 2 == line.run("RR")
    assert "5 consecutive accepted lots (0 so far)" in line.severity["says"]
    assert ["tightened"] * 6 == line.run("RRARRR")
    state = line.severity
    assert ("discontinued", 17) == (state["severity"], len(state["record"]))

    waiting = line.receive()
    assert ("discontinued", size) == (waiting["sample"]["severity"], waiting["sample"]["size"])
    assert "quarantined" == line.measure(waiting)
    said = shop.finding(waiting["lot_id"], "sampling.severity")
    assert ("missing", {"hidden", "fit"}) == (said["verdict"], set(said["uses"]))
    assert "resume inspection" in shop.lot(waiting["lot_id"])["to_measure"][0]
    assert shop.ask_clearance(waiting["spools"][0]["code"], "hidden")["clear"] is False

    again = {
        "supplier_id": line.supplier["id"],
        "grade_id": line.grade["id"],
        "reason": "new extruder, three trial lots",
    }
    shop.post("receiving", "/inspection-severity", again, 403)
    resumed = shop.post("quality", "/inspection-severity", again)
    assert "tightened" == resumed["severity"]
    assert "resumed after corrective action" in resumed["says"]
    line.clock.shift(timedelta(hours=1))
    assert ["tightened"] * 5 == line.run("AAAAA")
    assert "normal" == line.severity["severity"]
    refused = shop.post("quality", "/inspection-severity", again, 409)
    assert "normal, not discontinued" in refused["detail"]


@pytest.mark.parametrize(
    ("leave", "severity"),
    [({}, "normal"), ({"reduced_allowed": False}, "normal"), ({"reduced_allowed": True}, "reduced")],
)
def test_inspection_is_reduced_by_qualitys_leave_only(supply, leave, severity):
    """After ten accepted lots inspection is reduced only with quality's permission."""
    line = supply(4.0, 30, **leave)
    assert ["normal"] * 10 == line.run("A" * 10)
    delivery = line.receive()
    assert (severity, severity) == (line.severity["severity"], delivery["sample"]["severity"])
    assert printed_plan(30, 4.0, severity) == tuple(
        delivery["sample"][name] for name in ("code_letter", "size", "accept", "reject")
    )


def test_a_lot_that_waited_is_judged_once_inspection_is_resumed(supply, shop):
    """A lot received under discontinued inspection asks for resumption, and is then decided by its sample."""
    line = supply(4.0, 8)
    line.run("RRRRRRR")
    waiting = line.receive()
    assert "quarantined" == line.measure(waiting)
    again = {"supplier_id": line.supplier["id"], "grade_id": line.grade["id"], "reason": "new extruder"}
    shop.post("quality", "/inspection-severity", again)
    judged = shop.post("quality", f"/lots/{waiting['lot_id']}/reassess")
    assert "resume inspection" not in " ".join(judged["to_measure"])
    assert "released" == judged["standing"]


def test_discontinued_inspection_is_resumed_on_a_page(supply, shop):
    """The page of a waiting lot leads there; only quality is offered the form, and the lot is assessed at once."""
    line = supply(4.0, 8)
    line.run("RRRRRRR")
    waiting = line.receive()
    line.measure(waiting)
    path = f"/lots/{waiting['lot_id']}"
    clerk, quality = Browser(shop, "receiving"), Browser(shop, "quality")
    assert "Resume inspection" not in clerk.go(clerk.go(path).links["Inspection of this supplier"]).text
    page = quality.go(quality.go(path).links["Inspection of this supplier"])
    assert "Discontinued." in page.text
    assert 422 == quality.send(page, "reason", reason=" ").status
    done = quality.send(page, "reason", reason="new extruder")
    assert "Inspection resumed" in done.text
    assert "Tightened." in done.text
    assert "Inspection of this supplier" not in quality.go(path).links
    assert "released" == shop.lot(waiting["lot_id"])["standing"]
    assert 404 == quality.go(f"/suppliers/999/inspection?grade_id={line.grade['id']}").status
    assert not any("reason" in form["fields"] for form in quality.go(quality.at.replace("999", "1")).forms)


def test_a_lot_that_comes_again_does_not_count(supply):
    """A sorted and resubmitted lot does not count for switching."""
    line = supply(4.0, 8)
    line.run("R")
    first = line.severity["record"][0]["lot_id"]
    assert ["normal"] * 3 == line.run("RRA", resubmission_of=first)
    assert "normal" == line.severity["severity"]
    assert [False, True, True, True] == [row["resubmitted"] for row in line.severity["record"]]
    line.run("R")
    assert "tightened" == line.severity["severity"]


def test_a_lot_that_comes_again_is_one_of_its_supplier_and_grade(supply, shop):
    """A resubmission must name a lot of the same supplier and grade."""
    line = supply(4.0, 8)
    line.run("R")
    other = shop.grade("PLA-2", limits=limits(4.0))
    body = {"supplier_id": line.supplier["id"], "grade_id": other["id"], "supplier_lot": "Q-9", "spool_count": 8}
    more = {"net_mass_g": 1000, "received_at": "2026-03-02T08:00:00Z", "resubmission_of": 1}
    refused = shop.post("receiving", "/deliveries", {**body, **more}, 422)
    assert ["/resubmission_of"] == [fault["pointer"] for fault in refused["errors"]]
