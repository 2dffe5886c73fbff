"""A corrective action: requested, answered, and closed on later conforming lots."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from tests.api.test_queries import asked

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
LIMITS = {
    "sampling": {"fixed": 1},
    "diameter": {"reading_tolerance_mm": 0.05},
    "uses": {"hidden": ["diameter"]},
}
GOOD, BAD = 1.75, 1.83


def stamp(at):
    """A moment in text."""
    return at.isoformat().replace("+00:00", "Z")


class Supply:
    """A supplier's lots of a grade in sequence, on a manual clock."""

    def __init__(self, shop, clock):
        self.shop, self.clock = shop, clock
        self.supplier, self.grade = shop.supplier(), shop.grade(limits=LIMITS)

    def lot(self, name, d1=None, supplier=None, grade=None, **more):
        """A lot received now and measured at once, unless there is nothing to measure; returns its number."""
        self.clock.shift(timedelta(hours=1))
        body = {"received_at": stamp(datetime.now(UTC)), **more}
        got = self.shop.receive(supplier or self.supplier, grade or self.grade, name, 1, **body)
        if d1 is not None:
            code = got["spools"][0]["code"]
            self.shop.diameter(code, d1, GOOD, measured_at=stamp(datetime.now(UTC)))
        return got["lot_id"]

    def ask(self, lot_id, status=201, role="purchasing", **more):
        """A requested corrective action."""
        body = {"requested_action": "find out why", **more}
        return self.shop.post(role, f"/lots/{lot_id}/corrective-actions", body, status)

    def answer(self, number, status=201, **more):
        """The supplier's answer."""
        self.clock.shift(timedelta(hours=1))
        body = {"cause": "worn die", "action": "new die", "answered_by": "Jory", **more}
        return self.shop.post("purchasing", f"/corrective-actions/{number}/answer", body, status)

    def close(self, number, status=201, role="quality"):
        """An attempt to close it."""
        return self.shop.post(role, f"/corrective-actions/{number}/close", {"note": "holds"}, status)

    def listed(self, query=""):
        """The numbers of a list."""
        return [row["id"] for row in self.shop.get("quality", f"/corrective-actions{query}")["items"]]


@pytest.fixture
def supply(shop):
    """A supply, on a Monday."""
    with time_machine.travel(MONDAY, tick=False) as clock:
        yield Supply(shop, clock)


def test_an_action_is_asked_for_with_the_customary_terms(supply):
    """By default an answer is due in two weeks and three lots close the action (common practice, no source)."""
    lot = supply.lot("Q-1", BAD)
    made = supply.ask(lot)
    due = stamp(MONDAY + timedelta(hours=1, days=14))
    expected = {"state": "open", "overdue": False, "conforming_lots": 3, "conforming_so_far": 0, "due_at": due}
    assert expected == {name: made[name] for name in expected}
    assert ("Q-1", lot, "find out why") == (made["supplier_lot"], made["lot_id"], made["requested_action"])
    assert "the answer of Supplier QWT is due by 2026-03-16 09:00 UTC" in made["says"]
    assert [made] == supply.shop.get("purchasing", f"/lots/{lot}/corrective-actions")["items"]


@pytest.mark.parametrize(
    ("more", "pointer"),
    [
        ({"due_at": "2026-03-01T00:00:00Z"}, "/due_at"),
        ({"conforming_lots": 0}, "/conforming_lots"),
        ({"conforming_lots": 21}, "/conforming_lots"),
        ({"requested_action": " "}, "/requested_action"),
    ],
)
def test_terms_that_make_no_sense_are_refused(supply, more, pointer):
    """An answer due before the request, or lots outside 1 to 20, are refused."""
    refused = supply.ask(supply.lot("Q-1", BAD), 422, **more)
    assert [pointer] == [fault["pointer"] for fault in refused["errors"]]


def test_nothing_is_asked_about_a_lot_of_which_nothing_failed(supply):
    """A conforming or unmeasured lot gives no ground, and the refusal states the possible grounds."""
    for lot in (supply.lot("Q-1", GOOD), supply.lot("Q-2")):
        said = supply.ask(lot, 409)["detail"]
        assert "nothing to correct" in said
        assert "See the findings of its assessment" in said
        supply.shop.decide(lot, "hold")
        supply.ask(lot, 409)
    supply.ask(999, 404)


