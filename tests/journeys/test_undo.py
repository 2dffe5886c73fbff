"""Voids by authors: a slip is voided alone, and a void that improves a verdict waits for quality."""

import random
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.services.assessment import integrity_checks
from lots.services.setup import access
from tests.shop import CONDITIONS, FULL_LIMITS, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected

NOON = datetime(2026, 11, 26, 12, tzinfo=UTC)
AGREEMENT = "ask quality to approve the void of reading {}"


@pytest.fixture
def clock():
    """A day on a manual clock."""
    with time_machine.travel(NOON, tick=False) as travelling:
        yield travelling


@pytest.fixture
def bench(shop, clock):
    """The shop with a second clerk."""
    with connected():
        shop.tokens["clerk"] = access.add_token("other clerk", "receiving")
    return shop


def delivered(shop, limits=SIMPLE_LIMITS, spools=3):
    """A delivery of a lot under these limits, and the first drawn spool."""
    delivery = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=spools)
    return delivery, delivery["sample"]["spool_codes"][0]


def measured(shop, spool, d1=1.75, lab=WHITE):
    """A diameter and a colour by the clerk: the answers."""
    size = shop.measure("diameter", {"spool_code": spool, "d1_mm": d1, "d2_mm": d1}, role="receiving")
    body = {"spool_code": spool, "lab": lab, "conditions": CONDITIONS}
    return size, shop.measure("color", body, role="receiving")


def undo(shop, reading, status=201, role="receiving", reason="typed 1.83 for 1.75"):
    """A void by the clerk."""
    return shop.post(role, f"/readings/{reading}/void", {"reason": reason}, status)


def agree(shop, reading, status=201, role="quality", reason="the gauge's memory says 1.75"):
    """The agreement of quality."""
    return shop.post(role, f"/readings/{reading}/void/agree", {"reason": reason}, status)


def test_a_slip_that_changes_nothing_is_undone_alone(bench):
    """1.76 typed for 1.75 passes either way: the clerk voids it, and the lot stays released."""
    _, spool = delivered(bench)
    measured(bench, spool)
    slip = bench.measure("diameter", {"spool_code": spool, "d1_mm": 1.76, "d2_mm": 1.76}, role="receiving")
    answer = undo(bench, slip["id"])
    assert ("released", False, None) == (
        answer["lot"]["standing"],
        answer["voided"]["held"],
        answer["voided"]["agreed"],
    )
    assert [] == bench.get("quality", "/voids?held=true")["items"]
    assert 1 == len(bench.get("quality", "/voids?held=false")["items"])


@pytest.mark.parametrize(
    ("later", "status"),
    [(timedelta(minutes=10), 201), (timedelta(minutes=10, seconds=1), 409), (timedelta(seconds=-1), 409)],
    ids=["ten minutes", "later", "clock set back"],
)
def test_an_author_has_ten_minutes_by_the_clock_of_the_server(bench, clock, later, status):
    """At ten minutes the clerk can void, a second later and before storing not; the refusal names quality."""
    _, spool = delivered(bench)
    reading = measured(bench, spool)[0]
    clock.move_to(NOON + later)
    answer = undo(bench, reading["id"], status)
    if status == 409:
        assert "too-late" == answer["type"].rpartition("/")[2]
        assert answer["detail"].endswith("Ask quality to void it.")
        assert "2026-11-26 12:10 UTC" in answer["detail"]
        assert 10 == bench.get("receiving", "/me")["undo_minutes"]
        bench.void(reading["id"])


def test_nobody_at_the_bench_voids_what_somebody_else_stored(bench):
    """Another clerk gets 403 with the author's name; quality can void at any time."""
    _, spool = delivered(bench)
    size, _ = measured(bench, spool)
    answer = undo(bench, size["id"], 403, role="clerk")
    assert "not-author" == answer["type"].rpartition("/")[2]
    assert "receiving person stored reading" in answer["detail"]
    bench.post("production", f"/readings/{size['id']}/void", {"reason": "x"}, 403)
    assert bench.void(size["id"])["voided"]["voided_by"] == "quality person"


