import unicodedata

import pytest

from lots.services.receiving import inspection_severity
from tests.api.refusals import hints, refused
from tests.shop import RECEIVED, SIMPLE_LIMITS
from tests.store.rows import counts


@pytest.fixture
def desk(shop):
    """A supplier and a grade, and the clerk's log of a delivery; the answer is that of HTTP."""
    supplier, grade = shop.supplier("QWT"), shop.grade(limits=SIMPLE_LIMITS)

    def receive(lot="Q-71", **more):
        body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": lot, "received_at": RECEIVED}
        spools = {} if {"spools", "spool_count"} & set(more) else {"spool_count": 2, "net_mass_g": 1000}
        body = {name: value for name, value in {**body, **spools, **more}.items() if value is not None}
        return shop.call("receiving", "POST", "/deliveries", body)

    return receive


def codes(answer):
    """Codes of a delivery's spools."""
    assert 201 == answer.status_code, answer.get_data(as_text=True)
    return [spool["code"] for spool in answer.get_json()["spools"]]


def test_spools_are_numbered_by_lot(desk):
    """Spools without a code are numbered by lot across deliveries."""
    assert ["L1-S001", "L1-S002"] == codes(desk())
    assert ["L1-S003", "L1-S004"] == codes(desk())
    assert ["L2-S001", "L2-S002"] == codes(desk("Q-72"))


def test_numbering_skips_codes_that_are_taken(desk):
    """Numbering skips existing codes, of this delivery or another lot."""
    assert ["L2-S002", "X"] == codes(
        desk("Q-70", spools=[{"code": "L2-S002", "net_mass_g": 1000}, {"code": "X", "net_mass_g": 1000}])
    )
    mixed = [{"net_mass_g": 1000}, {"code": "L2-S003", "net_mass_g": 1000}, {"net_mass_g": 1000}]
    assert ["L2-S001", "L2-S003", "L2-S004"] == codes(desk("Q-71", spools=mixed))
    assert 1000 == len(set(codes(desk("Q-71", spool_count=1000, net_mass_g=1000, confirm_spool_count=True))))


def test_masses_are_kept_spool_by_spool(desk):
    """Each spool has its own net mass, or the common one, all of it remaining."""
    spools = [{"code": "A", "net_mass_g": 750.5}, {"code": "B"}]
    stored = desk(spools=spools, net_mass_g=1000).get_json()["spools"]
    assert {"A": (750.5, 750.5), "B": (1000, 1000)} == {
        spool["code"]: (spool["net_mass_g"], spool["remaining_mass_g"]) for spool in stored
    }


def test_a_second_delivery_of_the_same_number_joins_its_lot(desk, shop):
    """A second delivery of the same number joins its lot."""
    first = desk().get_json()
    second = desk(order_ref="PO 8").get_json()
    assert (True, False) == (first["new_lot"], second["new_lot"])
    assert first["lot_id"] == second["lot_id"]
    assert 4 == len(shop.lot(first["lot_id"])["spools"])
    assert first["lot"]["received_at"] == second["lot"]["received_at"]


def test_the_same_number_of_another_supplier_or_grade_is_another_lot(desk, shop):
    """The same number of another supplier or grade is another lot."""
    other, grade = shop.supplier("OTHER"), shop.grade("PETG", limits=SIMPLE_LIMITS)
    numbers = {desk().get_json()["lot_id"], desk(supplier_id=other["id"]).get_json()["lot_id"]}
    numbers.add(desk(grade_id=grade["id"]).get_json()["lot_id"])
    assert 3 == len(numbers)


def test_a_similar_number_is_refused_until_confirmed(desk):
    """A number that differs by separators is refused until confirmed."""
    first = desk("Q-71").get_json()
    before = counts()
    answer = desk("q 71")
    said = refused(answer, 409, "similar-lot", ["/supplier_lot"])
    assert [(first["lot_id"], "Q-71")] == [(lot["id"], lot["supplier_lot"]) for lot in said["candidates"]]
    assert ["confirm_new_lot"] == [error.get("confirm") for error in said["errors"]]
    assert before == counts()
    confirmed = desk("q 71", confirm_new_lot=True).get_json()
    assert confirmed["new_lot"]
    assert first["lot_id"] != confirmed["lot_id"]
    again = desk("q 71").get_json()
    assert confirmed["lot_id"] == again["lot_id"]
    both = refused(desk("Q/71"), 409, "similar-lot")["candidates"]
    assert ["Q-71", "q 71"] == [lot["supplier_lot"] for lot in both]


@pytest.mark.parametrize("written", ["q-71", "Q -71", "\uff31\uff0d\uff17\uff11", "Q\u201371"])
def test_a_number_with_the_identity_of_a_lot_is_that_lot_and_cannot_be_another(desk, written):
    """Case, blanks, width and dashes make no other lot, confirmed or not, and the answer names the number to send."""
    first = desk("Q-71").get_json()
    before = counts()
    for more in ({}, {"confirm_new_lot": True}):
        said = refused(desk(written, **more), 409, "similar-lot", ["/supplier_lot"])
        assert [(first["lot_id"], "Q-71")] == [(lot["id"], lot["supplier_lot"]) for lot in said["candidates"]]
        assert 'Give "Q-71"' in hints(said)
    assert before == counts()


