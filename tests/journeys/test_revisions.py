"""Effects of a new revision of a shade or of limits: stated when it is made, on request, and applied only on request.

Colours: lot (94.9, -0.75, 2.2) is 0.66 from revision A (95.0, -0.8, 1.5) and 1.13 from revision B (95.1, -0.8, 1.0),
both in CIEDE2000 (colour-science 0.4.7).
"""

import pytest

from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE
from tests.store.rows import contents

LOT_LAB = [94.9, -0.75, 2.2]
SHADE_B = [95.1, -0.8, 1.0]
UNDER_A, UNDER_B = 0.66, 1.13
USES = {"cosmetic": ["color", "diameter"], "hidden": ["diameter"]}
LIMITS = {**SIMPLE_LIMITS, "uses": USES}
TIGHTER = {**LIMITS, "color": {"lot_max": 0.5}}


class Stock:
    """Lots of one grade: on shade, near its edge, rejected, unmeasured, empty and returned."""

    def __init__(self, shop):
        self.shop = shop
        self.shade = shop.shade("HW")
        self.supplier, self.grade = shop.supplier(), shop.grade(limits=LIMITS, shade_id=self.shade["id"])
        self.lots = {
            "sound": self.lot("Q-1", [95.1, -0.8, 1.25]),
            "edge": self.lot("Q-2", LOT_LAB),
            "refused": self.lot("Q-3", [90, -0.8, 1.5]),
            "unmeasured": shop.receive(self.supplier, self.grade, "Q-4")["lot_id"],
            "empty": self.lot("Q-5", LOT_LAB, spools=1),
            "returned": self.lot("Q-6", LOT_LAB),
        }
        load = shop.load(self.spool("empty"), "hidden")
        shop.unload(load["id"], 0)
        shop.decide(self.lots["returned"], "return")

    def lot(self, number, lab, spools=2):
        """A lot of this colour with a good diameter."""
        got = self.shop.receive(self.supplier, self.grade, number, spools)
        code = got["spools"][0]["code"]
        self.shop.diameter(code)
        self.shop.color(code, lab)
        return got["lot_id"]

    def spool(self, name):
        """The first spool of a lot."""
        return self.shop.lot(self.lots[name])["spools"][0]["code"]

    def seen(self):
        """Every lot, assessment and decision as the API shows them."""
        return [
            (
                self.shop.lot(number),
                {**self.shop.assessment(number), "as_of": None},
                self.shop.get("quality", f"/lots/{number}/decisions")["items"],
            )
            for number in self.lots.values()
        ]


@pytest.fixture
def stock(shop):
    """The stock of a grade."""
    return Stock(shop)


def judgement(answer):
    """An answer on a lot without time and reason of the request."""
    names = ("standing", "assessed", "uses", "findings", "to_measure", "notes", "limits_revision", "shade_revision")
    return {name: answer[name] for name in (*names, "reading_ids")}


def test_a_shade_revision_lists_the_lots_in_stock_that_would_lose_a_use(stock, shop):
    """Only the lot near the edge is listed, with present and future status and the reason, and nothing changes."""
    before = stock.seen()
    made = shop.approve(stock.shade["id"], SHADE_B)
    assert (2, SHADE_B) == (made["revision"], made["lab"])
    (loss,) = made["would_fail"]
    assert (stock.lots["edge"], "Q-2", "released", "restricted") == (
        loss["lot_id"],
        loss["supplier_lot"],
        loss["standing"],
        loss["would_be"],
    )
    assert ["cosmetic"] == loss["lost_uses"]
    assert {"cosmetic": "pass", "hidden": "pass"} == loss["uses"]
    assert {"cosmetic": "fail", "hidden": "pass"} == loss["would_uses"]
    assert f"{UNDER_B:.2f}" in " ".join(loss["why"])
    assert before == stock.seen()
    assert shop.ask_clearance(stock.spool("edge"), "cosmetic")["clear"] is True


def test_a_limits_revision_lists_the_lots_in_stock_that_would_lose_a_use(stock, shop):
    """Tighter limits list the same lot, wider ones none, and a new characteristic every lot in use."""
    before = stock.seen()
    made = shop.limit(stock.grade["id"], TIGHTER)
    assert 2 == made["revision"]
    assert [stock.lots["edge"]] == [loss["lot_id"] for loss in made["would_fail"]]
    assert f"{UNDER_A:.2f}" in " ".join(made["would_fail"][0]["why"])
    assert [] == shop.limit(stock.grade["id"], {**LIMITS, "color": {"lot_max": 2.0}})["would_fail"]
    wet = {**LIMITS, "moisture": {"max_percent": 0.05}, "uses": {**USES, "hidden": ["diameter", "moisture"]}}
    losses = shop.limit(stock.grade["id"], wet)["would_fail"]
    in_use = [stock.lots[name] for name in ("sound", "edge", "refused")]
    assert in_use == [loss["lot_id"] for loss in losses]
    assert [(["hidden"], "quarantined")] * 3 == [(loss["lost_uses"], loss["would_be"]) for loss in losses]
    assert all("moisture" in " ".join(loss["why"]) for loss in losses)
    # The unmeasured lot takes the newest limits; it and its answers are unchanged.
    assert before == stock.seen()


def test_a_revision_for_other_conditions_leaves_lots_open_not_refused(stock, shop):
    """Under other conditions lots would be open and not rejected, with the need to measure again."""
    made = shop.approve(stock.shade["id"], WHITE, {**CONDITIONS, "specular": "excluded"})
    assert [stock.lots["sound"], stock.lots["edge"]] == [loss["lot_id"] for loss in made["would_fail"]]
    for loss in made["would_fail"]:
        assert ("quarantined", "missing") == (loss["would_be"], loss["would_uses"]["cosmetic"])
        assert "colour" in " ".join(loss["why"])


