"""After an instrument fails its check, readings since its last valid check are kept but do not count."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from tests.shop import CONDITIONS, WHITE

FIRST_DAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
# Five steps of lightness from the reference: out under the limits of these tests.
FAR = [90.0, -0.8, 1.5]
LIMITS = {"sampling": {"fixed": 1}, "color": {"lot_max": 1.0}}
INTERVAL_DAYS = 30


def at(day, hour=8, minute=0):
    """An hour of the day so many days after the first, as sent."""
    moment = FIRST_DAY + timedelta(days=day, hours=hour - 8, minutes=minute)
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


class Bench:
    """Two colorimeters, checked on the first day, and lots to measure with them."""

    def __init__(self, shop, clock):
        self.shop, self.clock = shop, clock
        self.supplier, self.grade = shop.supplier(), shop.grade(limits=LIMITS)
        self.one, self.other = (self.instrument(code) for code in ("CM-1", "CM-2"))

    def instrument(self, code, checked=True, **more):
        """A colorimeter with a passed first check."""
        body = {"code": code, "kind": "colorimeter", "check_interval_days": INTERVAL_DAYS, **more}
        number = self.shop.post("quality", "/instruments", body)["id"]
        if checked:
            self.check(number, "pass", at(0))
        return number

    def check(self, instrument, result, checked_at):
        """A check on the white tile."""
        body = {"checked_at": checked_at, "result": result, "artefact": "white tile 3", "readings": [94.2]}
        return self.shop.post("quality", f"/instruments/{instrument}/checks", body)

    def go(self, day, hour=8, minute=0):
        """Moves to an hour of a day."""
        self.clock.move_to(FIRST_DAY + timedelta(days=day, hours=hour - 8, minutes=minute))

    def lot(self, number, spools=3):
        """A delivery of its own."""
        return self.shop.receive(self.supplier, self.grade, number, spools, received_at=at(0))

    def read(self, delivery, instrument, lab=WHITE, spool=0, **more):
        """One colour reading of a spool, now by default."""
        body = {"spool_code": delivery["spools"][spool]["code"], "lab": lab, "conditions": CONDITIONS, **more}
        return self.shop.post("quality", "/color-readings", {"instrument_id": instrument, **body})

    def standing(self, delivery):
        """The status of a lot on its row and as assessed now, which must agree."""
        row, judged = self.shop.lot(delivery["lot_id"]), self.shop.assessment(delivery["lot_id"])
        assert (row["standing"], row["uses"]) == (judged["standing"], judged["uses"])
        return row["standing"]

    def readings(self, delivery):
        """Every recorded reading of a lot."""
        return self.shop.get("production", f"/lots/{delivery['lot_id']}/readings")["items"]


@pytest.fixture
def bench(shop):
    """The bench on its first day."""
    with time_machine.travel(FIRST_DAY, tick=True) as clock:
        yield Bench(shop, clock)


def test_a_failed_check_reaches_back_to_the_last_good_one(bench, shop):
    """On day 3 lots measured since the last valid check are in quarantine in the same answer, with their machines and jobs."""
    early, late, by_other = bench.lot("Q-1"), bench.lot("Q-2", 6), bench.lot("Q-3")
    bench.go(0, 9)
    assert "released" == bench.read(early, bench.one)["lot"]["standing"]
    bench.go(1)
    bench.check(bench.one, "pass", at(1))
    bench.go(1, 9)
    read = bench.read(late, bench.one)
    assert ("released", True, None) == (read["lot"]["standing"], read["decision_valid"], read["doubt"])
    bench.read(by_other, bench.other)
    codes = [spool["code"] for spool in late["spools"]]
    first = shop.load(codes[0], machine="P1", job="J-1")
    shop.unload(first["id"], 400)
    for number, code in enumerate(codes[1:], start=1):
        shop.load(code, machine=f"P{number}", job=f"J-{10 + number}")

    bench.go(3)
    failed = bench.check(bench.one, "fail", at(3))
    assert [late["lot_id"]] == [lot["id"] for lot in failed["lots"]]
    (touched,) = failed["lots"]
    assert ("released", "quarantined") == (touched["standing_before"], touched["standing"])
    assert "colour" in touched["says"]
    assert [f"P{number}" for number in range(1, 6)] == sorted(touched["exposure"]["machines"])
    assert {"J-1", *(f"J-{10 + number}" for number in range(1, 6))} == set(touched["exposure"]["jobs"])
    assert (6, 5) == (len(touched["exposure"]["items"]), touched["exposure"]["still_loaded"])
    assert "Stop these machines and unload the spools first." in touched["exposure"]["says"]
    assert touched["exposure"] == shop.get("production", f"/lots/{late['lot_id']}/exposure")

    assert ["released", "quarantined", "released"] == [bench.standing(lot) for lot in (early, late, by_other)]
    (kept,) = bench.readings(late)
    assert (WHITE, None, False) == (kept["lab"], kept["voided"], kept["decision_valid"])
    assert "CM-1 failed the next check (2026-03-05 08:00 UTC)" in kept["doubt"]
    assert [True] == [reading["decision_valid"] for reading in bench.readings(early)]
    said = shop.assessment(late["lot_id"])
    assert ([], 0) == (said["reading_ids"], said["findings"][0]["n"])
    assert any("1 reading does not count" in note and "CM-1" in note for note in said["notes"])
    decided = shop.get("quality", f"/lots/{late['lot_id']}/decisions")["items"]
    assert ("judge", "quarantined") == (decided[-1]["action"], decided[-1]["standing"])
    assert "Instrument CM-1 failed its check" in decided[-1]["reason"]
    assert ("released", [read["id"]]) == (decided[-2]["standing"], decided[-2]["reading_ids"])

    assert "not complete" in " ".join(shop.load(codes[0], status=409)["reasons"])
    assert "released" == bench.read(late, bench.other)["lot"]["standing"]
    shop.load(codes[0], machine="P6")


def test_another_instruments_readings_keep_a_lot_where_it_is(bench, shop):
    """A lot measured with both colorimeters keeps the result of the valid one."""
    good, bad, wrongly_refused = (bench.lot(number) for number in ("Q-1", "Q-2", "Q-3"))
    for delivery, by_one, by_other in ((good, WHITE, WHITE), (bad, WHITE, FAR), (wrongly_refused, FAR, WHITE)):
        bench.read(delivery, bench.one, by_one)
        bench.read(delivery, bench.other, by_other)
    assert ["released", "blocked", "blocked"] == [bench.standing(lot) for lot in (good, bad, wrongly_refused)]
    bench.go(3)
    failed = {lot["id"]: lot for lot in bench.check(bench.one, "fail", at(3))["lots"]}
    assert ["released", "blocked", "released"] == [bench.standing(lot) for lot in (good, bad, wrongly_refused)]
    for delivery, before in ((good, "released"), (bad, "blocked"), (wrongly_refused, "blocked")):
        assert before == failed[delivery["lot_id"]]["standing_before"]
        assert [False, True] == [reading["decision_valid"] for reading in bench.readings(delivery)]
        (finding,) = shop.assessment(delivery["lot_id"])["findings"]
        assert 1 == finding["n"]


@pytest.mark.parametrize(
    ("minutes", "standing", "valid"), [(-1, "released", True), (0, "released", True), (1, "quarantined", False)]
)
def test_an_instrument_out_of_date_measures_without_deciding(bench, shop, minutes, standing, valid):
    """Readings after the end of the check's interval are stored and do not count."""
    delivery = bench.lot("Q-1")
    bench.go(INTERVAL_DAYS, 8, minutes)
    read = bench.read(delivery, bench.one, measured_at=at(INTERVAL_DAYS, 8, minutes))
    assert (standing, valid) == (read["lot"]["standing"], read["decision_valid"])
    assert valid is (read["doubt"] is None)
    assert valid or "CM-1 had no valid calibration" in read["doubt"]
    (kept,) = bench.readings(delivery)
    assert {name: read[name] for name in ("id", "lab", "decision_valid", "doubt")} == {
        name: kept[name] for name in ("id", "lab", "decision_valid", "doubt")
    }


