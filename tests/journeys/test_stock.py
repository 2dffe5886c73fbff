"""Stock, consumption and shortage, compared with books kept by the tests."""

import csv
import io
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random

import numpy as np
import pytest
import time_machine
from scipy import optimize, stats

from lots.services.purchasing import stock as desk
from lots.services.setup import access
from tests.api.test_queries import asked
from tests.shop import WHITE
from tests.store.rows import connected

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
DAY = timedelta(days=1)
USES = ("cosmetic", "hidden")
LIMITS = {
    "sampling": {"fixed": 1},
    "color": {"lot_max": 1.0},
    "diameter": {"ovality_max_mm": 0.05},
    "uses": {"cosmetic": ["color", "diameter"], "hidden": ["diameter"]},
}
STATES = ("loadable", "conceded", "held_back", "not_permitted", "quarantined", "blocked", "on_machines")
# The kinds of lots: readings, permitted uses, and status by the readings.
KINDS = {
    "good": (WHITE, (1.75, 1.75), USES, "released"),
    "yellow": ([95.0, -0.8, 4.5], (1.75, 1.75), ("hidden",), "restricted"),
    "oval": (WHITE, (1.84, 1.66), (), "blocked"),
    "waiting": (None, None, (), "quarantined"),
}


def at(moment):
    """A moment as sent."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


@pytest.fixture
def clock():
    """A Monday morning, on a manual clock."""
    with time_machine.travel(START, tick=False) as travelling:
        yield travelling


@pytest.fixture
def pair(shop, clock):
    """The shop with a second person of quality."""
    with connected():
        shop.tokens["second"] = access.add_token("second person", "quality")
    return shop


@dataclass
class Permit:
    """A concession in the books: g permitted, g used or reserved."""

    id: int
    uses: tuple
    max_g: int
    until: datetime
    taken: int = 0

    def left(self, use, now):
        """The remaining permitted mass for a use, g."""
        return max(0, self.max_g - self.taken) if use in self.uses and now <= self.until else 0


@dataclass
class Batch:
    """A lot in the books."""

    id: int
    grade: int
    kind: str
    by_hand: str | None = None
    permits: list = field(default_factory=list)

    @property
    def standing(self):
        """Its expected status."""
        if self.by_hand in ("return", "scrap"):
            return "gone"
        if self.by_hand == "block" or (self.by_hand == "hold" and self.kind == "oval"):
            return "blocked"
        return "quarantined" if self.by_hand == "hold" else KINDS[self.kind][3]


@dataclass
class Reel:
    """A spool in the books: remaining g, and its open load."""

    code: str
    lot: Batch
    grams: int
    load: dict | None = None


@dataclass
class Books:
    """Deliveries, decisions, concessions and uses as a clerk records them."""

    shop: object
    clock: object
    chance: Random
    now: datetime = START
    suppliers: list = field(default_factory=list)
    grades: list = field(default_factory=list)
    lots: list = field(default_factory=list)
    reels: list = field(default_factory=list)
    used: list = field(default_factory=list)
    told: int = 0

    def wait(self, days):
        """Advances the clock."""
        self.now += days * DAY
        self.clock.move_to(self.now)

    def deliver(self):
        """A lot is received and measured, or waits."""
        kind = self.chance.choice(("good", "good", "good", "yellow", "oval", "waiting"))
        grade, n = self.chance.choice(self.grades), len(self.lots)
        supplier = self.chance.choice(self.suppliers)
        got = self.shop.receive(
            supplier, grade, f"L-{n}", self.chance.randint(1, 4), received_at=at(self.now), net_mass_g=750
        )
        batch = Batch(got["lot_id"], grade["id"], kind)
        lab, axes = KINDS[kind][:2]
        if lab is not None:
            code = got["sample"]["spool_codes"][0]
            self.shop.color(code, lab, measured_at=at(self.now))
            self.shop.diameter(code, *axes, measured_at=at(self.now))
        self.lots.append(batch)
        self.reels += [Reel(one["code"], batch, 750) for one in got["spools"]]

    def decide(self):
        """Quality makes or lifts a manual decision."""
        if not self.lots:
            return
        batch = self.chance.choice(self.lots)
        action = "lift" if batch.by_hand else self.chance.choice(("block", "hold", "block", "return"))
        if batch.by_hand in ("return", "scrap"):
            return
        if action == "return" and any(reel.load for reel in self.reels if reel.lot is batch):
            return
        self.shop.decide(batch.id, action)
        batch.by_hand = None if action == "lift" else action

    def permit(self):
        """Two people grant a concession."""
        bad = [one for one in self.lots if one.kind in ("yellow", "oval") and not one.by_hand]
        if not bad:
            return
        batch, until = self.chance.choice(bad), self.now + self.chance.randint(2, 30) * DAY
        uses = ("cosmetic",) if batch.kind == "yellow" else self.chance.choice((USES, ("hidden",)))
        grams = self.chance.choice((300, 1000, 5000))
        body = {"uses": list(uses), "max_mass_g": grams, "valid_until": at(until), "reason": "insides"}
        made = self.shop.post("quality", f"/lots/{batch.id}/concessions", body)
        self.shop.post("second", f"/concessions/{made['id']}/approve")
        batch.permits.append(Permit(made["id"], uses, grams, until))

    def state(self, reel, use):
        """The state of a reel for a use, and its concession."""
        if reel.load:
            return "on_machines", None
        if use in KINDS[reel.lot.kind][2] and reel.lot.by_hand is None:
            return "loadable", None
        if reel.lot.by_hand is None:
            helping = [one for one in reel.lot.permits if one.left(use, self.now)]
            if helping:
                return "conceded", min(helping, key=lambda one: (one.until, one.id))
        standing = reel.lot.standing
        return {"released": "not_permitted", "restricted": "not_permitted"}.get(standing, standing), None

    def load(self):
        """Loads a spool; refused where the books say so."""
        free = [reel for reel in self.reels if not reel.load and reel.grams and reel.lot.standing != "gone"]
        if not free:
            return
        reel, use = self.chance.choice(free), self.chance.choice(USES)
        state, permit = self.state(reel, use)
        n = len(self.used) + sum(1 for one in self.reels if one.load)
        clear = state in ("loadable", "conceded")
        more = {"job": f"J-{n}-{reel.code}", "machine": f"P{reel.code}", "loaded_at": at(self.now)}
        made = self.shop.load(
            reel.code, use, 201 if clear else 409, **more, confirm_new_job=True, confirm_new_machine=True
        )
        if clear:
            held = min(permit.left(use, self.now), reel.grams) if permit else 0
            if permit:
                permit.taken += held
            reel.load = {"id": made["id"], "use": use, "permit": permit, "held": held}

    def unload(self):
        """Unloads a spool with some of it used."""
        on = [reel for reel in self.reels if reel.load]
        if not on:
            return
        reel = self.chance.choice(on)
        left = self.chance.choice((0, reel.grams // 2, reel.grams, max(0, reel.grams - 90), max(0, reel.grams - 120)))
        self.shop.unload(reel.load["id"], left, unloaded_at=at(self.now))
        if permit := reel.load["permit"]:
            permit.taken += reel.grams - left - reel.load["held"]
        self.used.append((self.now, reel.lot.grade, reel.load["use"], reel.grams - left))
        reel.grams, reel.load = left, None

    def stock(self, grade, uses):
        """Kilograms in each state for the best of these uses."""
        grams = defaultdict(int)
        permitted = defaultdict(int)
        for reel in self.reels:
            if reel.lot.grade != grade or not reel.grams or reel.lot.standing == "gone":
                continue
            state = min((self.state(reel, use)[0] for use in uses), key=STATES.index)
            if state == "conceded":
                permitted[reel.lot.id] += reel.grams
            else:
                grams[state] += reel.grams
        for batch in self.lots:
            if mass := permitted[batch.id]:
                left = sum(max(one.left(use, self.now) for use in uses) for one in batch.permits)
                grams["conceded"] += min(mass, left)
                over = "not_permitted" if batch.standing == "restricted" else batch.standing
                grams[over] += mass - min(mass, left)
        return {f"{state}_kg": grams[state] / 1000 for state in STATES}

    def weekly(self, grade, uses, weeks):
        """Mean kg a week over so many past weeks."""
        return sum(kg for _, kg in self.took(grade, uses, weeks)) / weeks

    def took(self, grade, uses, weeks):
        """Each withdrawal of the last weeks: whole weeks ago, kg."""
        rows = [row for row in self.used if row[1] == grade and row[2] in uses and row[3]]
        ago = [((self.now - when) // (7 * DAY), grams / 1000) for when, _, _, grams in rows]
        return [(week, kg) for week, kg in ago if week < weeks]

    def days(self, grade, uses, weeks, stock_kg):
        """Days left with their interval, by scipy's F distribution and root finding; None with too few data."""
        took = self.took(grade, uses, weeks)
        if weeks < 6 or len(took) < 5:
            return None
        if not stock_kg:
            return [0.0, 0.0, 0.0]
        sums = np.array([sum(kg for week, kg in took if week == number) for number in range(weeks)])
        waves, jobs = sums.var(ddof=1), sum(kg**2 for _, kg in took) / weeks
        freedom = weeks - 1 if waves > jobs else max(weeks, len(took)) - 1
        spread = max(waves, jobs) * (stats.t.ppf(0.975, freedom) / stats.norm.ppf(0.975)) ** 2
        shape, mean = sums.mean() ** 2 / spread, sums.mean()

        def end(p):
            def over(h):
                return stats.f.cdf(stock_kg / h / mean, 2 * h * shape, 2 * weeks * shape) - p

            return 7 * optimize.brentq(over, 1e-6, 1e5, xtol=1e-9)

        return [7 * stock_kg / mean, end(0.975), end(0.025)]


