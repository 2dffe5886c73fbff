"""Sampling of spools: sample size, random draw, and completeness of the measurements."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from lots.domain.receiving.sampling_plans import Plan, plan_for
from lots.domain.words import plural

# The next step for a lot without an open delivery; it can never be released, and belongs to no series.
CLOSED_LOT = "log the filament again, because every delivery of this lot is closed"
# Sample size without limits. Common practice, no source: three colour plaques for deliveries of up to 24 spools.
DEFAULT_FIXED = 3


@dataclass(frozen=True, slots=True)
class Sample:
    """Spools drawn from a delivery; the draw can be repeated with `seed`."""

    size: int
    spool_codes: tuple[str, ...]
    seed: int
    rule: str
    says: str


def draw(spool_codes: Sequence[str], size: int, seed: int, rule: str) -> Sample:
    """Returns `size` spools drawn at random from a delivery, all of them when there are fewer.

    Codes are sorted by the SHA-256 of "seed:code" and the first ones are taken. Every spool has the same probability, the order of entry does not
    matter, and anyone can repeat the draw with a hash function.

    Args:
        spool_codes: at least one code, all different.
        size: spools wanted, >= 1.
        seed: a random number from outside, recorded with the draw.
        rule: the rule that determined the size.

    Raises:
        ValueError: no spools, or a size below 1.
    """
    if not spool_codes or size < 1:
        raise ValueError("a draw needs at least one spool and a size of at least one")
    return _sample(in_draw_order(spool_codes, seed)[:size], len(spool_codes), seed, rule)


def redraw(
    drawn: Sequence[str], spool_codes: Sequence[str], size: int, seed: int, rule: str, measured: Collection[str] = ()
) -> Sample:
    """Returns the sample of a delivery after a correction of its spools, with as few changes as possible.

    Drawn spools that were received stay drawn. If more are required, the next in the order of the seed are added. If fewer are required, the last
    in that order are removed, unmeasured ones first. The draw therefore cannot be repeated to obtain an easier spool.

    Args:
        drawn: codes drawn before.
        spool_codes: codes of the spools received, at least one, all different.
        size, seed, rule: as for `draw`; `seed` is that of the first draw.
        measured: codes of spools measured already.

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
    # A stable sort keeps the order of the seed among equals.
    order.sort(key=lambda code: (code not in before, code in before and code not in begun))
    return _sample(order[:size], len(spool_codes), seed, rule)


def _sample(chosen: Sequence[str], count: int, seed: int, rule: str) -> Sample:
    drawn = tuple(sorted(chosen))
    if len(drawn) == count:
        every = {1: "the spool", 2: "both spools"}.get(count, f"all {count} spools")
        says = f"Measure {every}."
    else:
        says = f"Measure {len(drawn)} of the {count} spools, drawn at random: {', '.join(drawn)}. Do not replace them with others."
    return Sample(len(drawn), drawn, seed, rule, says)


def in_draw_order(spool_codes: Iterable[str], seed: int) -> list[str]:
    """Returns spool codes in the order of the draw with a seed."""
    return sorted(spool_codes, key=lambda code: hashlib.sha256(f"{seed}:{code}".encode()).digest())


def draw_more(spool_codes: Iterable[str], more: int, seed: int, but: Iterable[str]) -> tuple[str, ...]:
    """Returns the next spools in the order of the draw, fewer if fewer are left.

    Args:
        spool_codes: all codes of the delivery that can be drawn.
        more: spools wanted, >= 0.
        seed: of the first draw.
        but: codes to leave out, such as those drawn before.

    Example:
        >>> first = draw(["A", "B", "C", "D", "E"], 3, 7, "fixed: 3")
        >>> set(draw_more("ABCDE", 9, 7, first.spool_codes)) == set("ABCDE") - set(first.spool_codes)
        True
    """
    left_out = set(but)
    return tuple(code for code in in_draw_order(spool_codes, seed) if code not in left_out)[:more]


def standing_in(code: str, substitutes: Mapping[str, str]) -> str:
    """Returns the spool to measure for a drawn one: the spool itself, or the last of its substitutes.

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
    """Sampling requirements of the limits.

    Args:
        fixed: spools per delivery; None with a plan, or without a requirement.
        level, aql: inspection level and acceptance quality limit (percent nonconforming) of a MIL-STD-105E plan; None without a plan.
        reduced_allowed: True when quality allows reduced inspection.
        retest_rounds_max: retests after which quality must decide; None for no limit.
    """

    fixed: int | None = None
    level: str | None = None
    aql: float | None = None
    reduced_allowed: bool = False
    retest_rounds_max: int | None = None

    def plan(self, spools: int, severity: str) -> Plan | None:
        """Returns the plan for this number of spools at a severity, or None without a plan."""
        if self.level is None or self.aql is None:
            return None
        # Lots of a discontinued supplier are not accepted. If they are inspected, inspection is tightened.
        return plan_for(spools, self.level, self.aql, "tightened" if severity == "discontinued" else severity)

    def size(self, spools: int, severity: str) -> tuple[int, str]:
        """Returns how many of `spools` (>= 1) to measure, and the rule for it.

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
            ), f"suggested: {DEFAULT_FIXED} (common practice), because the limits state no number"
        return min(self.fixed, spools), f"fixed: {self.fixed} per delivery"

    def required(self, spools: int, severity: str) -> int:
        """Returns how many of `spools` must be measured before a verdict: at least one, more only where the limits require it."""
        if self.fixed is None and self.level is None:
            return 1
        return self.size(spools, severity)[0]


