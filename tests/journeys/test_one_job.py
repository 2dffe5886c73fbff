"""A job, a machine and a spool have one identity each, in any typed form."""

import threading

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lots.domain.code_identity import identity
from lots.store.tables.loads import Job, Machine
from lots.store.tables.models import Lot, Spool
from tests.examples import examples
from tests.services.assessment.test_integrity_checks import found
from tests.shop import CONDITIONS, RECEIVED, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected, counts

# One job, written in all the ways that are one: case, blanks, width, dash, a Cyrillic J.
SAME = ["J-1040", "j-1040", " J-1040", "J- 1040", "\uff2a\uff0d\uff11\uff10\uff14\uff10", "J\u20131040", "\u0408-1040"]


@pytest.fixture
def two(shop):
    """Spools of a lot loaded for J-1040, and of one that does not match it."""
    supplier, grade = shop.supplier(), shop.grade(limits={**SIMPLE_LIMITS, "color": {"lot_max": 3.0, "step_max": 0.8}})
    other = shop.supplier("NBK")
    first = shop.good_lot(supplier, grade, "Q-1", spools=8)
    second = shop.receive(other, grade, "Q-2", spools=3)
    code = second["sample"]["spool_codes"][0]
    shop.diameter(code)
    shop.color(code, [WHITE[0] - 2.0, *WHITE[1:]])
    assert "released" == shop.lot(second["lot_id"])["standing"]
    spools = [[spool["code"] for spool in delivery["spools"]] for delivery in (first, second)]
    shop.load(spools[0][0], machine="P1", job="J-1040")
    return spools


@pytest.mark.parametrize("written", SAME)
def test_an_unlike_lot_is_refused_in_a_job_however_its_number_is_written(shop, two, written):
    """A lot that does not match the job is refused in any spelling of its number, and the answer has the first spelling."""
    (_, *_), (code, *_) = two
    answer = shop.ask_clearance(code, job=written.replace(" ", "%20"))
    assert (False, "J-1040", []) == (answer["clear"], answer["job"], answer["candidates"])
    assert "does not match lot Q-1" in answer["reasons"][0]
    refused = shop.load(code, machine="P2", job=written, status=409)
    assert "/problems/not-clear" == refused["type"]
    assert {"job": 1, "machine": 1}.items() <= counts().items()


def test_one_job_has_one_trace_and_one_machine_holds_what_is_on_it(shop, two):
    """Loads in three spellings are one list for each spelling, with the first names."""
    (_, *more), _ = two
    numbers = [1, *(shop.load(code, machine="p1", job=job)["id"] for code, job in zip(more, SAME[1:4], strict=False))]
    for job in SAME[:4]:
        quoted = job.strip().replace(" ", "%20")
        traced = shop.get("quality", f"/jobs/{quoted}")
        assert ("J-1040", numbers) == (traced["job"], [load["id"] for load in traced["loads"]])
        assert numbers == [load["id"] for load in shop.get("production", f"/loads?job={quoted}&machine=p%201")["items"]]
    assert {("P1", "J-1040")} == {(load["machine"], load["job"]) for load in shop.get("production", "/loads")["items"]}
    assert ["J-1040"] == [job["number"] for job in shop.get("production", "/jobs")["items"]]
    assert [("P1", 1)] == [(one["name"], one["slots"]) for one in shop.get("production", "/machines")["items"]]
    assert 4 == shop.ask_clearance(two[1][0], machine="p1")["cautions"][0].count(" for J-1040")
    exposure = shop.get("quality", "/lots/1/exposure")
    assert (["P1"], ["J-1040"]) == (exposure["machines"], exposure["jobs"])
    assert [] == found()


