"""`python -m tests.year`: runs the year, prints its tables, and writes them into README.md with the picture."""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.year import assumptions as assumed
from tests.year.habits import without_program
from tests.year.picture import bar_chart
from tests.year.program import Year, with_program
from tests.year.tables import (
    PROGRAM,
    Ways,
    characteristics_table,
    differences_table,
    efforts_table,
    findings_table,
    in_short,
    kinds_table,
    ways_table,
)
from tests.year.truth import Given

HERE = Path(__file__).parent
BEGIN, END = "<!-- begin of what the command writes -->", "<!-- end of what the command writes -->"


def _tell(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def _bench(given: Given, nth: int) -> Year:
    return with_program(given, assumed.BENCHES[nth], tell=lambda text: _tell(f"bench {nth + 1}, {text}"))


def every_way(given: Given) -> tuple[Ways, Counter[str], Counter[int]]:
    """Returns the outcomes of each way of working, the decisions of quality, and the statuses of all requests."""
    with ProcessPoolExecutor(len(assumed.BENCHES)) as pool:
        running = [pool.submit(_bench, given, nth) for nth in range(len(assumed.BENCHES))]
        habits = {way: without_program(given, readings) for way, readings in assumed.HABITS.items()}
        years = [one.result() for one in running]
    outcomes = sorted((one for year in years for one in year.outcomes), key=lambda one: one.lot.number)
    notes, statuses = Counter[str](), Counter[int]()
    for year in years:
        notes.update(year.notes)
        statuses.update(year.statuses)
    return {PROGRAM: outcomes, **habits}, notes, statuses


def report(ways: Ways, notes: Counter[str]) -> str:
    """Returns all tables in Markdown."""
    did = ", ".join(f"{what}: {n}" for what, n in sorted(notes.items()))
    ours = ways[PROGRAM]
    parts = (
        "### Protection and cost of each way", in_short(ways), ways_table(ways), differences_table(ways), f"Under the program, {did}.",
        "### By kind of lot", kinds_table(ways), efforts_table(ours),
        "### Benefit of each characteristic", characteristics_table(ours),
        "### Findings that held good lots", findings_table(ours),
    )  # fmt: skip
    return "\n\n".join(parts) + "\n"


def write(text: str, picture: str) -> None:
    """Puts the tables between the marks of README.md, and stores the picture."""
    page = HERE / "README.md"
    before, _, rest = page.read_text("utf-8").partition(BEGIN)
    page.write_text(f"{before}{BEGIN}\n\n{text}\n{END}{rest.partition(END)[2]}", "utf-8")
    (HERE / "year.svg").write_text(picture, "utf-8")


def main() -> int:
    """Runs the year of the assumptions and stores it; another one is only printed."""
    parser = argparse.ArgumentParser(prog="python -m tests.year", description=__doc__)
    usual = Given()
    parser.add_argument("--seed", type=int, default=usual.seed, help="of all chance")
    parser.add_argument("--lots", type=int, default=usual.lots, help="how many lots come")
    parser.add_argument(
        "--scatter", type=float, default=usual.scatter, help="by which the colours of lots scatter more"
    )
    parser.add_argument("--rule", choices=("guarded", "simple"), default=usual.rule, help="of the limits")
    given = Given(**vars(parser.parse_args()))
    began = time.monotonic()
    ways, notes, statuses = every_way(given)
    text = report(ways, notes)
    sys.stdout.write(text)
    if given == usual:
        write(text, bar_chart(ways))
    _tell(
        f"{sum(statuses.values())} requests, {time.monotonic() - began:.0f} s, statuses {dict(sorted(statuses.items()))}"
    )
    return 1 if any(status >= 500 for status in statuses) else 0


if __name__ == "__main__":
    sys.exit(main())