def test_a_failing_reading_of_an_instrument_out_of_date_blocks_nobody(bench):
    """A failing reading with an expired check does not reject, and stays visible."""
    delivery = bench.lot("Q-1")
    bench.read(delivery, bench.other)
    bench.go(INTERVAL_DAYS + 1)
    assert "released" == bench.read(delivery, bench.one, FAR, spool=1)["lot"]["standing"]
    assert [WHITE, FAR] == [reading["lab"] for reading in bench.readings(delivery)]


def test_validity_is_that_of_the_day_of_the_reading(bench, shop):
    """The validity of a reading is that of its day, also a year later."""
    in_date, out_of_date, typed_late = (bench.lot(number) for number in ("Q-1", "Q-2", "Q-3"))
    bench.read(in_date, bench.one)
    bench.go(INTERVAL_DAYS + 1)
    bench.read(out_of_date, bench.one)
    bench.read(typed_late, bench.one, measured_at=at(INTERVAL_DAYS - 1))
    expected = ["released", "quarantined", "released"]
    assert expected == [bench.standing(lot) for lot in (in_date, out_of_date, typed_late)]
    bench.go(365)
    assert expected == [bench.standing(lot) for lot in (in_date, out_of_date, typed_late)]
    for delivery in (in_date, out_of_date, typed_late):
        shop.post("quality", f"/lots/{delivery['lot_id']}/reassess")
    assert expected == [bench.standing(lot) for lot in (in_date, out_of_date, typed_late)]
    assert shop.ask_clearance(in_date["spools"][0]["code"])["clear"] is True


