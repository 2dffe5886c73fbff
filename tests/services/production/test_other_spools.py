"""Steps of a refused clearance: equal for 200 and 2,000 lots in stock, by count."""

from __future__ import annotations

from datetime import timedelta

import pytest

from lots.services.production import clearance
from lots.store.engine.compiled_queries import Prepared, insert
from lots.store.tables.models import Delivery, Lot, Spool
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


def fill(stock):
    """Copies of lot 1, its delivery and one spool, each a minute younger and slightly yellower, up to so many lots."""
    with connected():
        lot, delivery, spool = (model.select().where(model.id == 1).get() for model in (Lot, Delivery, Spool))
        start = Lot.select().count()
        copies = {"supplier_lot": "{}", "code": "C-{}", "identity": None, "likeness": None}
        for first in range(start, stock, 100):
            made = {}
            for model, row in ((Lot, lot), (Delivery, delivery), (Spool, spool)):
                rows = []
                for place, n in enumerate(range(first, min(first + 100, stock))):
                    values = {
                        field.name: getattr(row, field.object_id_name if hasattr(field, "rel_model") else field.name)
                        for field in model._meta.sorted_fields
                        if field.name != "id"
                    }
                    values |= {name: text and text.format(n) for name, text in copies.items() if name in values}
                    if model is Lot:
                        values["received_at"] = lot.received_at + timedelta(minutes=n)
                        values["lab"] = [lot.lab[0], lot.lab[1], lot.lab[2] + n * 1e-4]
                    if model in (Delivery, Spool):
                        values["lot"] = made[Lot][place]
                    if model is Spool:
                        values["delivery"] = made[Delivery][place]
                    rows.append(values)
                made[model] = insert(model, rows)


@pytest.fixture
def steps(monkeypatch, shop):
    """Requests a clearance; returns the assessed lots and spools, the rows read and the offer."""

    def asked(spool, **more):
        seen = {"judged": 0, "rows": 0}
        judge, read = clearance.clear, Prepared.all

        def judging(*given, **named):
            seen["judged"] += 1
            return judge(*given, **named)

        def reading(self, **values):
            found = read(self, **values)
            seen["rows"] += len(found)
            return found

        with monkeypatch.context() as patched:
            patched.setattr(clearance, "clear", judging)
            patched.setattr(Prepared, "all", reading)
            answer = shop.ask_clearance(spool, "cosmetic", **more)
        assert not answer["clear"]
        return seen, [other["spool_code"] for other in answer["others"]]

    return asked


@pytest.mark.parametrize("job", [{}, {"job": "J-1"}])
def test_a_refusal_takes_the_same_steps_for_200_lots_in_stock_and_for_2000(shop, steps, job):
    """The offer, the oldest lots and in a job the closest, needs the same work for ten times the stock."""
    grade = shop.grade(limits=SIMPLE_LIMITS)
    supplier = shop.supplier()
    shop.good_lot(supplier, grade, "FIRST", spools=2)
    running = shop.good_lot(supplier, grade, "RUNNING", spools=1)["spools"][0]["code"]
    refused = shop.good_lot(supplier, grade, "REFUSED", spools=1)
    shop.decide(refused["lot_id"], "block")
    shop.load(running, job="J-1")
    spool = refused["spools"][0]["code"]
    # Two lots more: one is blocked, and of one the only spool runs.
    fill(202)
    few = steps(spool, **job)
    fill(2_002)
    many = steps(spool, **job)
    assert 3 == len(few[1])
    assert few == many
    assert few[0]["judged"] <= 12
    assert few[0]["rows"] <= 240
