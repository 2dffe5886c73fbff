"""Suppliers' certificates: stored with a delivery and compared with the shop's own values. No lot is assessed by them."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.assessment.limits_revision import Limits, limit_on, limits_from
from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.registry import MEASURES
from lots.domain.colorimetry.color_values import Lab
from lots.domain.drift.lot_series import LotSeries, SeriesLot
from lots.domain.purchasing import certificates as rules
from lots.domain.purchasing.certificates import DELTA_E, Bias, Compared, Share, counting
from lots.domain.words import counted, listed, moment, plural
from lots.services import clock
from lots.services.errors import Fault, Invalid, NotFound
from lots.services.lookups import found
from lots.services.receiving import deliveries
from lots.services.views import View, recorded
from lots.store import audit
from lots.store.drift import lot_series
from lots.store.engine.database import transaction
from lots.store.purchasing import certificates as store
from lots.store.receiving.deliveries import current
from lots.store.setup import catalog
from lots.store.tables.deliveries import Certificate, CertifiedValue
from lots.store.tables.models import Grade, ShadeRevision

CONFIDENCE = 0.95
# The most measures named in a sentence. Further ones are only counted.
_NAMED = 4
NO_EVIDENCE = "Values of a certificate are no evidence for the lot. Its status does not depend on them."


class CertificateBody(TypedDict):
    """The request to store a certificate."""

    values: list[CertifiedValue]
    reference: NotRequired[str | None]
    issued_at: NotRequired[datetime | None]
    note: NotRequired[str | None]


def keep(number: int, body: CertificateBody, by: str) -> View:
    """Stores a certificate of a delivery and returns it. Its values supersede earlier values of the same measures. Earlier certificates are kept.

    Raises:
        NotFound: no such delivery.
        Conflict: the delivery is closed.
        Invalid: a measure is unknown or stated twice, a value is not plausible, or the date is in the future.
    """
    now = clock.now()
    with transaction():
        row, lot = deliveries.open_delivery(number)
        faults = clock.doubt_future("/issued_at", body.get("issued_at"), now)
        faults += _doubts(body["values"], lot.grade)
        if faults:
            raise Invalid(*faults)
        stated: store.Stated = {
            "reference": body.get("reference"),
            "issued_at": body.get("issued_at"),
            "values": [_kept(one) for one in body["values"]],
            "note": body.get("note"),
        }
        made = store.add(row, stated, by, now)
        audit.note(lot.id, "certificate kept", by, now, {"certificate": [made]})
        return of_delivery(number)


def _kept(one: CertifiedValue) -> CertifiedValue:
    kept: CertifiedValue = {"measure": one["measure"], "value": one["value"]}
    if (u := one.get("standard_uncertainty")) is not None:
        kept["standard_uncertainty"] = u
    return kept


def _doubts(values: Sequence[CertifiedValue], grade: Grade) -> list[Fault]:
    row = catalog.current_limits(grade.id)
    limits, nominal = limits_from(row.body) if row else None, grade.nominal_diameter_mm
    known: list[str] = []
    faults = []
    on = {name: limit_on(name, limits, nominal) for name in MEASURES}
    for place, one in enumerate(values):
        doubt = rules.doubt_stated(one["measure"], one["value"], nominal, on, known)
        if doubt is not None:
            faults.append(Fault(f"/values/{place}/{doubt.member}", doubt.detail, doubt.hint))
        known.append(one["measure"])
    return faults


def of_delivery(number: int) -> View:
    """Returns the newest certificate of a delivery with the valid values, and earlier ones, the newest first. Two queries.

    The newest value of each measure is valid. `values` names the certificate of each value.

    Raises:
        NotFound: no such delivery, or it has no certificate.
    """
    delivery = deliveries.find(number)
    rows = store.of_delivery(number)
    if not rows:
        raise NotFound(f"Delivery {number} has no certificate. Enter its certificate first.")
    values = [
        {**_value(one), "certificate_id": row.id} for row, one in _valid_values(rows) if one["measure"] in MEASURES
    ]
    return {
        **_view(rows[0]),
        "values": values,
        "delivery_id": number,
        "lot_id": delivery.lot_id,
        "supplier_lot": delivery.lot.supplier_lot,
        "supplier_id": delivery.lot.supplier_id,
        "grade_id": delivery.lot.grade_id,
        "earlier": [_view(row) for row in rows[1:]],
        "says": f"{_still_valid_words(values, rows[0].id)}{NO_EVIDENCE}",
    }


def _valid_values(rows: Sequence[Certificate]) -> list[tuple[Certificate, CertifiedValue]]:
    """Returns the valid values of a delivery, each with its certificate; `rows` are its certificates, the newest first."""
    found = counting([[one["measure"] for one in row.values] for row in rows])
    return [(row, one) for place, row in enumerate(rows) for one in row.values if found.get(one["measure"]) == place]


def _still_valid_words(values: Sequence[View], newest: int) -> str:
    """Returns in words which values of earlier certificates are still valid; empty if none are."""
    labels = [_within_a_sentence(str(one["label"])) for one in values if one["certificate_id"] != newest]
    if not labels:
        return ""
    further = len(labels) - _NAMED
    named = [*labels[:_NAMED], *([counted(further, "further measure")] if further > 0 else [])]
    values_of = plural(len(labels), "The value of an earlier certificate is", "Earlier certificates are")
    return f"{values_of} still valid for {listed(named)}. "


def _view(row: Certificate) -> View:
    fields = {name: getattr(row, name) for name in ("id", "reference", "issued_at", "note")}
    return {**fields, "values": [_value(one) for one in row.values if one["measure"] in MEASURES], **recorded(row)}


def _value(one: CertifiedValue) -> View:
    about = MEASURES[one["measure"]]
    return {
        "measure": about.code,
        "label": about.label,
        "unit": about.unit,
        "value": one["value"],
        "standard_uncertainty": one.get("standard_uncertainty"),
    }


def compared(supplier_id: int, grade_id: int, since: datetime | None = None, until: datetime | None = None) -> View:
    """Returns the comparison of a supplier's certificates with the shop's own values, by measure. Six queries for any number of lots.

    Args:
        since: first time of receipt; None for no limit.
        until: last time of receipt; None for no limit.

    Raises:
        NotFound: no such supplier or grade.
        Invalid: the end is before the beginning.
    """
    supplier, grade = found("supplier", supplier_id), found("grade", grade_id)
    if since is not None and until is not None and until < since:
        raise Invalid(
            Fault(
                "/to",
                f"The end, {moment(until)}, is before the beginning, {moment(since)}.",
                "Give a later end or an earlier beginning.",
            )
        )
    lots = lot_series.lots_of(supplier_id=supplier.id, grade_id=grade.id, since=since, until=until)
    stated = _by_lot(store.of_lots(supplier.id, grade.id, since, until))
    beside = _CertifiedLots(grade, lots, stated)
    measures = [_measure(name, of) for name in MEASURES if (of := beside.pairs(name))]
    return {
        "supplier_id": supplier.id,
        "supplier": supplier.name,
        "grade_id": grade.id,
        "grade": grade.code,
        "from": since,
        "to": until,
        "confidence": CONFIDENCE,
        "lots": len(stated),
        "measures": measures,
        "says": _says(f"{supplier.name}, {grade.code}", len(stated), measures),
    }


def _by_lot(rows: Sequence[Certificate]) -> dict[int, dict[str, float]]:
    """Returns the certified values of each lot, as means over its deliveries without closed ones.

    `rows` are all certificates, the newest first.
    """
    by_delivery: defaultdict[int, list[Certificate]] = defaultdict(list)
    for row in rows:
        if current(row.delivery).closed is None:
            by_delivery[row.delivery_id].append(row)
    said: defaultdict[int, defaultdict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for kept in by_delivery.values():
        for row, one in _valid_values(kept):
            said[row.delivery.lot_id][one["measure"]].append(one["value"])
    return {lot: {name: math.fsum(some) / len(some) for name, some in by.items()} for lot, by in said.items()}


class _CertifiedLots:
    """Lots with the values on their certificates."""

    def __init__(self, grade: Grade, lots: LotSeries, stated: Mapping[int, Mapping[str, float]]) -> None:
        """Reads the limits and references of these lots. Two queries, one without a shade."""
        self.nominal_mm, self.lots = grade.nominal_diameter_mm, lots
        self.limits = {number: limits_from(row.body) for number, row in store.limits_of(grade.id).items()}
        self.references = store.references_of(grade.shade_id) if grade.shade_id else {}
        rows = {row.id: row for row in lots.rows}
        self.stated = {number: self._whole(rows[number], said) for number, said in stated.items() if number in rows}

    def _whole(self, row: SeriesLot, said: Mapping[str, float]) -> dict[str, float]:
        """Returns the certified values of a lot. The colour difference is computed if only coordinates are stated."""
        reference = self.references.get(row.reference or 0)
        if DELTA_E in said or reference is None or not all(name in said for name in VECTOR):
            return dict(said)
        limits = self._limits(row)
        away = _colour_difference(reference, [said[name] for name in VECTOR], limits.color if limits else None)
        return {**said, **({} if away is None else {DELTA_E: away})}

    def _limits(self, row: SeriesLot) -> Limits | None:
        return self.limits.get(row.limits or 0)

    def pairs(self, measure: str) -> list[tuple[SeriesLot, Compared]]:
        """Returns the lots with both a certified value and a value of the shop, oldest first."""
        column, codes = self.lots.columns.get(measure), set(rules.codes_of(measure))
        places: Iterator[tuple[int, float]] = iter(())
        if column is not None:
            places = zip(column.at.tolist(), column.figures[:, 0].tolist(), strict=True)
        found_ = []
        for place, shop in places:
            row = self.lots.rows[place]
            value = self.stated.get(row.id, {}).get(measure)
            if value is not None:
                limit = limit_on(measure, self._limits(row), self.nominal_mm)
                found_.append((row, Compared(row.id, value, shop, limit, bool(codes & set(row.failed)))))
        return found_


def _colour_difference(reference: ShadeRevision, apart: Sequence[float], limits: ColorLimits | None) -> float | None:
    """Returns the colour difference of a stated colour from the reference; None if the coordinates are not valid."""
    approved = Lab(*reference.lab)
    try:
        stated = Lab(*(own + d for own, d in zip(reference.lab, apart, strict=True)))
    except ValueError:
        return None
    return (limits or ColorLimits()).delta_e(approved, stated)


def _measure(name: str, pairs: Sequence[tuple[SeriesLot, Compared]]) -> View:
    about, lots = MEASURES[name], [one for _, one in pairs]
    seen = rules.bias([one.difference for one in lots], CONFIDENCE)
    judged = rules.judgements(name, lots, CONFIDENCE)
    if seen is None:
        raise ValueError(f"no lot has both values of {name}")
    low, high = seen.agreement or (None, None)
    return {
        "measure": name,
        "label": about.label,
        "unit": about.unit,
        "lots": seen.n,
        "bias": seen.mean,
        "low": seen.interval and seen.interval.low,
        "high": seen.interval and seen.interval.high,
        "standard_error": seen.standard_error,
        "sd": seen.sd,
        "agreement_low": low,
        "agreement_high": high,
        "significant": seen.significant,
        "let_pass": _share(judged.let_pass),
        "held_back": _share(judged.held_back),
        "points": [_point(row, one) for row, one in pairs],
        "says": _bias_says(seen, about.unit, about.decimals),
        "judged_says": _judged_says(judged),
    }


def _point(row: SeriesLot, one: Compared) -> View:
    return {
        "lot_id": row.id,
        "supplier_lot": row.supplier_lot,
        "received_at": row.received_at,
        "certificate": one.certificate,
        "shop": one.shop,
        "difference": one.difference,
    }


def _share(seen: Share) -> View:
    ends = seen.interval
    return {"count": seen.count, "of": seen.of, "low": ends and ends.low, "high": ends and ends.high}


def _bias_says(seen: Bias, unit: str, digits: int) -> str:
    """Returns the difference between certificates and the shop's readings, in a sentence."""
    unit, lots = f" {unit}" if unit else "", counted(seen.n, "lot")
    way = "less" if seen.mean < 0 else "more"
    size = f"{_written(abs(seen.mean), digits)}{unit}"
    if seen.interval is None:
        why = "too few for an interval" if seen.n < rules.FEWEST else "all differences are equal"
        return f"The certificates state {size} {way} than our readings ({lots}, {why})."
    ends = (seen.interval.low, seen.interval.high)
    if seen.significant:
        low, high = sorted(abs(end) for end in ends)
        within = f"95 % interval {_written(low, digits)} to {_written(high, digits)}{unit}"
        return f"The certificates state {size} {way} than our readings ({within}, {lots})."
    within = f"95 % interval {_written(ends[0], digits)} to {_written(ends[1], digits)}{unit}"
    mean = f"mean difference {_written(seen.mean, digits)}{unit}"
    return f"The certificates and our readings do not differ significantly ({mean}, {within}, {lots})."


