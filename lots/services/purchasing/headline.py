"""The headline of each supplier: acceptance, rank in closeness and steadiness, and bias, spread and drift as shares of the limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypedDict

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.registry import MEASURES, declared_of
from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import Limit
from lots.domain.drift.reported import signals_to_report
from lots.domain.drift.signals import Signal
from lots.domain.purchasing.by_use import AT_LEAST_ONE, for_words
from lots.domain.purchasing.supplier_comparison import Acceptance
from lots.domain.purchasing.supplier_groups import Order
from lots.domain.statistics.variance_components import Components
from lots.domain.words import counted, listed
from lots.services.drift import signals
from lots.services.drift.drift import Followed
from lots.services.drift.signals import LotPlace

# The most words in a sentence, and the most names of suppliers.
_WORDS, _NAMES = 25, 2
# The words for a better and a worse supplier by criterion.
_COMPARATIVES = {
    "closeness": ("nearer the reference", "further from the reference"),
    "steadiness": ("steadier", "less steady"),
}


class Drifting(TypedDict):
    """The drift of a measure, signed. `size` is per lot for a ramp, in total for a step. `departure` is the total change from `level`."""

    kind: str
    direction: str
    size: float
    level: float
    departure: float
    departure_share: float | None
    began: LotPlace
    says: str


class MeasureView(TypedDict):
    """The figures of one measure. Shares are fractions of the room inside its limit; None without a limit."""

    measure: str
    label: str
    unit: str
    decimals: int
    less: str
    more: str
    lots: int
    limit: float | list[float] | None
    limit_kind: str | None
    mean: float
    bias: float | None
    limit_used: float | None
    within_sd: float | None
    within_share: float | None
    between_sd: float | None
    between_share: float | None
    drift: Drifting | None


class Headline(TypedDict):
    """A supplier in one sentence or a few, and its figures."""

    says: str
    measures: list[MeasureView]


@dataclass(frozen=True, slots=True)
class Supply:
    """The data of one supplier for its headline.

    Args:
        accepted: its acceptance for the use.
        followed: its series of the grade; empty if several grades are compared.
        drifting: the series listed as drifting, including earlier lots.
        variances: by measure, of its longest segment.
    """

    accepted: Acceptance
    followed: Sequence[Followed]
    drifting: Sequence[Followed]
    variances: Mapping[str, Components]


@dataclass(frozen=True, slots=True)
class Subject:
    """The data that all headlines of one answer share.

    Args:
        use: the use for acceptance; None for at least one.
        agreed: the newest limits of the grade; None without limits, or if several grades are compared.
        names: of the suppliers, by number.
        orders: of the suppliers, by criterion.
    """

    use: str | None
    agreed: Limits | None
    names: Mapping[int, str]
    orders: Mapping[str, Order]

    def depends_on(self, measure: str) -> bool:
        """Returns whether the use, or any use without one, requires the characteristic of a measure."""
        if self.agreed is None:
            return self.use is None
        required = self.agreed.required()
        uses = required if self.use is None else {self.use: required.get(self.use, ())}
        return any(declared_of(measure).name in needs for needs in uses.values())


def headline(number: int, supply: Supply, of: Subject) -> Headline:
    """Returns a supplier's sentence, and the figures of each measure that the use requires.

    Args:
        number: of the supplier.
        supply: its data.
        of: the data of all headlines.
    """
    moved = {
        one.measure: (signal, one) for one in supply.drifting for signal in signals_to_report(one.analysis, one.limit)
    }
    rows = [
        _row(one, supply.variances[one.measure], moved.get(one.measure))
        for one in supply.followed
        if of.depends_on(one.measure) and one.measure in supply.variances
    ]
    parts = [_accepted(supply.accepted, of.use), *_ranks(number, of), *_drift(rows)]
    return {"says": _sentences(of.names[number], parts), "measures": rows}


def _row(one: Followed, variance: Components, moved: tuple[Signal, Followed] | None) -> MeasureView:
    """Returns the figures of one measure over its longest segment, with the drift of the latest segment."""
    about, limit, mean = MEASURES[one.measure], one.limit, variance.grand_mean
    within, between = (None if part is None else part**0.5 for part in (variance.within, variance.between))
    room = limit.room() if limit else None
    return {
        "measure": one.measure,
        "label": about.label,
        "unit": about.unit,
        "decimals": about.decimals,
        "less": about.less,
        "more": about.more,
        "lots": max(map(len, one.parts)),
        "limit": limit.as_json() if limit else None,
        "limit_kind": limit.kind if limit else None,
        "mean": mean,
        "bias": _bias(mean, limit, referred=about.referred),
        "limit_used": _used(mean, limit) if limit else None,
        "within_sd": within,
        "within_share": _share(within, room),
        "between_sd": between,
        "between_share": _share(between, room),
        "drift": _drifting(*moved, room) if moved else None,
    }


def _bias(mean: float, limit: Limit | None, *, referred: bool) -> float | None:
    """Returns the mean minus its target, which is the middle of two limits, or the reference; None for a one-sided limit."""
    if limit is None:
        return mean if referred else None
    return None if limit.low is None or limit.high is None else mean - (limit.low + limit.high) / 2


def _used(mean: float, limit: Limit) -> float | None:
    """Returns the share of the tolerance that a mean uses, 1 at a limit; signed for a two-sided limit."""
    room = limit.room()
    if not room:
        return None
    if limit.low is not None and limit.high is not None:
        return (mean - (limit.low + limit.high) / 2) / room
    return 1 - limit.margin(mean) / room


def _share(amount: float | None, room: float | None) -> float | None:
    return None if amount is None or not room else amount / room


def _drifting(moved: Signal, one: Followed, room: float | None) -> Drifting:
    about = MEASURES[one.measure]
    return {
        "kind": moved.kind,
        "direction": about.more if moved.side > 0 else about.less,
        "size": moved.size,
        "level": moved.level,
        "departure": moved.departure,
        "departure_share": _share(moved.departure, room),
        "began": signals.place_of(one.part, moved.began),
        "says": signals.moved(moved, one.part),
    }


def _accepted(seen: Acceptance, use: str | None) -> str:
    what = AT_LEAST_ONE if use is None else for_words(use)
    if not seen.inspected:
        return f"no lot inspected for {what} yet"
    return f"{seen.accepted} of {counted(seen.inspected, 'lot')} accepted for {what}"


def _ranks(number: int, of: Subject) -> Iterator[str]:
    """Yields how the supplier compares on closeness and steadiness, with one phrase for the same other suppliers."""
    said: dict[tuple[int, ...], list[str]] = {}
    for criterion, (better, worse) in _COMPARATIVES.items():
        pairs = of.orders[criterion].better
        for how, others in zip((better, worse), _others(number, pairs), strict=True):
            if others:
                said.setdefault(others, []).append(how)
    for others, words in said.items():
        yield f"{listed(words)} than {_named(others, of.names)}"


def _others(number: int, pairs: Sequence[tuple[int, int]]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Returns the suppliers that are worse than this one, and those that are better."""
    return tuple(bad for good, bad in pairs if good == number), tuple(good for good, bad in pairs if bad == number)