@pytest.mark.parametrize(
    "seed", [1, pytest.param(2, marks=pytest.mark.thorough), pytest.param(3, marks=pytest.mark.thorough)]
)
def test_stock_is_what_books_kept_by_hand_say(pair, clock, seed):
    """Over months of random events every kilogram is in its state, for each use and all."""
    books = Books(pair, clock, Random(seed))
    books.suppliers = [pair.supplier("QWT"), pair.supplier("NBK")]
    books.grades = [pair.grade("PLA-HW-175", LIMITS), pair.grade("PLA-WB-175", LIMITS)]
    for _ in range(4):
        books.deliver()
    acts = [books.deliver, *[books.load] * 4, *[books.unload] * 4, books.decide, books.permit]
    compared = 0
    for step in range(160):
        books.chance.choice(acts)()
        books.wait(books.chance.choice((0, 0.25, 1, 2)))
        if step % 10 == 9:
            compared += compare(pair, books)
    assert compared > 30
    assert books.told > 5
    assert books.now - START > timedelta(weeks=8)


def compare(shop, books):
    """Compares the answer with the books; returns the number of compared lines."""
    items = shop.get("purchasing", "/stock")["items"]
    for item in items:
        uses = USES if item["use"] is None else (item["use"],)
        assert books.stock(item["grade_id"], uses) == {f"{state}_kg": item[f"{state}_kg"] for state in STATES}
        assert pytest.approx(sum(item[f"{state}_kg"] for state in STATES)) == item["total_kg"]
        assert pytest.approx(item["loadable_kg"] + item["conceded_kg"]) == item["ready_kg"]
        if item["weeks"]:
            assert pytest.approx(books.weekly(item["grade_id"], uses, item["weeks"])) == item["per_week_kg"]
        days = books.days(item["grade_id"], uses, item["weeks"], item["ready_kg"])
        assert (days is None) == (item["days_low"] is None) == bool(item["days_unknown"])
        if days:
            assert pytest.approx(days, rel=1e-4) == [item[name] for name in ("days_left", "days_low", "days_high")]
            books.told += 1
    there = {(r.lot.grade) for r in books.reels if r.grams and r.lot.standing != "gone"}
    assert there <= {item["grade_id"] for item in items}
    return len(items)


