"""Runs a harness: `python -m tests.trust kill --times 300`, `... block --seconds 60` or `... soak --minutes 10`; `--postgres URL` for that engine."""

from __future__ import annotations

import argparse
import sys

from tests.trust import blocking, killing, soaking


def main() -> int:
    """Returns 0 when nothing was lost and no order was violated."""
    parser = argparse.ArgumentParser(prog="python -m tests.trust")
    parser.add_argument("what", choices=["kill", "block", "soak"])
    parser.add_argument("--times", type=int, default=300, help="kills")
    parser.add_argument("--seconds", type=float, default=60.0, help="how long to block and load")
    parser.add_argument("--minutes", type=float, default=10.0, help="how long to soak")
    parser.add_argument("--workers", type=int, default=1, help="processes that serve; several take PostgreSQL")
    parser.add_argument(
        "--postgres", help="a PostgreSQL server, such as postgresql://user@host/postgres; SQLite without it"
    )
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()

    def tell(text: str) -> None:
        sys.stderr.write(f"{text}\n")

    report: killing.Report | blocking.Report | soaking.Report
    if asked.what == "kill":
        report = killing.run(asked.postgres, asked.times, asked.seed, tell, asked.workers)
    elif asked.what == "soak":
        report = soaking.run(asked.postgres, asked.minutes, asked.seed, tell, asked.workers)
    else:
        report = blocking.run(asked.postgres, asked.seconds, asked.seed)
    sys.stdout.write(f"{report}\n")
    for fault in report.faults[:50]:
        sys.stdout.write(f"- {fault}\n")
    return 1 if report.faults else 0


if __name__ == "__main__":
    sys.exit(main())