def test_what_failed_once_may_be_asked_about_although_it_passes_now(supply):
    """A failure remains a ground after its reading was voided or its block was lifted."""
    shop, measured = supply.shop, supply.lot("Q-1", BAD)
    (reading,) = shop.get("quality", f"/lots/{measured}/readings")["items"]
    shop.void(reading["id"])
    supply.ask(measured)
    blocked = supply.lot("Q-2", GOOD)
    shop.decide(blocked, "block", "wound crosswise")
    shop.decide(blocked, "lift")
    supply.ask(blocked)


def test_the_same_is_not_asked_twice_while_it_waits_for_an_answer(supply):
    """The same request is refused while it waits, with the first one's number; other words, another lot, or an answered one are accepted."""
    lot = supply.lot("Q-1", BAD)
    first = supply.ask(lot)
    for words in ("find out why", "Find out\nwhy "):
        assert f"Corrective action {first['id']} for lot" in supply.ask(lot, 409, requested_action=words)["detail"]
    assert [first["id"]] == supply.listed()
    supply.ask(lot, requested_action="sort what is left")
    supply.ask(supply.lot("Q-2", BAD))
    supply.answer(first["id"])
    supply.ask(lot)
    assert 4 == len(supply.listed())


def test_the_report_asks_for_what_was_not_answered(supply):
    """The report names the waiting action of two, or the newer one after both were answered."""
    lot = supply.lot("Q-1", BAD)
    older, newer = supply.ask(lot), supply.ask(lot, requested_action="sort what is left")

    def spoken_of(query=""):
        return supply.shop.get("quality", f"/lots/{lot}/nonconformity-report{query}")["requested"]["id"]

    assert newer["id"] == spoken_of()
    supply.clock.shift(timedelta(hours=1))
    then = stamp(datetime.now(UTC))
    supply.answer(newer["id"])
    assert older["id"] == spoken_of()
    assert newer["id"] == spoken_of(f"?as_of={then}")
    supply.answer(older["id"])
    assert newer["id"] == spoken_of()


def test_an_answer_is_kept_once_and_never_changed(supply):
    """A second answer, and one before the request or in the future, is refused."""
    number = supply.ask(supply.lot("Q-1", BAD))["id"]
    for when, word in (("2026-03-01T00:00:00Z", "before the request"), ("2026-03-09T00:00:00Z", "is in the future")):
        (fault,) = supply.answer(number, 422, answered_at=when)["errors"]
        assert ("/answered_at", True) == (fault["pointer"], word in fault["detail"])
    kept = supply.answer(number, evidence="record 7")
    expected = {
        "cause": "worn die",
        "action": "new die",
        "evidence": "record 7",
        "answered_by": "Jory",
        "answer_recorded_by": "purchasing person",
        "answered_at": stamp(datetime.now(UTC)),
        "state": "answered",
    }
    assert expected == {name: kept[name] for name in expected}
    assert "answered by Jory" in supply.answer(number, 409, cause="another")["detail"]
    assert "worn die" == supply.shop.get("quality", "/corrective-actions")["items"][0]["cause"]
    supply.answer(999, 404)


def test_it_is_closed_on_consecutive_conforming_lots_received_after_the_answer(supply):
    """Lots before the answer, open and resubmitted ones do not count; a rejected one restarts the count; then three close the action."""
    shop, first = supply.shop, supply.lot("Q-1", BAD)
    number = supply.ask(first)["id"]
    supply.lot("Q-2", GOOD)
    early = supply.close(number, 409)
    assert ("has not answered", 3) == (early["detail"][13:29], early["lacking"])
    supply.answer(number)
    supply.lot("Q-3", GOOD)
    supply.lot("Q-4", GOOD)
    supply.lot("Q-5", BAD)
    held = supply.close(number, 409)
    assert (0, 3, []) == (held["conforming_so_far"], held["lacking"], held["counted_lots"])
    assert "Q-5 was not accepted for any use, so the count restarted" in held["detail"]
    counted = [supply.lot("Q-6", GOOD)]
    supply.lot("Q-1 again", GOOD, resubmission_of=first)
    supply.lot("Q-7")
    counted.append(supply.lot("Q-8", GOOD))
    held = supply.close(number, 409)
    assert (2, 1, counted) == (
        held["conforming_so_far"],
        held["lacking"],
        [lot["lot_id"] for lot in held["counted_lots"]],
    )
    for part in ("2 of 3", "(Q-6, Q-8)", "1 more is needed", "not counted: Q-7"):
        assert part in held["detail"]
    counted.append(supply.lot("Q-9", GOOD))
    (ready,) = shop.get("purchasing", "/corrective-actions")["items"]
    assert ("answered", 3, "It may be closed") == (
        ready["state"],
        ready["conforming_so_far"],
        ready["says"][ready["says"].index("It may") :][:16],
    )
    supply.close(number, 403, "purchasing")
    closed = supply.close(number)
    assert ("closed", counted, "quality person", "holds") == tuple(
        closed[name] for name in ("state", "closed_on", "closed_by", "closing_note")
    )
    assert "on Q-6, Q-8, Q-9: holds." in closed["says"]
    assert "was already closed by quality person" in supply.close(number, 409)["detail"]
    supply.close(999, 404)
    supply.lot("Q-10", BAD)
    assert [closed] == shop.get("purchasing", "/corrective-actions")["items"]