def _named(others: Sequence[int], names: Mapping[int, str]) -> str:
    if len(others) > _NAMES:
        return f"{len(others)} other suppliers"
    return listed([names[one] for one in others])


def _drift(rows: Sequence[MeasureView]) -> Iterator[str]:
    """Yields the drift with the largest share of its limit, and the number of others."""
    moving = [(row, drift) for row in rows if (drift := row["drift"]) and drift["kind"] != "single"]
    if not moving:
        return
    row, drift = max(moving, key=lambda one: abs(one[1]["departure_share"] or 0.0))
    unit = f" {row['unit']}" if row["unit"] else ""
    size = f"{shown(abs(drift['size']), row['decimals'])}{unit}"
    how = "per lot" if drift["kind"] == "ramp" else f"since lot {drift['began']['supplier_lot']}"
    yield f"{drift['direction']} by {size} {how}"
    if len(moving) > 1:
        yield f"{counted(len(moving) - 1, 'more measure')} drifting"


def _sentences(name: str, parts: Sequence[str]) -> str:
    """Returns the parts joined into few sentences of limited length, each beginning with the supplier."""
    said = [f"{name}: {parts[0]}"]
    for part in parts[1:]:
        longer = f"{said[-1]}, {part}"
        if len(longer.split()) <= _WORDS:
            said[-1] = longer
        else:
            said.append(f"{name}: {part}")
    return " ".join(f"{sentence}." for sentence in said)
