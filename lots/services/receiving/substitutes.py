"""The current sample of a lot: all draws, and quality's substitutes for drawn spools that cannot be measured."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from operator import attrgetter

from lots.domain.conformity import rule_versions
from lots.domain.receiving.coverage import named
from lots.services import clock, views
from lots.services.assessment.counting import OnRecord
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import after
from lots.services.assessment.lot_assessment import Terms, drawn_of
from lots.services.errors import Fault, Invalid, NotFound
from lots.services.lookups import lot_of
from lots.services.receiving.bodies import NewSubstitute
from lots.services.views import View
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.receiving import deliveries as store
from lots.store.receiving import samples
from lots.store.setup import spool_codes
from lots.store.tables.models import Delivery, Lot, Spool


def sample_of(lot_id: int) -> View:
    """Returns the sample of a lot.

    Raises:
        NotFound: no such lot.
    """
    return sample_now(lot_of(lot_id))


def sample_now(lot: Lot) -> View:
    """Returns the current sample of a lot by delivery: spools drawn, not yet measured, and not drawn.

    Six queries at most.
    """
    return sample_on(OnRecord(lot), lots.spools_of(lot))


def sample_on(record: OnRecord, spools: Iterable[Spool]) -> View:
    """Returns the same for a lot on record whose spools are known.

    One query fewer where all its readings are loaded.
    """
    lot = record.lot
    measured = (
        samples.measured(lot.id) if record.every is None else {r.spool.code for r in record.every if r.void is None}
    )
    drawable = _drawable(spools)
    deliveries = []
    for one in record.deliveries:
        number = one.logged.id
        changes = record.samples[number]
        drawn = [code for group in drawn_of(one.now.sample, changes) for code in group]
        gone = {replaced.drawn.code for replaced in changes.substitutes}
        deliveries.append(
            {
                "delivery_id": number,
                "received_at": one.now.received_at,
                "sample": one.now.sample,
                **views.sample_changes(changes),
                "drawn": drawn,
                "not_measured": [code for code in drawn if code not in measured],
                "not_drawn": [code for code in drawable.get(number, ()) if code not in {*drawn, *gone}],
            }
        )
    only_drawn = not lot.measured or Terms.of(lot).rules != rule_versions.FIRST
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "only_drawn": only_drawn,
        "deliveries": deliveries,
    }


def _drawable(spools: Iterable[Spool]) -> dict[int, list[str]]:
    """Returns the codes of the spools that can be drawn, by delivery. Withdrawn and respooled ones cannot."""
    found: dict[int, list[str]] = {}
    for spool in sorted(spools, key=attrgetter("id")):
        if not spool.spliced and spool.withdrawn_at is None:
            found.setdefault(spool.delivery_id, []).append(spool.code)
    return found


def substitute(delivery_id: int, values: NewSubstitute, by: str) -> View:
    """Replaces a drawn spool that cannot be measured by another of its delivery, and assesses the lot again.

    Raises:
        NotFound: no such delivery.
        Invalid: the spool was not drawn or has readings, or the substitute is drawn itself or is of another delivery.
    """
    now = clock.now()
    with transaction():
        delivery = samples.delivery(delivery_id)
        if delivery is None:
            raise NotFound(f"Delivery {delivery_id} does not exist. See the list of deliveries.")
        lot = lots.lock([delivery.lot_id])[delivery.lot_id]
        changes = samples.changes_of([delivery.id])[delivery.id]
        sample = [code for group in drawn_of(store.current(delivery).sample, changes) for code in group]
        known = spool_codes.spools_by_code([values["drawn"], values["substitute"]])
        spools = {row.code: row for row in known.values()}
        drawn, instead = (
            known[code].code if code in known else code for code in (values["drawn"], values["substitute"])
        )
        faults = _drawn_faults(drawn, spools, delivery, changes, sample)
        faults += _substitute_faults(instead, spools, delivery, changes, sample)
        if faults:
            raise Invalid(*faults)
        pair = (spools[drawn], spools[instead])
        added = samples.add_substitute(delivery.id, *pair, values["reason"], by, now)
        wrote = {"sample_substitute": [added.id]}
        judged, _ = judge_lot(lot, by, now, what="sample spool replaced", wrote=wrote)
        told = views.delivery(delivery, samples.changes_of([delivery.id])[delivery.id])
        return {**told, "lot": after(lot, judged)}


def _drawn_faults(
    code: str, spools: Mapping[str, Spool], delivery: Delivery, changes: samples.Changes, sample: Sequence[str]
) -> list[Fault]:
    """Returns the faults of the spool to replace. Replacing a measured spool would discard its result."""
    instead = next((row.substitute.code for row in changes.substitutes if row.drawn.code == code), None)
    if instead is not None:
        return [Fault("/drawn", f"Spool {code} was replaced by {instead}.", f"Replace {instead} if it is damaged too.")]
    if code not in sample:
        detail = f"Spool {code} is not in the sample of delivery {delivery.id}."
        return [Fault("/drawn", detail, f"Give the code of a drawn spool: {named(sample)}.")]
    if code in samples.measured(delivery.lot_id):
        hint = "Keep it in the sample, or void its readings first if they are of another spool."
        return [Fault("/drawn", f"Spool {code} was measured. Only a spool without readings can be replaced.", hint)]
    return []


def _substitute_faults(
    code: str, spools: Mapping[str, Spool], delivery: Delivery, changes: samples.Changes, sample: Sequence[str]
) -> list[Fault]:
    spool = spools.get(code)
    free = samples.drawable([delivery.id])[delivery.id]
    gone = {row.drawn.code for row in changes.substitutes}
    hint = "Give the code of a spool of this delivery that was not drawn."
    if spool is None or code not in free:
        return [Fault("/substitute", f"Spool {code} did not come with delivery {delivery.id}.", hint)]
    if code in sample:
        return [Fault("/substitute", f"Spool {code} is in the sample.", hint)]
    if code in gone:
        return [Fault("/substitute", f"Spool {code} was replaced in the sample.", hint)]
    return []


def lot_and_sample(record: OnRecord) -> tuple[View, View]:
    """Returns a lot with its spools, and its sample."""
    lot, spools = record.lot, lots.spools_of(record.lot)
    shown = {**views.lot(lot), "spools": [views.spool_line(one, lot) for one in spools]}
    return shown, sample_on(record, spools)