def test_lots_of_another_grade_or_supplier_prove_nothing(supply):
    """Only the supplier's own lots of the same grade count."""
    number = supply.ask(supply.lot("Q-1", BAD), conforming_lots=1)["id"]
    supply.answer(number)
    supply.lot("X-1", GOOD, supplier=supply.shop.supplier("NBK"))
    supply.lot("Q-2", GOOD, grade=supply.shop.grade("PLA-2", LIMITS))
    assert 0 == supply.close(number, 409)["conforming_so_far"]
    right = supply.lot("Q-3", GOOD)
    assert [right] == supply.close(number)["closed_on"]


def test_readings_repeated_after_a_refusal_do_not_turn_it_into_a_conforming_lot(supply):
    """The original inspection counts: a mean outside its limit at first stays so after twenty further readings."""
    supply.shop.limit(supply.grade["id"], {**LIMITS, "diameter": {"mean_tolerance_mm": 0.03}})
    number = supply.ask(supply.lot("Q-1", BAD), conforming_lots=1)["id"]
    supply.answer(number)
    lot = supply.lot("Q-2", BAD)
    code = supply.shop.lot(lot)["spools"][0]["code"]
    more = [{"spool_code": code, "d1_mm": GOOD, "d2_mm": GOOD, "measured_at": stamp(datetime.now(UTC))}] * 20
    supply.shop.measure("diameter", more)
    assert "released" == supply.shop.lot(lot)["standing"]
    assert "Q-2 was not accepted" in supply.close(number, 409)["detail"]


def test_the_list_is_filtered_by_state_supplier_grade_and_what_is_overdue(supply):
    """The list is filtered by state, supplier, grade and overdue; an answered action is not overdue."""
    late, answered, waiting = (supply.ask(supply.lot(f"Q-{n}", BAD), conforming_lots=1)["id"] for n in range(3))
    supply.answer(answered)
    supply.clock.shift(timedelta(days=15))
    fresh = supply.ask(supply.lot("Q-7", BAD))["id"]
    supply.lot("Q-8", GOOD)
    done = supply.ask(supply.lot("Q-9", BAD), conforming_lots=1)["id"]
    supply.answer(done)
    supply.lot("Q-10", GOOD)
    supply.close(done)
    assert [done] == supply.listed("?state=closed")
    assert [answered] == supply.listed("?state=answered")
    assert [late, waiting] == supply.listed("?overdue=true")
    assert [answered, fresh, done] == supply.listed("?overdue=false")
    assert [late, waiting, fresh] == supply.listed("?state=open")
    of_this = f"?supplier_id={supply.supplier['id']}&grade_id={supply.grade['id']}"
    assert [late] == supply.listed(f"{of_this}&state=open&limit=1")
    assert [] == supply.listed("?supplier_id=999") + supply.listed("?grade_id=999")
    said = supply.shop.get("quality", "/corrective-actions?overdue=true")["items"][0]
    assert (True, "Overdue: Supplier QWT has not answered by 2026-03-16") == (said["overdue"], said["says"][:52])


def test_the_list_takes_as_many_queries_however_many_actions_and_lots_there_are(supply):
    """The list needs one statement each for actions, later lots and closing lots, and one for the token."""
    shop = supply.shop

    def handle(name):
        number = supply.ask(supply.lot(name, BAD), conforming_lots=1)["id"]
        supply.answer(number)
        return number

    first, _ = handle("Q-1"), handle("Q-2")
    supply.lot("Q-3", GOOD)
    supply.close(first)
    few = len(asked(shop, "quality", "GET", "/corrective-actions"))
    for index in range(4, 10):
        handle(f"Q-{index}")
    supply.lot("Q-11", GOOD)
    assert few == len(asked(shop, "quality", "GET", "/corrective-actions")) == 4