def _judged_says(judged: rules.Judgements) -> str:
    """Returns the lots that certificates would wrongly accept, and those they would wrongly reject, in sentences."""
    passed, held = judged.let_pass, judged.held_back
    if not passed.of and not held.of:
        return "Our limits do not cover this measure."
    told = []
    if passed.interval:
        lots = counted(passed.of, "lot")
        told.append(f"We found {lots} outside the limit. By certificate, {_of(passed)} within it ({_percent(passed)}).")
    else:
        told.append("We found no lot outside the limit.")
    if held.interval:
        lot = "other lot" if passed.of else "lot"
        told.append(f"By certificate, {_outside(held, lot)} outside the limit ({_percent(held)}).")
    return " ".join(told)


def _of(seen: Share) -> str:
    return f"{counted(seen.count, 'lot')} {plural(seen.count, 'is', 'are')}" if seen.count else "no lot is"


def _outside(seen: Share, lot: str) -> str:
    if seen.of == 1:
        return f"the {lot} is" if seen.count else f"the {lot} is not"
    return f"{seen.count or 'none'} of {counted(seen.of, lot)} {plural(seen.count or 1, 'is', 'are')}"


def _percent(seen: Share) -> str:
    if seen.interval is None:
        return ""
    return f"95 % interval {100 * seen.interval.low:.0f} to {100 * seen.interval.high:.0f} %"


def _written(value: float, digits: int) -> str:
    return f"{round(value, digits) + 0.0:.{digits}f}"


def _says(who: str, lots: int, measures: Sequence[View]) -> str:
    if not lots:
        return f"{who}: these lots have no certificate."
    if not measures:
        return (
            f"{who}: {counted(lots, 'lot has', 'lots have')} a certificate, but without a value that we also measured."
        )
    differing = [_within_a_sentence(str(one["label"])) for one in measures if one["significant"]]
    if not differing:
        return f"{who}: no measure on the certificates differs significantly from our readings."
    return f"{who}: the certificates differ significantly from our readings in {listed(differing)}."


def _within_a_sentence(label: str) -> str:
    return label[:1].lower() + label[1:]
