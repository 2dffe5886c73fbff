"""A mutation run: `python -m tests.mutate FILE` puts small faults into a file and prints those that its tests do not detect."""

from __future__ import annotations

import argparse
import sys
import tempfile
import tomllib
from functools import partial
from pathlib import Path

from scipy.stats import binomtest

from tests.mutate.covering import record
from tests.mutate.forks import Forks
from tests.mutate.mutants import Mutant, mutants_of, sample

ROOT = Path(__file__).parents[2]
EQUIVALENT = Path(__file__).parent / "equivalent.toml"
SURVIVED = ("survived", "not run")


def equivalents(file: str) -> set[tuple[str, str]]:
    """Returns the changes of a file without an observable effect, from `equivalent.toml`, each with its reason."""
    listed = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8")).get("equivalent", [])
    return {(one["before"], one["after"]) for one in listed if one["file"] == file}


def tried(file: str, mutants: list[Mutant], tests: list[str]) -> dict[Mutant, str]:
    """Returns the result of each mutant, with a progress bar on the error stream."""
    sys.stderr.write("Recording which tests run which line ...\n")
    with tempfile.TemporaryDirectory() as folder:
        covering = record(ROOT, file, tests, Path(folder))
    return Forks(ROOT, file, covering, mutants, partial(_progress, of=len(mutants))).run(tests)


def _progress(done: int, of: int) -> None:
    filled = 40 * done // of
    sys.stderr.write(f"\r[{'#' * filled}{'.' * (40 - filled)}] {done} of {of}" + ("\n" if done == of else ""))
    sys.stderr.flush()


def report(file: str, source: str, ends: dict[Mutant, str], equivalent: int) -> str:
    """Returns the result: counts, the share killed with its 95 % interval, and each survivor with its change."""
    left = sorted((one for one, end in ends.items() if end in SURVIVED), key=lambda one: one.start)
    killed, n = len(ends) - len(left), len(ends)
    share = ""
    if n:
        interval = binomtest(killed, n).proportion_ci()
        share = (
            f"; {100 * killed / n:.1f} % killed (95 % interval {100 * interval.low:.1f} to {100 * interval.high:.1f} %)"
        )
    lines = [f"{file}: {n} mutants, {killed} killed, {len(left)} survived, {equivalent} equivalent and left out{share}"]
    for one in left:
        before, after = one.change(source)
        lines += [f"{file}:{one.line} {one.kind}, {ends[one]}", f"  - {before}", f"  + {after}"]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Returns 1 where a mutant survived that is not listed as equivalent."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutate", description=__doc__)
    parser.add_argument("file", help="a file of the package, such as lots/domain/conformity/guard.py")
    parser.add_argument("--sample", type=int, metavar="N", help="so many mutants, drawn at random; without it all")
    parser.add_argument("--seed", type=int, default=1, help="of the draw (1)")
    parser.add_argument(
        "--tests", nargs="+", default=[], metavar="PATH", help="files or folders of tests to run; without it all"
    )
    parser.add_argument("--kind", action="append", help="only mutants of this kind, such as sentence; may be repeated")
    parser.add_argument("--list", action="store_true", help="print the mutants and try none")
    asked = parser.parse_args()
    source = (ROOT / asked.file).read_text(encoding="utf-8")
    drawn = [one for one in mutants_of(source) if not asked.kind or one.kind in asked.kind]
    drawn = sample(drawn, asked.sample, asked.seed)
    known = equivalents(asked.file)
    mutants = [one for one in drawn if one.change(source) not in known]
    ends = dict.fromkeys(mutants, "survived") if asked.list else tried(asked.file, mutants, asked.tests)
    sys.stdout.write(report(asked.file, source, ends, len(drawn) - len(mutants)))
    return int(any(end in SURVIVED for end in ends.values()))


if __name__ == "__main__":
    sys.exit(main())