def test_a_code_with_the_identity_of_another_is_refused_and_names_it(desk):
    """A code with the identity of another in the delivery, in the shop or among generated codes is refused by name."""
    desk(spools=[{"code": "HW-Q12-2", "net_mass_g": 1000}])
    before = counts()
    written = ["hw-q12-2", "B-1", "\u0412-1", "HW-Q1-22"]
    answer = desk(spools=[{"code": code, "net_mass_g": 1000} for code in written])
    said = refused(answer, 422, "invalid", ["/spools/0/code", "/spools/2/code"])
    taken, twice = (fault["detail"] for fault in said["errors"])
    assert ("HW-Q12-2" in taken, "B-1" in twice) == (True, True) or ("B-1" in taken, "HW-Q12-2" in twice) == (
        True,
        True,
    )
    assert before == counts()
    assert ["l1-s003", "L1-S002"] == codes(desk(spools=[{"code": "l1-s003", "net_mass_g": 1000}, {"net_mass_g": 1000}]))
    assert ["L1-S004", "L1-S005"] == codes(desk())


@pytest.mark.parametrize("hidden", ["\u200b", "\u00ad", "\u200e", "\u2060", "\ufeff", "\u3164", "\ufe0f"])
@pytest.mark.parametrize("place", ["lot", "spool"])
def test_an_invisible_character_is_refused_by_name(desk, hidden, place):
    """An invisible character in a code is refused by name (Unicode category Cf, fillers and variation selectors)."""
    code = f"Q{hidden}71"
    answer = desk(code) if place == "lot" else desk(spools=[{"code": code, "net_mass_g": 1000}])
    said = refused(answer, 422, "invalid", ["/supplier_lot" if place == "lot" else "/spools/0/code"])
    assert unicodedata.name(hidden) in said["errors"][0]["detail"]
    assert 0 == counts()["lot"]


def test_confirming_what_is_no_new_lot_joins_it(desk):
    """The exact number joins its lot, confirmed or not."""
    first = desk("Q-71").get_json()
    assert first["lot_id"] == desk("Q-71", confirm_new_lot=True).get_json()["lot_id"]


def test_a_delivery_says_once_how_many_spools_came(desk):
    """A delivery with neither or both forms of spools is refused with the valid ones."""
    for more, pointer in (
        ({"spool_count": None, "net_mass_g": 1000, "spools": None}, "/spools"),
        ({"spool_count": 2, "spools": [{"net_mass_g": 1000}]}, "/spools"),
        ({"spool_count": 2}, "/net_mass_g"),
        ({"spools": [{"code": "A"}]}, "/spools/0/net_mass_g"),
    ):
        assert refused(desk(**more), 422, "invalid", [pointer])["errors"][0]["hint"]
    assert 0 == counts()["lot"]


def test_a_code_twice_or_taken_is_pointed_at(desk):
    """Each repeated or used code of a list is reported at its spool."""
    desk(spools=[{"code": "A", "net_mass_g": 1000}])
    before = counts()
    spools = [{"code": code, "net_mass_g": mass} for code, mass in (("B", 1000), ("A", 1000), ("B", 1000), ("C", 1.0))]
    refused(desk(spools=spools), 422, "invalid", ["/spools/1/code", "/spools/2/code", "/spools/3/net_mass_g"])
    assert before == counts()


def test_codes_instead_of_numbers_are_taken(desk, shop):
    """Codes are accepted in place of numbers, and a similar one is suggested."""
    by_code = {"supplier_id": None, "supplier_code": "QWT", "grade_id": None, "grade_code": "PLA-HW-175"}
    assert desk().get_json()["lot_id"] == desk(**by_code).get_json()["lot_id"]
    said = refused(desk(**{**by_code, "grade_code": "pla-hw-17"}), 422, "invalid", ["/grade_code"])
    assert "Did you mean PLA-HW-175?" == hints(said)
    refused(desk(supplier_id=None, grade_id=None), 422, "invalid", ["/supplier_id", "/grade_id"])


def test_the_sample_follows_the_limits_and_can_be_drawn_again(shop):
    """The sample has the size of the limits, at most the delivery, and a seed to repeat the draw."""
    from lots.domain.receiving.coverage import draw

    supplier = shop.supplier()
    strict = {**SIMPLE_LIMITS, "sampling": {"fixed": 5}}
    for limits, size in ((strict, 5), ({**SIMPLE_LIMITS, "sampling": {"fixed": 50}}, 12), (None, 3)):
        delivery = shop.receive(supplier, shop.grade(f"G{size}", limits=limits), spools=12)
        sample, drawn_from = delivery["sample"], [spool["code"] for spool in delivery["spools"]]
        assert size == sample["size"] == len(sample["spool_codes"])
        assert list(draw(drawn_from, size, sample["seed"], sample["rule"]).spool_codes) == sample["spool_codes"]


def test_a_released_lot_that_gets_more_spools_is_judged_anew(shop):
    """A second delivery to a released lot reassesses it in the same transaction."""
    limits = {**SIMPLE_LIMITS, "sampling": {"fixed": 3}}
    supplier, grade = shop.supplier(), shop.grade(limits=limits)
    delivery = shop.good_lot(supplier, grade, spools=1)
    more = shop.receive(supplier, grade, spools=2)
    assert "quarantined" == more["lot"]["standing"] == shop.lot(delivery["lot_id"])["standing"]
    actions = [decision["action"] for decision in shop.get("quality", f"/lots/{delivery['lot_id']}/decisions")["items"]]
    assert "received" == actions[0] == actions[-1]


def test_the_record_of_a_supplier_lists_its_newest_lots(desk, shop, monkeypatch):
    """The record of a supplier has a fixed number of newest lots, oldest first."""
    monkeypatch.setattr(inspection_severity, "LOTS_SHOWN", 2)
    numbers = [desk(f"Q-7{place}").get_json()["lot_id"] for place in range(3)]
    record = shop.get("quality", "/inspection-severity?supplier_id=1&grade_id=1")["record"]
    assert [(numbers[1], "Q-71"), (numbers[2], "Q-72")] == [(line["lot_id"], line["supplier_lot"]) for line in record]
    assert [(None, False)] * 2 == [(line["accepted"], line["resubmitted"]) for line in record]