def line(shop, use="cosmetic", **more):
    """The line of a use, of the only grade."""
    query = "&".join(f"{name}={value}" for name, value in {"use": use, **more}.items())
    (found,) = shop.get("purchasing", f"/stock?{query}")["items"]
    return found


def good(shop, supplier, grade, lot, now, spools=2, **more):
    """A released lot, received now."""
    got = shop.receive(supplier, grade, lot, spools, received_at=at(now), **more)
    code = got["sample"]["spool_codes"][0]
    shop.color(code, WHITE, measured_at=at(now))
    shop.diameter(code, measured_at=at(now))
    return got


def test_a_block_moves_kilograms_and_loses_none(shop, clock):
    """A block moves kilograms to blocked with an equal sum, a lift moves them back, and a returned lot is no stock."""
    got = good(shop, shop.supplier(), shop.grade(limits=LIMITS), "Q-1", START)
    before = line(shop)
    shop.decide(got["lot_id"], "block")
    blocked = line(shop)
    assert (2.0, 0.0) == (before["loadable_kg"], before["blocked_kg"])
    assert (0.0, 2.0) == (blocked["loadable_kg"], blocked["blocked_kg"])
    assert before["total_kg"] == blocked["total_kg"]
    shop.decide(got["lot_id"], "lift")
    assert before == line(shop)
    shop.decide(got["lot_id"], "return")
    (gone,) = shop.get("purchasing", "/stock")["items"]
    assert (0.0, 0.0, None) == (gone["total_kg"], gone["ready_kg"], gone["short"])


