"""How many spools to open, which ones, and whether those asked for have been measured."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from lots.domain.receiving.sampling_plans import Plan, plan_for
from lots.domain.words import plural

# What a lot waits for whose every delivery was closed: it can never be released, and belongs to no series.
CLOSED_LOT = "log the filament anew, as every delivery of this lot is closed"
# Where no limits say otherwise. Common practice, no source: three colour plaques for deliveries of up to 24 spools.
DEFAULT_FIXED = 3


@dataclass(frozen=True, slots=True)
class Sample:
    """Spools drawn from a delivery, and how: anyone can draw the same ones again from `seed`."""

    size: int
    spool_codes: tuple[str, ...]
    seed: int
    rule: str
    says: str


def draw(spool_codes: Sequence[str], size: int, seed: int, rule: str) -> Sample:
    """Returns `size` spools drawn at random from a delivery, all of them when there are fewer.

    Each code is given the SHA-256 of "seed:code" and the lowest are taken. Every spool is as likely as another, the order in
    which they were typed does not matter, and the draw can be repeated with nothing but a hash function.

    Args:
        spool_codes: at least one code, all different.
        size: spools wanted, >= 1.
        seed: a random number from outside, recorded with the draw.
        rule: the rule that asked for this size.

    Raises:
        ValueError: no spools, or a size below 1.
    """
    if not spool_codes or size < 1:
        raise ValueError("a draw needs at least one spool and a size of at least one")
    return _sample(in_draw_order(spool_codes, seed)[:size], len(spool_codes), seed, rule)


def redraw(
    drawn: Sequence[str], spool_codes: Sequence[str], size: int, seed: int, rule: str, measured: Collection[str] = ()
) -> Sample:
    """Returns the sample of a delivery whose spools were counted wrongly at first, as close to the first draw as it can be.

    Spools that were drawn and came stay drawn. The next in the order of the seed join them where more are asked for. Where fewer are,
    the last in that order leave, those that were measured after the others. So nobody can draw again until an easier spool comes.

    Args:
        drawn: codes that were drawn before.
        spool_codes: codes of the spools that came, at least one, all different.
        size, seed, rule: as for `draw`, of which `seed` is that of the first draw.
        measured: codes of spools that were measured already.

    Raises:
        ValueError: no spools, or a size below 1.

    Example:
        >>> first = draw(["A", "B", "C", "D"], 2, 7, "fixed: 2")
        >>> redraw(first.spool_codes, ["A", "B", "C", "D", "E"], 2, 7, "fixed: 2").spool_codes == first.spool_codes
        True
    """
    if not spool_codes or size < 1:
        raise ValueError("a draw needs at least one spool and a size of at least one")
    order = in_draw_order(spool_codes, seed)
    before, begun = set(drawn), set(measured)
    # Sorting keeps the order of the seed among equals.
    order.sort(key=lambda code: (code not in before, code in before and code not in begun))
    return _sample(order[:size], len(spool_codes), seed, rule)


def _sample(chosen: Sequence[str], count: int, seed: int, rule: str) -> Sample:
    drawn = tuple(sorted(chosen))
    if len(drawn) == count:
        says = f"Measure {plural(count, 'the spool', f'all {count} spools')}."
    else:
        says = f"Measure {len(drawn)} of the {count} spools, drawn at random: {', '.join(drawn)}. Do not swap them for easier ones."
    return Sample(len(drawn), drawn, seed, rule, says)


def in_draw_order(spool_codes: Iterable[str], seed: int) -> list[str]:
    """Returns spool codes in the order in which a seed draws them."""
    return sorted(spool_codes, key=lambda code: hashlib.sha256(f"{seed}:{code}".encode()).digest())


def draw_more(spool_codes: Iterable[str], more: int, seed: int, but: Iterable[str]) -> tuple[str, ...]:
    """Returns the next spools in a delivery's order, fewer where fewer are left.

    Args:
        spool_codes: all codes of the delivery that can be drawn.
        more: spools wanted, >= 0.
        seed: of the first draw.
        but: codes that are left out, such as those drawn before.

    Example:
        >>> first = draw(["A", "B", "C", "D", "E"], 3, 7, "fixed: 3")
        >>> set(draw_more("ABCDE", 9, 7, first.spool_codes)) == set("ABCDE") - set(first.spool_codes)
        True
    """
    left_out = set(but)
    return tuple(code for code in in_draw_order(spool_codes, seed) if code not in left_out)[:more]


def standing_in(code: str, substitutes: Mapping[str, str]) -> str:
    """Returns the spool that is measured for a drawn one: the spool itself, or the last in its line of substitutes.

    Example:
        >>> standing_in("A", {"A": "D", "D": "F"}), standing_in("B", {"A": "D"})
        ('F', 'B')
    """
    seen = {code}
    while (after := substitutes.get(code)) is not None and after not in seen:
        seen.add(after)
        code = after
    return code


@dataclass(frozen=True, slots=True)
class Sampling:
    """What limits ask of sampling.

    Args:
        fixed: this many spools of each delivery; None when a plan says how many, or nothing does.
        level, aql: inspection level and acceptance quality limit (percent nonconforming) of a MIL-STD-105E plan; None without a plan.
        reduced_allowed: True when quality lets a good record lead to reduced inspection.
        retest_rounds_max: extra rounds of readings after which quality must decide; None for no cap.
    """

    fixed: int | None = None
    level: str | None = None
    aql: float | None = None
    reduced_allowed: bool = False
    retest_rounds_max: int | None = None

    def plan(self, spools: int, severity: str) -> Plan | None:
        """Returns the plan for so many spools at a severity, or None when no plan is asked for."""
        if self.level is None or self.aql is None:
            return None
        # A discontinued supplier's lots are not accepted; what is looked at all the same is looked at tightened.
        return plan_for(spools, self.level, self.aql, "tightened" if severity == "discontinued" else severity)

    def size(self, spools: int, severity: str) -> tuple[int, str]:
        """Returns how many of `spools` (>= 1) to measure, and the rule that says so.

        Example:
            >>> Sampling(fixed=3).size(24, "normal")
            (3, 'fixed: 3 per delivery')
        """
        plan = self.plan(spools, severity)
        if plan is not None:
            return plan.size, f"MIL-STD-105E, level {self.level}, AQL {self.aql:g}, {severity}: {plan.says}"
        if self.fixed is None:
            return min(
                DEFAULT_FIXED, spools
            ), f"suggested: {DEFAULT_FIXED} (common practice), as no limits say how many"
        return min(self.fixed, spools), f"fixed: {self.fixed} per delivery"

    def required(self, spools: int, severity: str) -> int:
        """Returns how many of `spools` must be measured before a verdict: at least one, more only where limits ask for it."""
        if self.fixed is None and self.level is None:
            return 1
        return self.size(spools, severity)[0]


@dataclass(frozen=True, slots=True)
class Presented:
    """Spools presented for inspection together: one delivery of a lot.

    Args:
        spools: how many there are.
        required: how many of them must be measured, >= 1.
        drawn: codes of the first sample, with a substitute in the place of the spool it replaces; none when nobody drew.
        codes: codes of its spools among those that were measured; None when every measured spool is one of them.
        plan: the attributes plan it is inspected under, None without one.
        discontinued: True when it came while inspection of its supplier was discontinued.
        further: codes of each further draw, in the order they were made.
        only_drawn: True when only drawn spools complete the sample (rules from version 2 on).
        delivery: its number, to store a further draw with.
        replaced: how many drawn spools have a substitute; they are not drawn again.
    """

    spools: int
    required: int
    drawn: tuple[str, ...] = ()
    codes: frozenset[str] | None = None
    plan: Plan | None = None
    discontinued: bool = False
    further: tuple[tuple[str, ...], ...] = ()
    only_drawn: bool = False
    delivery: int = 0
    replaced: int = 0

    @property
    def sample(self) -> tuple[str, ...]:
        """Codes of all spools drawn so far."""
        return (*self.drawn, *(code for group in self.further for code in group))

    @property
    def undrawn(self) -> int:
        """How many of its spools were not drawn; none when nobody drew, since every spool counts then."""
        return max(0, self.spools - len(self.sample) - self.replaced) if self.sample else 0

    def holds(self, code: str) -> bool:
        """True when a measured spool is one of these."""
        return self.codes is None or code in self.codes

    def still_required(self, measured: Iterable[str]) -> int:
        """Returns how many more of its spools must be measured."""
        mine = [code for code in measured if self.holds(code)]
        if self.only_drawn and self.sample:
            base = set(self._base())
            mine = [code for code in mine if code in base]
        return max(0, self.required - len(mine))

    def still_drawn(self, measured: Iterable[str]) -> list[str]:
        """Returns the drawn spools that are still wanted for the sample."""
        seen = set(measured)
        if not self.still_required(seen):
            return []
        return [code for code in (self._base() if self.only_drawn else self.drawn) if code not in seen]

    def unfinished(self, measured: Iterable[str]) -> list[str]:
        """Returns what is left of each further draw that was begun: one good spool of six must not hide the other five."""
        seen = set(measured)
        begun = [group for group in self._beyond() if seen & set(group)]
        return [code for group in begun for code in group if code not in seen]

    def _base(self) -> tuple[str, ...]:
        """The first sample, with as many further draws as are needed to make up the number required."""
        base = self.drawn
        for group in self.further:
            if len(base) >= self.required:
                break
            base = (*base, *group)
        return base

    def _beyond(self) -> list[tuple[str, ...]]:
        """The further draws that the number required does not need: those made to settle a finding."""
        base = set(self._base())
        return [group for group in self.further if not set(group) <= base]


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many spools of a lot must be measured, delivery by delivery: what travelled apart is looked at apart."""

    presented: tuple[Presented, ...]

    @classmethod
    def of(cls, spools: int, required: int, drawn: tuple[str, ...] = ()) -> Coverage:
        """The coverage of a lot that came in one delivery."""
        return cls((Presented(spools, required, drawn),))

    @property
    def closed(self) -> bool:
        """True when every delivery of the lot was closed: nothing of it is there to be judged."""
        return not self.presented

    @property
    def spools_in_lot(self) -> int:
        """Spools received so far, over all deliveries."""
        return sum(part.spools for part in self.presented)

    @property
    def spools_required(self) -> int:
        """Spools that must be measured, over all deliveries."""
        return sum(part.required for part in self.presented)

    @property
    def drawn(self) -> tuple[str, ...]:
        """Codes of the spools drawn, over all deliveries and draws."""
        return tuple(code for part in self.presented for code in part.sample)

    def of_drawn(self) -> Coverage:
        """Returns the same coverage, which only drawn spools complete."""
        return Coverage(tuple(replace(part, only_drawn=True) for part in self.presented))

    def is_drawn(self, code: str) -> bool:
        """True when a measured spool was drawn, or is of a delivery from which nobody drew."""
        return any(part.holds(code) and (not part.sample or code in part.sample) for part in self.presented)

    def outstanding(self, measured: Iterable[str]) -> list[str]:
        """Returns every drawn spool that was not measured yet, in the order of the draws."""
        seen = set(measured)
        return [code for code in self.drawn if code not in seen]

    def unfinished(self, measured: Iterable[str]) -> list[str]:
        """Returns what is left of the further draws that were begun."""
        return [code for part in self.presented for code in part.unfinished(measured)]

    def lacking(self, counts: Mapping[str, int], each_min: int, what: str) -> str:
        """Returns what is still to be measured, in words; "" when the evidence is complete.

        A spool that was begun must be finished: measuring half a spool and moving on hides the other half.

        Args:
            counts: readings that count, per spool.
            each_min: readings needed on each spool, >= 1.
            what: the characteristic, for the sentence.
        """
        parts = [
            f"{each_min - n} more {what} {plural(each_min - n, 'reading')} on spool {spool}"
            for spool, n in sorted(counts.items())
            if n < each_min
        ]
        more = sum(part.still_required(counts) for part in self.presented)
        if more > 0:
            spools = f"{more} {'more ' if counts else ''}{plural(more, 'spool')}"
            each = f"{each_min} {plural(each_min, 'reading')}{' each' if more > 1 else ''}"
            parts.append(f"{what} on {spools}{self.not_yet(counts)}, {each}")
        return "; ".join(parts)

    def not_yet(self, measured: Iterable[str]) -> str:
        """Names the drawn spools that are still wanted, in brackets, or nothing."""
        seen = set(measured)
        left = [code for part in self.presented for code in part.still_drawn(seen)]
        return f" ({named(left)})" if left else ""


def named(codes: Sequence[str]) -> str:
    """Returns spool codes as a list in words, the first ten where there are more.

    Example:
        >>> named(["A", "B"])
        'A, B'
    """
    return ", ".join(codes[:10]) + (f" and {len(codes) - 10} others" if len(codes) > 10 else "")