def test_a_later_passed_check_excuses_nothing(bench, shop):
    """A later passed check does not restore suspect or expired readings; only new readings count."""
    in_window, after_failure, out_of_date = (bench.lot(number) for number in ("Q-1", "Q-2", "Q-3"))
    bench.go(0, 12)
    bench.read(in_window, bench.one)
    bench.go(INTERVAL_DAYS + 5)
    bench.read(out_of_date, bench.other)
    bench.check(bench.one, "fail", at(INTERVAL_DAYS + 5))
    bench.go(INTERVAL_DAYS + 5, 9)
    read = bench.read(after_failure, bench.one)
    assert "CM-1 failed its check of" in read["doubt"]
    waiting = (in_window, after_failure, out_of_date)
    bench.go(INTERVAL_DAYS + 6)
    for instrument in (bench.one, bench.other):
        assert [] == bench.check(instrument, "pass", at(INTERVAL_DAYS + 6))["lots"]
    assert ["quarantined"] * 3 == [bench.standing(delivery) for delivery in waiting]
    assert [False] * 3 == [reading["decision_valid"] for lot in waiting for reading in bench.readings(lot)]
    bench.go(INTERVAL_DAYS + 6, 9)
    assert ["released"] * 3 == [bench.read(delivery, bench.one)["lot"]["standing"] for delivery in waiting]


def test_a_failed_check_typed_in_late_counts_from_when_it_was_made(bench, shop):
    """A failed check entered late makes suspect the readings around it, and not those after the next valid one."""
    before, between, since = (bench.lot(number) for number in ("Q-1", "Q-2", "Q-3"))
    bench.go(0, 12)
    bench.read(before, bench.one)
    bench.go(1, 12)
    bench.read(between, bench.one)
    bench.go(2)
    bench.check(bench.one, "pass", at(2))
    bench.go(2, 12)
    bench.read(since, bench.one)
    known = shop.assessment(between["lot_id"])
    bench.go(4)
    failed = {lot["id"]: lot for lot in bench.check(bench.one, "fail", at(1))["lots"]}
    assert {before["lot_id"], between["lot_id"]} == {
        number for number, lot in failed.items() if lot["standing"] != lot["standing_before"]
    }
    assert ["quarantined", "quarantined", "released"] == [bench.standing(lot) for lot in (before, between, since)]
    doubts = [reading["doubt"] for delivery in (before, between, since) for reading in bench.readings(delivery)]
    assert "failed the next check" in doubts[0]
    assert "failed its check of" in doubts[1]
    assert doubts[2] is None
    assert known == shop.assessment(between["lot_id"], f"?as_of={known['as_of']}")


def test_a_passed_check_typed_in_late_makes_readings_count(bench):
    """A passed check entered late makes waiting readings count, releases their lots and says so."""
    delivery = bench.lot("Q-1")
    bench.go(INTERVAL_DAYS + 2)
    assert "quarantined" == bench.read(delivery, bench.one)["lot"]["standing"]
    (touched,) = bench.check(bench.one, "pass", at(INTERVAL_DAYS + 1))["lots"]
    assert ("quarantined", "released") == (touched["standing_before"], touched["standing"])
    assert "released" == bench.standing(delivery)


def test_a_check_of_the_future_is_refused(bench, shop):
    """A check in the future is refused and changes nothing."""
    delivery = bench.lot("Q-1")
    bench.read(delivery, bench.one)
    body = {"checked_at": at(1), "result": "fail"}
    refused = shop.post("quality", f"/instruments/{bench.one}/checks", body, 422)
    assert ["/checked_at"] == [fault["pointer"] for fault in refused["errors"]]
    assert "released" == bench.standing(delivery)


@pytest.mark.parametrize("result", ["pass", "fail"])
def test_a_reading_of_the_very_minute_of_a_check_goes_with_it(bench, shop, result):
    """A reading in the minute of a check entered later is assessed with it, on row and assessment alike."""
    delivery = bench.lot("Q-1")
    day = 1 if result == "fail" else INTERVAL_DAYS + 1
    bench.go(day, 9)
    before = bench.read(delivery, bench.one, measured_at=at(day))["lot"]["standing"]
    after = "quarantined" if result == "fail" else "released"
    assert before != after
    answer = bench.check(bench.one, result, at(day))
    assert after == shop.assessment(delivery["lot_id"])["standing"]
    assert [(before, after)] == [(lot["standing_before"], lot["standing"]) for lot in answer["lots"]]
    assert after == bench.standing(delivery)


def test_a_reading_of_the_very_minute_of_the_last_good_check_falls_with_the_next(bench):
    """A reading in the minute of a passed check before a failed one is suspect, because its order is unknown."""
    delivery = bench.lot("Q-1")
    bench.read(delivery, bench.one, measured_at=at(0))
    bench.go(1)
    bench.check(bench.one, "fail", at(1))
    bench.standing(delivery)


def test_a_passed_check_typed_in_late_narrows_the_window_before_it_too(bench, shop):
    """A passed check entered late between a reading and a failed check makes the reading valid everywhere."""
    delivery = bench.lot("Q-1")
    bench.go(0, 12)
    bench.read(delivery, bench.one)
    bench.go(3)
    bench.check(bench.one, "fail", at(3))
    assert "quarantined" == bench.standing(delivery)
    answer = bench.check(bench.one, "pass", at(1))
    assert "released" == shop.assessment(delivery["lot_id"])["standing"]
    assert [("quarantined", "released")] == [(lot["standing_before"], lot["standing"]) for lot in answer["lots"]]
    assert "released" == bench.standing(delivery)