def test_what_is_used_leaves_the_stock(shop, clock):
    """A load moves a spool to the machines and an unload returns the rest; use never increases stock."""
    got = good(shop, shop.supplier(), shop.grade(limits=LIMITS), "Q-1", START)
    load = shop.load(got["spools"][0]["code"], loaded_at=at(START))
    on = line(shop)
    assert (1.0, 1.0, 2.0) == (on["loadable_kg"], on["on_machines_kg"], on["total_kg"])
    shop.unload(load["id"], 400, unloaded_at=at(START))
    off = line(shop)
    assert (1.4, 0.0, 1.4) == (off["loadable_kg"], off["on_machines_kg"], off["total_kg"])


def test_a_lot_past_its_shelf_life_is_held_back(shop, clock):
    """After its shelf life a released lot is held back, as for a load."""
    grade = shop.grade(limits=LIMITS, shelf_life_days=30)
    got = good(shop, shop.supplier(), grade, "Q-1", START)
    assert 2.0 == line(shop)["loadable_kg"]
    clock.move_to(START + 31 * DAY)
    late = line(shop)
    assert (0.0, 2.0) == (late["loadable_kg"], late["held_back_kg"])
    assert not shop.ask_clearance(got["spools"][1]["code"])["clear"]


def test_an_opened_spool_waits_for_the_dryer_alone(shop, clock):
    """Where a grade limits open time, spools count singly."""
    grade = shop.grade(limits=LIMITS, open_life_days=5)
    got = good(shop, shop.supplier(), grade, "Q-1", START, spools=3)
    load = shop.load(got["spools"][0]["code"], loaded_at=at(START))
    shop.unload(load["id"], 600, unloaded_at=at(START))
    clock.move_to(START + 6 * DAY)
    found = line(shop)
    assert (2.0, 0.6) == (found["loadable_kg"], found["held_back_kg"])


def test_a_closed_delivery_is_no_stock(shop, clock):
    """A closed delivery has no kilograms in any state."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    got = good(shop, supplier, grade, "Q-1", START)
    never = shop.receive(supplier, grade, "Q-2", 5, received_at=at(START))
    assert 5.0 == line(shop)["quarantined_kg"]
    shop.post("quality", f"/deliveries/{never['id']}/close", {"reason": "logged twice"}, 200)
    found = line(shop)
    assert (2.0, 2.0) == (found["total_kg"], found["loadable_kg"])
    assert got["lot_id"] == shop.lot(got["lot_id"])["id"]


def test_a_wound_spool_is_as_good_as_its_worst_lot(shop, clock):
    """A spool of two lots counts once, and is blocked where either lot is."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    one, other = (good(shop, supplier, grade, lot, START, spools=1) for lot in ("Q-1", "Q-2"))
    parents = [{"spool_code": got["spools"][0]["code"], "mass_g": 400} for got in (one, other)]
    shop.post("production", "/spools", {"code": "W-1", "parents": parents})
    assert (2.0, 2.0) == (line(shop)["loadable_kg"], line(shop)["total_kg"])
    shop.decide(other["lot_id"], "block")
    found = line(shop)
    assert (0.6, 1.4) == (pytest.approx(found["loadable_kg"]), pytest.approx(found["blocked_kg"]))


def consume(shop, clock, grade, supplier, weeks=13, grams=(300, 250)):
    """So many weeks with two loads each, from lots every fortnight, ordered three weeks before; returns the last moment."""
    now, reels = START, []
    for week in range(weeks):
        clock.move_to(now)
        if week % 2 == 0:
            got = good(shop, supplier, grade, f"Q-{week}", now, ordered_at=at(now - 21 * DAY))
            reels += [[one["code"], 1000] for one in got["spools"]]
        for place, taken in enumerate(grams):
            reel = next(one for one in reels if one[1] >= taken)
            load = shop.load(reel[0], machine=f"P{place}", job=f"J-{week}-{place}", loaded_at=at(now))
            reel[1] -= taken
            shop.unload(load["id"], reel[1], unloaded_at=at(now))
        now += 7 * DAY
    clock.move_to(now)
    return now