@pytest.mark.parametrize("written", ["J1040", "J_1040", "J-104-0", "J-1O4O", "J-l040", "J-01040"])
def test_a_new_job_that_may_be_a_known_one_misread_is_asked_about(shop, two, written):
    """A similar job is suggested by the clearance, and a load is refused without a record until confirmed."""
    (_, code, *_), _ = two
    answer = shop.ask_clearance(code, job=written, machine="P2")
    assert [{"field": "job", "name": "J-1040"}] == answer["candidates"]
    assert f"Job {written} does not exist yet. Did you mean J-1040?" in answer["cautions"][0]
    before = counts()
    refused = shop.load(code, machine="P2", job=written, status=409)
    assert ("/problems/similar-name", [{"field": "job", "name": "J-1040"}]) == (refused["type"], refused["candidates"])
    assert [("/job", "confirm_new_job")] == [(fault["pointer"], fault["confirm"]) for fault in refused["errors"]]
    assert before == counts()
    traced = shop.get("production", f"/jobs/{written}", 404)
    assert "Did you mean J-1040?" in traced["detail"]
    made = shop.load(code, machine="P2", job=written, confirm_new_job=True)
    assert written == made["job"]
    assert [] == shop.ask_clearance(two[0][2], job=written)["candidates"]


def test_what_is_wrong_with_job_and_machine_is_told_at_once(shop, two):
    """Questions on job and machine are in one answer; a spool that is not clear is refused first, with a record."""
    (_, code, *_), (unlike_code, *_) = two
    refused = shop.load(code, machine="P-1", job="J1040", status=409)
    assert {"/job", "/machine"} == {fault["pointer"] for fault in refused["errors"]}
    shop.load(code, machine="P-1", job="J1040", confirm_new_job=True, status=409)
    shop.decide(shop.ask_clearance(unlike_code)["lot_id"], "block")
    assert "/problems/not-clear" == shop.load(unlike_code, machine="P-1", job="J1040", status=409)["type"]
    assert 1 == counts()["load_refusal"]
    shop.load(code, machine="P-1", job="J1040", confirm_new_job=True, confirm_new_machine=True)
    assert ["P1", "P-1"] == [one["name"] for one in shop.get("production", "/machines")["items"]]


@pytest.mark.parametrize(("job", "machine"), [("J-1041", "P2"), ("J-140", "P11"), ("J-104", "P10"), ("K-1040", "P12")])
def test_a_neighbour_is_no_question(shop, two, job, machine):
    """The next job and the next machine are accepted without a question."""
    (_, code, *_), _ = two
    assert [] == shop.ask_clearance(code, job=job, machine=machine)["candidates"]
    shop.load(code, machine=machine, job=job)


@pytest.mark.parametrize("field", ["job", "machine"])
@pytest.mark.parametrize("hidden", ["\u200b", "\u00ad", "\u202e"])
def test_an_invisible_character_makes_no_job_and_no_machine(shop, field, hidden):
    """Format characters (Cf) are refused by name."""
    code = shop.good_lot()["spools"][0]["code"]
    refused = shop.load(code, status=422, **{field: f"J{hidden}1"})
    assert [f"/{field}"] == [fault["pointer"] for fault in refused["errors"]]
    assert "invisible character" in refused["errors"][0]["detail"]


def test_two_at_once_make_one_job(shop, two):
    """Of two simultaneous loads the second joins the job of the first."""
    (_, *more), _ = two
    answers = []

    def load(code, job):
        body = {"spool_code": code, "machine": "P7", "job": job, "use": "cosmetic"}
        headers = {"Authorization": f"Bearer {shop.tokens['production']}"}
        answers.append(shop.app.test_client().post("/v1/loads", json=body, headers=headers).status_code)

    calls = [
        threading.Thread(target=load, args=pair) for pair in zip(more, ("N-1", "n-1", "N -1", "\uff2e-1"), strict=False)
    ]
    for call in calls:
        call.start()
    for call in calls:
        call.join()
    assert [201] * 4 == answers
    assert 2 == counts()["job"]
    assert 4 == len(shop.get("production", "/jobs/N-1")["loads"])
    assert [] == found()


