"""The tables of the year in Markdown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tests.promises.promise import Rate
from tests.year import assumptions as assumed
from tests.year.counting import Outcome, bad_g, blames, difference, ended, good_not_loaded_g, tally, worths

PROGRAM = "the program"
Ways = Mapping[str, Sequence[Outcome]]


def _table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)


def _kg(grams: float) -> str:
    return f"{grams / 1000:.0f}"


def _rate(rate: Rate | None) -> str:
    if rate is None:
        return "none"
    low, high = rate.interval(assumed.CONFIDENCE)
    return f"{rate.hits} of {rate.of} ({100 * low:.0f} to {100 * high:.0f} %)"


def in_short(ways: Ways) -> str:
    """Returns the year in three sentences."""
    ours, habit = tally(ways[PROGRAM]), next(way for way in ways if way != PROGRAM)
    theirs, lots = tally(ways[habit]), len(ways[PROGRAM])
    came = assumed.SPOOL_G * sum(len(outcome.lot.bad_on_arrival) for outcome in ways[PROGRAM])
    good = ours.good_lots or Rate(0, 0)
    return (
        f"Of {_kg(came)} kg of nonconforming filament the shop with the program loads {_kg(ours.bad_g)} kg, the shop of {habit} {_kg(theirs.bad_g)} kg. "
        f"The program takes {ours.readings / lots:.0f} readings a lot instead of {theirs.readings / lots:.0f}, and {ours.days:.1f} days instead of {theirs.days:.1f}. "
        f"It does not release {good.hits} of {good.of} good lots, and {_kg(ours.good_not_loaded_g)} kg of conforming filament stay off machines "
        f"instead of {_kg(theirs.good_not_loaded_g)} kg."
    )


def ways_table(ways: Ways) -> str:
    """Returns the protection and cost of each way of working."""
    head = (
        "way of working", "nonconforming kg loaded (95 %)", "kg loaded", "conforming kg not loaded", "good lots not released (95 %)",
        "of these held, rejected", "uses of conforming lots not released (95 %)", "readings", "spools opened", "days to the verdict, mean", "loads refused",
    )  # fmt: skip
    rows = []
    for way, outcomes in ways.items():
        one = tally(outcomes)
        low, high = one.bad_interval
        rows.append([
            way, f"{_kg(one.bad_g)} ({_kg(low)} to {_kg(high)})", _kg(one.loaded_g), _kg(one.good_not_loaded_g), _rate(one.good_lots),
            f"{one.held}, {one.refused}", _rate(one.good_uses), one.readings, one.spools, f"{one.days:.1f}", one.refused_loads,
        ])  # fmt: skip
    return _table(head, rows)


def differences_table(ways: Ways) -> str:
    """Returns the differences of the program to each habit, lot by lot, in nonconforming and conforming filament loaded."""
    rows = []
    for way, outcomes in ways.items():
        if way == PROGRAM:
            continue
        cells = [way]
        for of in (bad_g, lambda outcome: -good_not_loaded_g(outcome)):
            less, (low, high) = difference(ways[PROGRAM], outcomes, of)
            cells.append(f"{_kg(less)} ({_kg(low)} to {_kg(high)})")
        readings, (low, high) = difference(outcomes, ways[PROGRAM], lambda outcome: outcome.readings)
        cells.append(f"{readings:.0f} ({low:.0f} to {high:.0f})")
        rows.append(cells)
    head = (
        "the program compared with", "nonconforming kg kept off machines (95 %)", "conforming kg kept off machines (95 %)", "additional readings (95 %)",
    )  # fmt: skip
    return _table(head, rows)


def kinds_table(ways: Ways) -> str:
    """Returns the same by kind of lot."""
    head = ["kind of lot", "lots", "good", "nonconforming kg received", *ways]
    rows = []
    for kind in assumed.KINDS:
        lots = [outcome.lot for outcome in ways[PROGRAM] if outcome.lot.kind == kind]
        came = assumed.SPOOL_G * sum(len(lot.bad_on_arrival) for lot in lots)
        row: list[object] = [kind, len(lots), sum(lot.good for lot in lots), _kg(came)]
        for outcomes in ways.values():
            own = [outcome for outcome in outcomes if outcome.lot.kind == kind]
            stopped = sum(outcome.lot.good and ended(outcome) != "released" for outcome in own)
            row.append(f"{_kg(sum(map(bad_g, own)))}, {stopped}, {_kg(sum(map(good_not_loaded_g, own)))}")
        rows.append(row)
    told = "Under each way of working: nonconforming kg loaded, good lots not released, conforming kg not loaded."
    return f"{told}\n\n{_table(head, rows)}"


def efforts_table(outcomes: Sequence[Outcome]) -> str:
    """Returns the effort of the program by kind of lot: readings, further rounds, days, and ends without a verdict."""
    head = (
        "kind of lot",
        "lots",
        "readings a lot",
        "spools opened a lot",
        "further rounds a lot",
        "days to the verdict",
        "ended without a verdict",
    )
    rows = []
    for kind in assumed.KINDS:
        own = [outcome for outcome in outcomes if outcome.lot.kind == kind]
        n = max(1, len(own))
        open_ones = [outcome.given_up for outcome in own if "held" in outcome.uses.values()]
        why = ", ".join(f"{open_ones.count(one)} {one or 'later'}" for one in sorted(set(open_ones)))
        rows.append([
            kind, len(own), f"{sum(o.readings for o in own) / n:.0f}", f"{sum(o.spools for o in own) / n:.1f}",
            f"{sum(o.rounds for o in own) / n:.1f}", f"{sum(o.days for o in own) / n:.1f}", why or "none",
        ])  # fmt: skip
    return _table(head, rows)


def findings_table(outcomes: Sequence[Outcome]) -> str:
    """Returns the findings that held good lots, their requests, and what they kept off machines."""
    head = (
        "finding", "good lots held", "rejected", "by it alone", "lots with further requests", "further readings, good lots", "other lots",
        "nonconforming kg kept off", "by it alone", "conforming kg kept off",
    )  # fmt: skip
    rows = [
        [
            f"`{code}`" if "." in code else code, one.held, one.refused, one.alone, len(one.lots_asked), one.readings_good, one.readings_other,
            _kg(one.bad_kept_g), _kg(one.bad_kept_alone_g), _kg(one.good_kept_g),
        ]
        for code, one in blames(outcomes).items()
    ]  # fmt: skip
    return _table(head, rows)


def characteristics_table(outcomes: Sequence[Outcome]) -> str:
    """Returns the cost of each characteristic in readings, and what it alone held back."""
    head = (
        "characteristic", "readings, controls included", "nonconforming kg kept off by it alone", "nonconforming kg dried", "readings per kg of both", "conforming kg kept off by it alone",
        "good lots held by it alone",
    )  # fmt: skip
    rows = []
    for kind, one in worths(outcomes).items():
        both = one.bad_kept_g + one.dried_g
        each = f"{one.readings / (both / 1000):.0f}" if both else "none"
        rows.append(
            [kind, one.readings, _kg(one.bad_kept_g), _kg(one.dried_g), each, _kg(one.good_kept_g), one.good_lots]
        )
    return _table(head, rows)