def test_what_runs_out_before_the_next_lot_is_short(shop, clock):
    """With half a kilogram a week, less than one left and three weeks of lead time, the stock is short, with the supplier, in words."""
    grade, supplier = shop.grade(limits=LIMITS), shop.supplier()
    now = consume(shop, clock, grade, supplier)
    for lot in ("Q-8", "Q-10", "Q-12"):
        shop.decide(shop.get("quality", f"/lots?supplier_lot={lot}")["items"][0]["id"], "hold")
    found = line(shop)
    assert pytest.approx(12 * 0.55 / 13) == found["per_week_kg"]
    assert (True, 21.0, "order", 7) == (
        found["short"],
        found["next_lot"]["lead_days"],
        found["next_lot"]["lead_from"],
        found["next_lot"]["lead_lots"],
    )
    assert found["days_low"] < 21
    assert "Order now." in found["says"]
    assert "took up to 21 days from order to release (7 lots)" in found["says"]
    with connected():
        (first,) = desk.short(now)
    assert (grade["id"], "cosmetic", supplier["id"], found["ready_kg"], 21.0) == tuple(
        first[name] for name in ("grade_id", "use", "supplier_id", "stock_kg", "lead_days")
    )
    assert first["says"] == found["says"]


def test_enough_is_not_short_and_says_nothing_to_the_week(shop, clock):
    """With a dozen kilograms more the stock is not short and not in the week's list."""
    grade, supplier = shop.grade(limits=LIMITS), shop.supplier()
    now = consume(shop, clock, grade, supplier)
    good(shop, supplier, grade, "Q-99", now, spools=12)
    assert (False, 0) == (line(shop)["short"], len(short_now(now)))
    assert line(shop)["order_within_days"] > 0


def short_now(now):
    """The shop's short stocks."""
    with connected():
        return desk.short(now)


def test_without_consumption_nothing_is_said_of_days(shop, clock):
    """A grade without consumption has kilograms, and a reason for no days."""
    good(shop, shop.supplier(), shop.grade(limits=LIMITS), "Q-1", START)
    found = line(shop)
    assert (None, None, None) == (found["days_left"], found["short"], found["per_week_kg"])
    assert "Days left can be estimated from 6 weeks of loads on." in found["days_unknown"]
    assert "The lead time of Supplier QWT is unknown. 1 lot was released, and 5 are needed." in found["says"]


def test_stock_comes_as_csv_and_as_picture(shop, clock):
    """CSV has the same lines with a column per figure; the picture names grade, use and kilograms."""
    good(shop, shop.supplier(), shop.grade(limits=LIMITS), "Q-1", START)
    headers = {"Authorization": f"Bearer {shop.tokens['production']}"}
    file, picture = (
        shop.client.get("/v1/stock", headers={**headers, "Accept": kind}).text for kind in ("text/csv", "image/svg+xml")
    )
    rows = list(csv.DictReader(io.StringIO(file)))
    assert [("cosmetic", "2.0"), ("hidden", "2.0"), ("", "2.0")] == [(row["use"], row["loadable_kg"]) for row in rows]
    assert all(words in picture for words in ("PLA-HW-175", "cosmetic", "2.00 kg may be loaded", "days left unknown"))
    assert "Supplier QWT (lead time not known)" == rows[0]["suppliers"]


def test_the_file_has_lead_times_as_text(shop, clock):
    """CSV has lead times as names with days, without JSON."""
    consume(shop, clock, shop.grade(limits=LIMITS), shop.supplier())
    headers = {"Authorization": f"Bearer {shop.tokens['purchasing']}", "Accept": "text/csv"}
    rows = list(csv.DictReader(io.StringIO(shop.client.get("/v1/stock", headers=headers).text)))
    assert {"Supplier QWT (21 days from order)"} == {row["suppliers"] for row in rows}


def test_a_used_up_grade_is_listed_and_short(shop, clock):
    """A grade whose only spool was used up this week is short, without a whole week of data."""
    grade = shop.grade(limits=LIMITS)
    got = good(shop, shop.supplier(), grade, "Q-1", START, spools=1)
    shop.grade("PLA-WB-175", LIMITS)
    load = shop.load(got["spools"][0]["code"], loaded_at=at(START))
    shop.unload(load["id"], 0, unloaded_at=at(START))
    clock.move_to(START + 2 * DAY)
    found = line(shop)
    assert (0.0, 0, True) == (found["ready_kg"], found["weeks"], found["short"])
    assert "Order now." in found["says"]
    assert [grade["id"]] == [one["grade_id"] for one in short_now(START + 2 * DAY)]
    picture = shop.client.get(
        "/v1/stock",
        headers={"Authorization": f"Bearer {shop.tokens['purchasing']}", "Accept": "image/svg+xml"},
    ).text
    assert "0 days left" in picture