def test_without_a_job_a_use_that_shows_colour_says_that_matching_was_not_checked(shop, two):
    """Cosmetic and general use without a job state that matching was not checked."""
    (_, code, *_), _ = two
    says = "Colour match was not checked."
    asked = {use: shop.ask_clearance(code, use)["cautions"] for use in ("cosmetic", "general", "hidden")}
    assert {"cosmetic", "general"} == {use for use, cautions in asked.items() if says in " ".join(cautions)}
    assert says not in " ".join(shop.ask_clearance(code, job="J-1040")["cautions"])


def test_a_spool_is_found_however_its_code_is_typed_but_never_by_other_separators(shop):
    """Every path with a code accepts its typed forms; different separators lead to a suggestion."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    ids = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": "Q-71", "received_at": RECEIVED}
    shop.post("receiving", "/deliveries", {**ids, "spools": [{"code": "HW-Q12-2", "net_mass_g": 1000}]})
    shop.diameter("hw-q12-2")
    shop.measure(
        "color",
        [{"spool_code": code, "lab": WHITE, "conditions": CONDITIONS} for code in ("HW\u2013Q12-2", "Hw-Q12-2")],
    )
    readings = shop.get("quality", "/lots/1/readings")["items"]
    assert ["HW-Q12-2"] * 3 == [reading["spool_code"] for reading in readings]
    for typed in ("HW-Q12-2", "hw-q12-2", "\uff28\uff37-Q12-2", "HW-Q12%20-2"):
        assert "HW-Q12-2" == shop.get("production", f"/spools/{typed}")["code"]
        assert "HW-Q12-2" == shop.ask_clearance(typed)["spool_code"]
        assert "HW-Q12-2" == shop.get("production", f"/spools/{typed}/label")["spool_code"]
    shop.post("production", "/spools/hw-q12-2/events", {"event": "dried"})
    load = shop.load("hw-q12-2")
    assert ("HW-Q12-2", [load["id"]]) == (
        load["spool_code"],
        [one["id"] for one in shop.get("production", "/loads?spool_code=hw-q12-2")["items"]],
    )
    for other in ("HW-Q1-22", "HWQ122", "HW.Q12.2"):
        missing = shop.get("production", f"/spools/{other}/clearance?use=fit", 404)
        assert missing["detail"].endswith("Did you mean HW-Q12-2?")
        assert [{"code": "HW-Q12-2"}] == missing["candidates"]
        faults = shop.diameter(other, status=422)["errors"]
        assert "Did you mean HW-Q12-2?" == faults[0]["hint"]
        assert [] == shop.get("production", f"/loads?spool_code={other}")["items"]


def test_codes_of_an_older_shop_that_are_one_are_found_by_exact_text_and_shown_to_quality(shop):
    """Older codes with one identity are found by exact text, never by a third form; new ones are refused, and quality sees them."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    ids = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": "Q-71", "received_at": RECEIVED}
    codes = [{"code": code, "net_mass_g": 1000} for code in ("AB-1", "B-1")]
    shop.post("receiving", "/deliveries", {**ids, "spools": codes})
    shop.receive(supplier, grade, "R-9", spools=1)
    with connected():
        Spool.update(code="ab-1", identity=None, likeness="ab1").where(Spool.code == "B-1").execute()
        lot = Spool.get_by_id(1).lot
        type(lot).update(supplier_lot="q-71", identity=None, likeness="q71").where(type(lot).id == 2).execute()
    assert ["AB-1", "ab-1"] == [shop.get("production", f"/spools/{code}")["code"] for code in ("AB-1", "ab-1")]
    missing = shop.get("production", "/spools/Ab-1", 404)
    assert "Did you mean AB-1 or ab-1?" in missing["detail"]
    assert (
        422
        == shop.call(
            "quality", "POST", "/diameter-readings", {"spool_code": "Ab-1", "d1_mm": 1.75, "d2_mm": 1.75}
        ).status_code
    )
    refused = shop.post("receiving", "/deliveries", {**ids, "spools": [{"code": "aB-1", "net_mass_g": 1000}]}, 422)
    assert ["/spools/0/code"] == [fault["pointer"] for fault in refused["errors"]]
    shown = shop.get("quality", "/codes-in-doubt")
    assert [("ab-1", ["AB-1"], 1)] == [(one["code"], one["same_as"], one["lot_id"]) for one in shown["spools"]]
    assert [("q-71", ["Q-71"], 2)] == [(one["supplier_lot"], one["same_as"], one["id"]) for one in shown["lots"]]
    assert [2] == [lot["id"] for lot in shop.get("quality", "/lots?supplier_lot=q-71")["items"] if lot["id"] == 2]