def test_asking_what_would_be_stores_nothing(stock, shop):
    """A question under other revisions changes no row."""
    shop.approve(stock.shade["id"], SHADE_B)
    shop.limit(stock.grade["id"], TIGHTER)
    before = contents()
    for number in stock.lots.values():
        for query in ("?shade_revision=2", "?limits_revision=2", "?limits_revision=2&shade_revision=2"):
            assert shop.assessment(number, query)["stored"] is False
    assert before == contents()


@pytest.mark.parametrize("name", ["sound", "edge", "refused", "unmeasured", "empty", "returned"])
def test_what_would_be_is_what_judging_again_then_finds(stock, shop, name):
    """A question under the newest revisions equals the findings, uses and status of the reassessment."""
    number = stock.lots[name]
    shop.approve(stock.shade["id"], SHADE_B)
    shop.limit(stock.grade["id"], TIGHTER)
    would = shop.assessment(number, "?limits_revision=2&shade_revision=2")
    done = shop.post("quality", f"/lots/{number}/reassess")
    assert judgement(would) == judgement(done)
    now = shop.assessment(number)
    assert judgement(would) == judgement(now)
    assert now["stored"] is True
    row = shop.lot(number)
    assert (would["standing"], would["uses"], 2, 2) == tuple(
        row[part] for part in ("standing", "uses", "limits_revision", "shade_revision")
    )


def test_what_would_be_lists_is_what_judging_everything_again_takes_away(stock, shop):
    """Exactly the listed lots lose a use when all are reassessed."""
    made = shop.approve(stock.shade["id"], SHADE_B)
    named = {loss["lot_id"]: (loss["would_be"], loss["would_uses"]) for loss in made["would_fail"]}
    lost = {}
    for name in ("sound", "edge"):
        number = stock.lots[name]
        before = shop.lot(number)["uses"]
        done = shop.post("quality", f"/lots/{number}/reassess")
        if any(before[use] == "pass" != verdict for use, verdict in done["uses"].items()):
            lost[number] = (done["standing"], done["uses"])
    assert lost == named
    assert "colour" in " ".join(shop.load(stock.spool("edge"), "cosmetic", 409)["reasons"]).lower()
    assert shop.ask_clearance(stock.spool("edge"), "hidden")["clear"] is True


def test_decisions_keep_the_revisions_they_were_made_under(stock, shop):
    """Old decisions name revision 1 with its findings and figures, after a reassessment under revision 2."""
    number = stock.lots["edge"]
    before = shop.get("quality", f"/lots/{number}/decisions")["items"]
    shop.approve(stock.shade["id"], SHADE_B)
    shop.limit(stock.grade["id"], {**LIMITS, "color": {"lot_max": 1.0}, "note": "wider for clips"})
    done = shop.post("quality", f"/lots/{number}/reassess")
    assert ("released", 1, 1) == tuple(done["before"][n] for n in ("standing", "limits_revision", "shade_revision"))
    after = shop.get("quality", f"/lots/{number}/decisions")["items"]
    assert before == after[:-1]
    assert ("reassess", "restricted", 2, 2) == tuple(
        after[-1][n] for n in ("action", "standing", "limits_revision", "shade_revision")
    )
    figures = [
        next(f["value"] for f in decision["findings"] if f["code"] == "color.lot_delta_e") for decision in after[-2:]
    ]
    assert [UNDER_A, UNDER_B] == [round(figure, 2) for figure in figures]
    back = shop.assessment(number, "?limits_revision=1&shade_revision=1")
    assert ("released", False) == (back["standing"], back["stored"])


def test_a_reading_after_a_revision_is_judged_under_the_old_one(stock, shop):
    """A reading after a revision is assessed under the old one."""
    number = stock.lots["edge"]
    shop.approve(stock.shade["id"], SHADE_B)
    shop.limit(stock.grade["id"], TIGHTER)
    stored = shop.color(stock.spool("edge"), LOT_LAB)
    assert "released" == stored["lot"]["standing"]
    row = shop.lot(number)
    assert (1, 1) == (row["limits_revision"], row["shade_revision"])


def test_what_would_be_counts_a_step_from_the_lot_accepted_last_by_now(shop):
    """A lot measured before its predecessor has no step; question and reassessment both include it later."""
    colors = {"sampling": {"fixed": 1}, "color": {"lot_max": 1.5, "step_max": 0.8}}
    supplier, grade = shop.supplier(), shop.grade(limits=colors)
    first = shop.receive(supplier, grade, "Q-1", spools=1)
    second = shop.receive(supplier, grade, "Q-2", spools=1, received_at="2026-11-21T08:00:00Z")
    # A step of 0.92: computed with colour-science.
    assert "released" == shop.color(second["spools"][0]["code"], [95.0, -0.8, 2.5])["lot"]["standing"]
    assert "released" == shop.color(first["spools"][0]["code"], WHITE)["lot"]["standing"]
    made = shop.limit(grade["id"], {**colors, "color": {"lot_max": 1.5, "step_max": 0.7}})
    would = shop.assessment(second["lot_id"], "?limits_revision=2&shade_revision=1")
    done = shop.post("quality", f"/lots/{second['lot_id']}/reassess")
    assert "quarantined" == done["standing"]
    assert judgement(would) == judgement(done)
    assert [second["lot_id"]] == [loss["lot_id"] for loss in made["would_fail"]]