def test_a_failure_waits_for_quality_whatever_is_measured_next(bench):
    """1.83 mm blocks the lot; voided and measured at 1.75 mm it is in quarantine, without clearance, until quality agrees.

    Limits: 1.75 mm, readings within 0.05 mm, so up to 1.80 mm.
    """
    delivery, spool = delivered(bench)
    slip, _ = measured(bench, spool, d1=1.83)
    lot_id = delivery["lot_id"]
    assert "blocked" == bench.lot(lot_id)["standing"]
    answer = undo(bench, slip["id"])
    waits = AGREEMENT.format(slip["id"])
    assert ("quarantined", True) == (answer["lot"]["standing"], answer["voided"]["held"])
    assert waits in answer["lot"]["to_measure"]
    again = bench.measure("diameter", {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75}, role="receiving")
    assert ("quarantined", [waits]) == (again["lot"]["standing"], again["lot"]["to_measure"])
    found = bench.finding(lot_id, "sampling.void")
    assert ("missing", ["general"]) == (found["verdict"], found["uses"])
    refused = bench.ask_clearance(spool)
    assert not refused["clear"]
    # The spool that showed 1.83 is refused by itself, too.
    assert any("Single diameter" in reason for reason in refused["reasons"])
    bench.load(spool, status=409)
    (waiting,) = bench.get("quality", "/voids?held=true")["items"]
    assert (slip["id"], lot_id, "1.83 and 1.83 mm") == (waiting["reading_id"], waiting["lot_id"], waiting["says"])

    agreed = agree(bench, slip["id"])
    assert "released" == agreed["lot"]["standing"]
    assert ("quality person", False) == (agreed["voided"]["agreed"]["by"], agreed["voided"]["held"])
    assert bench.ask_clearance(spool)["clear"]
    assert [] == bench.get("quality", "/voids?held=true")["items"]
    actions = [one["action"] for one in bench.get("quality", f"/lots/{lot_id}/decisions")["items"]]
    assert ["void", "agree"] == [action for action in actions if action in ("void", "agree")]
    events = [event["what"] for event in bench.get("quality", f"/events?lot_id={lot_id}")["items"]]
    assert ["reading voided", "readings recorded", "load refused", "void agreed"] == events[-4:]
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


def test_a_spool_whose_void_waits_is_not_withdrawn(bench):
    """Neither clerk nor quality withdraws a spool with a waiting void."""
    delivery, spool = delivered(bench)
    slip, _ = measured(bench, spool, d1=1.83)
    undo(bench, slip["id"])
    bench.void(slip["id"] + 1)
    path = f"/deliveries/{delivery['id']}"
    body = {"withdraw": [spool], "reason": "never came"}
    for role, status in (("receiving", 409), ("quality", 422)):
        etag = bench.call(role, "GET", path).headers["ETag"]
        assert status == bench.call(role, "PATCH", path, body, If_Match=etag).status_code
    assert AGREEMENT.format(slip["id"]) in bench.lot(delivery["lot_id"])["to_measure"]
    agree(bench, slip["id"])
    assert 200 == bench.call("quality", "PATCH", path, body, If_Match="*").status_code


def test_what_was_known_then_is_told_as_it_was(bench, clock):
    """At each moment the lot is blocked by the reading, in quarantine by its void, released by the agreement."""
    delivery, spool = delivered(bench)
    slip, _ = measured(bench, spool, d1=1.83)
    moments = []
    for step in (
        lambda: None,
        lambda: undo(bench, slip["id"]),
        lambda: bench.measure("diameter", {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75}, role="receiving"),
        lambda: agree(bench, slip["id"]),
    ):
        clock.shift(timedelta(minutes=1))
        step()
        clock.shift(timedelta(minutes=1))
        moments.append(f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}")
    then = [bench.assessment(delivery["lot_id"], f"?as_of={moment}")["standing"] for moment in moments]
    assert ["blocked", "quarantined", "quarantined", "released"] == then


def test_another_failure_stays_a_failure(bench):
    """With a colour 5 lighter voided and a failing diameter the lot stays blocked."""
    delivery, spool = delivered(bench)
    _, far = measured(bench, spool, d1=1.83, lab=[90.0, -0.8, 1.5])
    assert "blocked" == undo(bench, far["id"])["lot"]["standing"]
    assert bench.get("quality", "/voids?held=true")["items"]
    assert "blocked" == agree(bench, far["id"])["lot"]["standing"]
    assert "blocked" == bench.lot(delivery["lot_id"])["standing"]


def test_only_a_second_person_of_quality_agrees_and_only_once(bench):
    """The author, in any role, cannot agree; neither can anyone to a void that does not wait, twice, or without a void."""
    _, spool = delivered(bench)
    slip, white = measured(bench, spool, d1=1.83)
    agree(bench, slip["id"], 409)
    undo(bench, slip["id"])
    agree(bench, slip["id"], 403, role="receiving")
    agree(bench, 999, 404)
    agree(bench, slip["id"])
    assert "already" in agree(bench, slip["id"], 409)["detail"]
    bench.void(white["id"])
    assert "needs no agreement" in agree(bench, white["id"], 409)["detail"]


