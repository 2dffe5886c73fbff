"""`lots import`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from lots.domain.characteristics.registry import DECLARED
from tests.commands import Done, lots
from tests.shop import MEASURED, RECEIVED, SIMPLE_LIMITS, Shop

HEADER = "spool_code,d1_mm,d2_mm,measured_at\n"
GOOD = f"{HEADER}S-1,1.75,1.76,{MEASURED}\nS-2,1.75,1.76,{MEASURED}\n"
Run = Callable[..., Done]


@pytest.fixture
def engine() -> str:
    """SQLite alone: the command is the same on either engine."""
    return "sqlite"


@pytest.fixture
def run(tmp_path: Path, shop: Shop) -> Run:
    """Runs `lots import` on a shop with one lot of the spools S-1 and S-2. The file is given as text."""
    grade = shop.grade(limits={**SIMPLE_LIMITS, "sampling": {"fixed": 2}})
    body = {
        "supplier_id": shop.supplier()["id"],
        "grade_id": grade["id"],
        "supplier_lot": "Q-71",
        "received_at": RECEIVED,
    }
    spools = [{"code": code, "net_mass_g": 1000} for code in ("S-1", "S-2")]
    shop.post("receiving", "/deliveries", {**body, "spools": spools})
    url = {"LOTS_DATABASE": f"sqlite:///{tmp_path}/shop.sqlite3"}

    def command(kind: str, text: str, *options: str, name: str = "readings.csv") -> Done:
        (tmp_path / name).write_text(text, "utf-8", newline="")
        return lots("import", kind, name, *options, folder=tmp_path, **url)

    return command


def stored(shop: Shop) -> list[dict[str, object]]:
    """The stored readings."""
    return shop.get("quality", "/lots/1/readings")["items"]  # type: ignore[no-any-return]


def test_the_help_names_all_that_may_be_imported(tmp_path: Path) -> None:
    """The help names every declared characteristic, and deliveries."""
    told = " ".join(lots("import", "--help", folder=tmp_path).stdout.split())
    assert f"KIND is {', '.join(DECLARED)} or deliveries." in told


def test_colours_are_told_under_the_name_that_people_use(run: Run) -> None:
    """A sentence says colour, and `color` is the name in the API."""
    conditions = ("--illuminant", "D65", "--observer-deg", "10", "--geometry", "d/8", "--specular", "included")
    done = run("color", f"spool_code,L,a,b,measured_at\nS-1,95,-0.8,1.5,{MEASURED}\n", *conditions, "--uv", "excluded")
    assert "1 colour reading stored from readings.csv as import 1." == done.stdout.splitlines()[0]


def test_results_go_to_standard_output(run: Run, shop: Shop) -> None:
    """Stored readings and statuses are on standard output, and standard error is empty without a terminal."""
    done = run("diameter", GOOD)
    assert (0, "") == (done.returncode, done.stderr)
    first, says = done.stdout.splitlines()
    assert "2 diameter readings stored from readings.csv as import 1." == first
    assert says.startswith("Lot Q-71 ")
    assert {"command line"} == {row["recorded_by"] for row in stored(shop)}


@pytest.mark.parametrize("option", ["--as", "--by"])
def test_a_name_given_with_as_is_recorded(run: Run, shop: Shop, option: str) -> None:
    """--as records the person who measured, and so does its other name --by."""
    assert 0 == run("diameter", GOOD, option, "Perpetua").returncode
    assert {"Perpetua"} == {row["recorded_by"] for row in stored(shop)}
    assert 2 == run("diameter", GOOD + "S-1,1.75,1.75,\n", option, "\t").returncode


def test_faults_go_to_standard_error_one_on_a_line(run: Run, shop: Shop) -> None:
    """Each error is a line on standard error with row, column, text and hint, then the count. Status 1, nothing stored."""
    done = run("diameter", f'{HEADER}S-1,0.0689,"1,\n75",{MEASURED}\nS-1,x,1.75,{MEASURED}\n')
    assert (1, "") == (done.returncode, done.stdout)
    lines = done.stderr.splitlines()
    assert lines[0].startswith("row 2, column d1_mm: 0.0689 mm is not a plausible diameter")
    assert lines[1].startswith("row 2, column d2_mm: ")
    assert lines[2].startswith("row 3 (line 4), column d1_mm: ")
    assert "lots: 3 errors in readings.csv. Nothing was stored." == lines[3]
    assert [] == stored(shop)


def test_a_dry_run_stores_nothing_and_a_repeat_changes_nothing(run: Run, shop: Shop) -> None:
    """A dry run stores nothing and a repeat changes nothing, both with status 0 and a message."""
    tried = run("diameter", GOOD, "--dry-run")
    assert (0, []) == (tried.returncode, stored(shop))
    assert "Dry run: 2 diameter readings would be stored from readings.csv. Nothing was stored." in tried.stdout
    run("diameter", GOOD)
    again = run("diameter", GOOD, name="copy.csv")
    assert 0 == again.returncode
    assert "readings.csv was already imported (2 diameter readings, import 1," in again.stdout
    assert 2 == len(stored(shop))


def test_options_declare_how_a_file_is_written(run: Run, shop: Shop) -> None:
    """Options declare semicolons, decimal commas, a time zone and conditions of colours."""
    text = "spool_code;L;a;b;measured_at\nS-1;95,0;-0,8;1,5;2026-07-01 14:00\n"
    written = ("--delimiter", ";", "--decimal", "comma", "--time-zone", "Europe/Berlin")
    said = (
        "--illuminant",
        "D65",
        "--observer-deg",
        "10",
        "--geometry",
        "d/8",
        "--specular",
        "included",
        "--uv",
        "excluded",
    )
    assert 0 == run("color", text, *written, *said).returncode
    reading = stored(shop)[0]
    assert ([95.0, -0.8, 1.5], "2026-07-01T12:00:00Z") == (reading["lab"], reading["measured_at"])


def test_deliveries_say_what_to_measure(run: Run) -> None:
    """The sample of each delivery is on standard output."""
    header = "supplier_code,grade_code,supplier_lot,received_at,spool_code,net_mass_g\n"
    done = run("deliveries", f"{header}QWT,PLA-HW-175,Q-72,{RECEIVED},T-1,1000\n")
    assert 0 == done.returncode
    assert "1 delivery stored" in done.stdout
    assert "Delivery 2 of lot Q-72: " in done.stdout
    assert "T-1" in done.stdout


@pytest.mark.parametrize(
    "arguments",
    [
        ("weather", "readings.csv"),
        ("diameter", "missing.csv"),
        ("diameter", "."),
        ("diameter",),
        ("diameter", "readings.csv", "--time-zone", "Mars"),
        ("diameter", "readings.csv", "--delimiter", "|"),
        ("diameter", "readings.csv", "--illuminant", "D65"),
        ("diameter", "readings.csv", "--colour"),
    ],
)
def test_wrong_usage_has_status_2(run: Run, shop: Shop, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """Wrong usage has status 2, and a refused file status 1."""
    (tmp_path / "readings.csv").write_text(GOOD)
    done = lots("import", *arguments, folder=tmp_path, LOTS_DATABASE=f"sqlite:///{tmp_path}/shop.sqlite3")
    assert (2, "") == (done.returncode, done.stdout)
    assert done.stderr.strip()
    assert [] == stored(shop)


def test_a_database_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    """A missing database is not made, and the path is named."""
    (tmp_path / "readings.csv").write_text(GOOD)
    done = lots(
        "import", "diameter", "readings.csv", folder=tmp_path, LOTS_DATABASE=f"sqlite:///{tmp_path}/new.sqlite3"
    )
    assert (1, "") == (done.returncode, done.stdout)
    assert f"lots: There is no database {tmp_path}/new.sqlite3." in done.stderr
    assert ["readings.csv"] == [path.name for path in tmp_path.iterdir()]