@dataclass(frozen=True, slots=True)
class Presented:
    """Spools presented for inspection together: one delivery of a lot.

    Args:
        spools: number of spools.
        required: number to measure, >= 1.
        drawn: codes of the first sample, with substitutes in place of replaced spools; empty without a draw.
        codes: codes of its measured spools; None when every measured spool belongs to it.
        plan: its attributes plan, None without one.
        discontinued: True when it arrived while inspection of its supplier was discontinued.
        further: codes of each further draw, in order.
        only_drawn: True when only drawn spools complete the sample (rules from version 2 on).
        delivery: its number, to store a further draw with.
        replaced: number of drawn spools with a substitute; they are not drawn again.
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
        """Number of spools not drawn; 0 without a draw, because then every spool counts."""
        return max(0, self.spools - len(self.sample) - self.replaced) if self.sample else 0

    def holds(self, code: str) -> bool:
        """Returns whether a measured spool belongs to the delivery."""
        return self.codes is None or code in self.codes

    def still_required(self, measured: Iterable[str]) -> int:
        """Returns how many more of its spools must be measured."""
        mine = [code for code in measured if self.holds(code)]
        if self.only_drawn and self.sample:
            base = set(self._base())
            mine = [code for code in mine if code in base]
        return max(0, self.required - len(mine))

    def still_drawn(self, measured: Iterable[str]) -> list[str]:
        """Returns the drawn spools that still have to be measured for the sample."""
        seen = set(measured)
        if not self.still_required(seen):
            return []
        return [code for code in (self._base() if self.only_drawn else self.drawn) if code not in seen]

    def unfinished(self, measured: Iterable[str]) -> list[str]:
        """Returns the unmeasured spools of each further draw with a measured spool, so that one good spool cannot end a draw of six."""
        seen = set(measured)
        begun = [group for group in self._beyond() if seen & set(group)]
        return [code for group in begun for code in group if code not in seen]

    def _base(self) -> tuple[str, ...]:
        """Returns the first sample, with further draws until the required number is reached."""
        base = self.drawn
        for group in self.further:
            if len(base) >= self.required:
                break
            base = (*base, *group)
        return base

    def _beyond(self) -> list[tuple[str, ...]]:
        """Returns the further draws beyond the required number: those made to decide a finding."""
        base = set(self._base())
        return [group for group in self.further if not set(group) <= base]


@dataclass(frozen=True, slots=True)
class Coverage:
    """Number of spools of a lot to measure, per delivery, because deliveries are inspected separately."""

    presented: tuple[Presented, ...]

    @classmethod
    def of(cls, spools: int, required: int, drawn: tuple[str, ...] = ()) -> Coverage:
        """Returns the coverage of a lot with a single delivery."""
        return cls((Presented(spools, required, drawn),))

    @property
    def closed(self) -> bool:
        """True when every delivery of the lot was closed."""
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
        """Returns the same coverage, completed only by drawn spools."""
        return Coverage(tuple(replace(part, only_drawn=True) for part in self.presented))

    def is_drawn(self, code: str) -> bool:
        """Returns whether a measured spool was drawn, or belongs to a delivery without a draw."""
        return any(part.holds(code) and (not part.sample or code in part.sample) for part in self.presented)

    def outstanding(self, measured: Iterable[str]) -> list[str]:
        """Returns every drawn spool without a measurement, in the order of the draws."""
        seen = set(measured)
        return [code for code in self.drawn if code not in seen]

    def unfinished(self, measured: Iterable[str]) -> list[str]:
        """Returns the unmeasured spools of further draws with a measured spool."""
        return [code for part in self.presented for code in part.unfinished(measured)]

    def lacking(self, counts: Mapping[str, int], each_min: int, what: str) -> str:
        """Returns the missing measurements in words; "" when the evidence is complete.

        A spool with any reading must be completed, so that a half-measured spool cannot be abandoned.

        Args:
            counts: valid readings per spool.
            each_min: readings required on each spool, >= 1.
            what: the characteristic, for the sentence.
        """
        parts = [
            f"take {each_min - n} more {what} {plural(each_min - n, 'reading')} on spool {spool}"
            for spool, n in sorted(counts.items())
            if n < each_min
        ]
        more = sum(part.still_required(counts) for part in self.presented)
        if more > 0:
            spools = f"{more} {'more ' if counts else ''}{plural(more, 'spool')}"
            each = f"{each_min} {plural(each_min, 'reading')}{' each' if more > 1 else ''}"
            parts.append(f"measure {what} on {spools}{self.not_yet(counts)}, {each}")
        return "; ".join(parts)

    def not_yet(self, measured: Iterable[str]) -> str:
        """Returns the drawn spools still to be measured, in brackets, or ""."""
        seen = set(measured)
        left = [code for part in self.presented for code in part.still_drawn(seen)]
        return f" ({named(left)})" if left else ""


def named(codes: Sequence[str]) -> str:
    """Returns spool codes as a list in words, at most ten of them.

    Example:
        >>> named(["A", "B"])
        'A, B'
    """
    return ", ".join(codes[:10]) + (f" and {len(codes) - 10} others" if len(codes) > 10 else "")