def test_a_machine_with_four_slots_holds_four_spools(shop):
    """Production changes slots with the machine's ETag, and the clearance warns from the first spool without a slot."""
    codes = [spool["code"] for spool in shop.good_lot(spools=6)["spools"]]
    shop.load(codes[0], machine="P1")
    held = f"P1 already holds {codes[0]} for J-1"
    assert held in shop.ask_clearance(codes[1], machine="p1", job="J-1")["cautions"][0]
    assert 428 == shop.call("production", "PATCH", "/machines/1", {"slots": 4}).status_code
    tag = shop.call("production", "GET", "/machines/1").headers["ETag"]
    assert 403 == shop.call("quality", "PATCH", "/machines/1", {"slots": 4}, If_Match=tag).status_code
    changed = shop.call("production", "PATCH", "/machines/1", {"slots": 4}, If_Match=tag)
    assert (200, 4, "P1") == (changed.status_code, changed.get_json()["slots"], changed.get_json()["name"])
    assert 412 == shop.call("production", "PATCH", "/machines/1", {"slots": 2}, If_Match=tag).status_code
    for slots in (0, 101, 1.5, "4"):
        refused = shop.call("production", "PATCH", "/machines/1", {"slots": slots}, If_Match=changed.headers["ETag"])
        assert 422 == refused.status_code
    for code in codes[1:4]:
        assert not [c for c in shop.load(code, machine="P1")["cautions"] if "already holds" in c]
    assert "already holds" in shop.load(codes[4], machine="P1")["cautions"][0]
    assert "machine changed" == shop.get("quality", "/events?what=machine%20changed")["items"][-1]["what"]
    assert [] == found()


@settings(examples(25), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.text("aAbB1\u0430\u0412\u2013- /_.", min_size=1, max_size=4), min_size=1, max_size=6))
def test_no_two_new_codes_share_an_identity(shop, typed):
    """Logged and respooled spools, lots, jobs and machines, in any order, have different identities."""
    if not counts()["lot"]:
        shop.good_lot(lot="FIRST", spools=1)
    ids = {"supplier_id": 1, "grade_id": 1, "supplier_lot": "FIRST", "received_at": RECEIVED}
    for code in typed:
        spools = [{"code": code, "net_mass_g": 1000}, {"net_mass_g": 1000}]
        answer = shop.call("receiving", "POST", "/deliveries", {**ids, "spools": spools})
        assert answer.status_code in (201, 422)
        if 201 == answer.status_code:
            free = answer.get_json()["spools"][1]["code"]
            body = {"spool_code": free, "machine": code, "job": code, "use": "general"}
            confirmed = {"confirm_new_job": True, "confirm_new_machine": True}
            assert shop.call("production", "POST", "/loads", {**body, **confirmed}).status_code in (201, 409, 422)
        lot = {**ids, "supplier_lot": code, "confirm_new_lot": True, "spool_count": 1, "net_mass_g": 1000}
        assert shop.call("receiving", "POST", "/deliveries", lot).status_code in (201, 409, 422)
        wound = {"parents": [{"spool_code": "L1-S001", "mass_g": 0.01}], "code": code}
        assert shop.call("production", "POST", "/spools", wound).status_code in (201, 409, 422)
    with connected():
        for table, column in ((Spool, Spool.code), (Lot, Lot.supplier_lot), (Job, Job.number), (Machine, Machine.name)):
            names = [name for (name,) in table.select(column).tuples()]
            assert len(names) == len({identity(name) for name in names})