def test_the_author_cannot_agree_under_another_role(bench):
    """A void by the administrator's own name as clerk is refused to that administrator."""
    _, spool = delivered(bench)
    slip, _ = measured(bench, spool, d1=1.83)
    undo(bench, slip["id"])
    with connected():
        access.revoke_token("receiving person")
        bench.tokens["quality again"] = access.add_token("RECEIVING PERSON", "quality")
    assert "A second person" in agree(bench, slip["id"], 409, role="quality again")["detail"]


def test_a_void_that_waits_counts_as_a_retest(bench):
    """Without an allowed extra round the lot waits after the agreement until quality accepts the readings, and the supplier's record stays."""
    limits = {**SIMPLE_LIMITS, "sampling": {"fixed": 1, "retest_rounds_max": 0}}
    delivery, spool = delivered(bench, limits)
    slip, _ = measured(bench, spool, d1=1.83)
    undo(bench, slip["id"])
    bench.measure("diameter", {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75}, role="receiving")
    rounds = bench.finding(delivery["lot_id"], "sampling.retests")
    assert ("diameter", 1) == (rounds["subject"], rounds["value"])
    assert "quarantined" == agree(bench, slip["id"])["lot"]["standing"]
    assert "released" == bench.decide(delivery["lot_id"], "lift", "a slip of typing")["standing"]


def test_the_record_of_the_supplier_follows_the_agreement_and_not_the_void(bench):
    """The original inspection stays rejected while the void waits, and is corrected by quality's agreement."""
    limits = {**SIMPLE_LIMITS, "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 1.0}}
    delivery, spool = delivered(bench, limits, spools=2)
    for code in delivery["sample"]["spool_codes"][1:]:
        measured(bench, code)
    slip, _ = measured(bench, spool, d1=1.83)
    grade, supplier = delivery["grade_id"], delivery["supplier_id"]
    path = f"/inspection-severity?supplier_id={supplier}&grade_id={grade}"

    def recorded():
        return [lot["accepted"] for lot in bench.get("quality", path)["record"]]

    assert [False] == recorded()
    undo(bench, slip["id"])
    bench.measure("diameter", {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75}, role="receiving")
    assert [False] == recorded()
    agree(bench, slip["id"])
    assert [True] == recorded()


def test_a_list_is_undone_reading_by_reading(bench):
    """Of a list of five readings one is voided and four count."""
    delivery, spool = delivered(bench, {"sampling": {"fixed": 1}, "diameter": SIMPLE_LIMITS["diameter"]})
    rows = [{"spool_code": spool, "d1_mm": d, "d2_mm": d} for d in (1.75, 1.76, 1.83, 1.75, 1.74)]
    made = bench.measure("diameter", rows, role="receiving")["items"]
    undo(bench, made[2]["id"])
    counting = [made[n]["id"] for n in (0, 1, 3, 4)]
    assert counting == bench.assessment(delivery["lot_id"])["reading_ids"]
    assert "released" == agree(bench, made[2]["id"])["lot"]["standing"]


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.thorough) for seed in range(1, 5))])
def test_no_author_improves_a_verdict_by_any_sequence_of_voids(bench, seed):
    """After random readings and random voids by their author no use and no spool has gained clearance."""
    chance = random.Random(seed)
    limits = {**FULL_LIMITS, "uses": {"cosmetic": ["color"], "hidden": ["diameter"]}, "sampling": {"fixed": 1}}
    limits["color"] = {"lot_max": 1.0, "spool_max": 1.3, "spread_max": 0.5}
    limits["diameter"] = {"reading_tolerance_mm": 0.05, "mean_tolerance_mm": 0.03}
    delivery, _ = delivered(bench, limits)
    codes, mine = [spool["code"] for spool in delivery["spools"]], []

    def won():
        uses = {use for use, verdict in bench.lot(delivery["lot_id"])["uses"].items() if verdict == "pass"}
        clear = {(c, use) for c in codes for use in ("cosmetic", "hidden") if bench.ask_clearance(c, use)["clear"]}
        return uses, clear

    for _ in range(14):
        if mine and chance.random() < 0.45:
            before = won()
            undo(bench, mine.pop(chance.randrange(len(mine))))
            after = won()
            assert after[0] <= before[0]
            assert after[1] <= before[1]
        else:
            code = chance.choice(codes)
            d1 = chance.choice([1.75, 1.75, 1.76, 1.79, 1.83])
            lab = [*chance.choice([(95.0, -0.8), (95.4, -0.8), (94.0, -0.5), (96.1, -0.8)]), 1.5]
            body = chance.choice(
                [("diameter", {"d1_mm": d1, "d2_mm": d1}), ("color", {"lab": lab, "conditions": CONDITIONS})]
            )
            mine.append(bench.measure(body[0], {"spool_code": code, **body[1]}, role="receiving")["id"])
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]