def test_a_grade_of_which_nothing_is_left_for_months_stays_listed(shop, clock):
    """A grade with limits and a past lot has a line with 0 kg; one without a lot has none."""
    grade = shop.grade(limits=LIMITS)
    got = good(shop, shop.supplier(), grade, "Q-1", START, spools=1)
    shop.grade("PLA-WB-175", LIMITS)
    load = shop.load(got["spools"][0]["code"], loaded_at=at(START))
    shop.unload(load["id"], 0, unloaded_at=at(START))
    clock.move_to(START + 200 * DAY)
    for query in ("", f"?grade_id={grade['id']}"):
        (found,) = shop.get("purchasing", f"/stock{query}")["items"]
        assert (grade["id"], 0.0, None) == (found["grade_id"], found["total_kg"], found["short"])


def test_the_answer_says_how_many_lines_can_be_told(shop, clock):
    """The answer gives the number of lines that can be assessed, and never calls all sufficient otherwise."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    now = consume(shop, clock, grade, supplier)
    good(shop, supplier, grade, "Q-99", now, spools=12)
    says = shop.get("purchasing", "/stock")["says"]
    assert "2 of 3 stocks are sufficient. The outlook of 1 is not known." == says
    assert "No stock is short." == shop.get("purchasing", "/stock?use=cosmetic")["says"]
    only = shop.get("purchasing", "/stock?use=hidden")["says"]
    assert "The outlook of the only stock is not known, because days left or lead times are not known yet." == only


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ([False, *[None] * 14], "1 of 15 stocks is sufficient. The outlook of 14 is not known."),
        ([None] * 3, "The outlook of all 3 stocks is not known, because days left or lead times are not known yet."),
        (
            [True, None],
            "1 stock is short and may run out before the next lot is released. The outlook of 1 is not known.",
        ),
        ([], "No filament is in stock, and none was used."),
    ],
)
def test_the_summary_counts_what_is_short_and_what_is_not_known(lines, says):
    """The summary counts short and unknown stocks in the right plural."""
    assert says == desk._overall(lines)


def test_how_many_lots_to_order_is_said_only_where_stock_is_short(shop, clock):
    """With half of the lots failing nothing is ordered while stock is ample, and several lots once it is gone."""
    grade, supplier = shop.grade(limits=LIMITS), shop.supplier()
    now = consume(shop, clock, grade, supplier)
    for number in range(7):
        bad = shop.receive(supplier, grade, f"B-{number}", 1, received_at=at(now))["sample"]["spool_codes"][0]
        shop.color(bad, WHITE, measured_at=at(now))
        shop.diameter(bad, 1.84, 1.66, measured_at=at(now))
    plenty = good(shop, supplier, grade, "Q-99", now, spools=12)
    assert line(shop)["next_lot"]["lots_to_order"] > 1
    assert "so order" not in str(line(shop))
    shop.decide(plenty["lot_id"], "hold")
    for lot in ("Q-8", "Q-10", "Q-12"):
        shop.decide(shop.get("quality", f"/lots?supplier_lot={lot}")["items"][0]["id"], "hold")
    short = line(shop)
    assert short["short"] is True
    assert f"lots were accepted, so order {short['next_lot']['lots_to_order']} lots." in short["says"]


def test_an_unknown_grade_is_not_found(shop):
    """An unknown grade is 404 with the path to the list, and an unknown use is an error of the query."""
    shop.get("purchasing", "/stock?grade_id=9", 404)
    shop.get("purchasing", "/stock?use=flying", 422)
    assert "No filament is in stock" in shop.get("quality", "/stock")["says"]


def test_stock_of_many_lots_takes_the_queries_of_few(shop, clock):
    """Fifteen more lots, with loads and concessions, need no further statement."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    now = consume(shop, clock, grade, supplier, weeks=3)
    few = len(asked(shop, "purchasing", "GET", "/stock"))
    for number in range(15):
        got = good(shop, supplier, grade, f"N-{number}", now)
        shop.load(got["spools"][0]["code"], machine=f"M{number}", job=f"K-{number}", loaded_at=at(now))
    assert few == len(asked(shop, "purchasing", "GET", "/stock"))
    assert few <= 9
