"""`lots watch`, as a person runs it: each complete file once, moved with its result, and none lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from lots.commands import drop_folder
from lots.commands.drop_folder import DropFolder
from lots.commands.watch import KINDS
from tests.commands import Done, lots
from tests.shop import MEASURED, RECEIVED, SIMPLE_LIMITS, Shop

HEADER = "spool_code,d1_mm,d2_mm,measured_at\n"
GOOD = f"{HEADER}S-1,1.75,1.76,{MEASURED}\nS-2,1.75,1.76,{MEASURED}\n"
Watch = Callable[..., Done]


@pytest.fixture
def engine() -> str:
    """SQLite alone: the command is the same on either engine."""
    return "sqlite"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An empty folder with a subfolder for diameters."""
    made = tmp_path / "drop"
    (made / "diameter").mkdir(parents=True)
    return made


@pytest.fixture
def watch(tmp_path: Path, shop: Shop, folder: Path) -> Watch:
    """Scans the folder once, on a shop with one lot of the spools S-1 and S-2."""
    grade = shop.grade(limits={**SIMPLE_LIMITS, "sampling": {"fixed": 2}})
    body = {"supplier_id": shop.supplier()["id"], "grade_id": grade["id"], "supplier_lot": "Q-71"}
    spools = [{"code": code, "net_mass_g": 1000} for code in ("S-1", "S-2")]
    shop.post("receiving", "/deliveries", {**body, "received_at": RECEIVED, "spools": spools})

    def command(*options: str, database: str = f"sqlite:///{tmp_path}/shop.sqlite3") -> Done:
        arguments = ("watch", str(folder), "--once", "--every", "0.05", "--as", "Perpetua", *options)
        return lots(*arguments, folder=tmp_path, LOTS_DATABASE=database)

    return command


def put(path: Path, content: str | bytes = GOOD, age_s: float = 0) -> Path:
    """Writes a file with a modification time so many seconds ago."""
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    then = time.time() - age_s
    os.utime(path, (then, then))
    return path


def below(folder: Path) -> list[str]:
    """Every file below a folder."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if not path.is_dir())


def stored(shop: Shop) -> list[dict[str, object]]:
    """The stored readings."""
    return shop.get("quality", "/lots/1/readings")["items"]  # type: ignore[no-any-return]


def test_a_file_is_imported_as_the_kind_of_its_folder_or_name(watch: Watch, shop: Shop, folder: Path) -> None:
    """A file is imported as the kind of its folder or name, moved to done with a summary, and printed as one line with its person."""
    put(folder / "diameter" / "monday.csv")
    put(folder / "Diameter_tuesday.csv", f"{HEADER}S-1,1.74,1.75,{MEASURED}\n")
    done = watch()
    assert (0, "") == (done.returncode, done.stdout)
    assert 2 == len(done.stderr.splitlines())
    assert (
        "diameter/monday.csv: 2 diameter readings stored from monday.csv as import 2. Moved to done/monday.csv."
        in done.stderr
    )
    names = ["Diameter_tuesday.csv", "monday.csv"]
    assert sorted(f"done/{name}{end}" for name in names for end in ("", ".summary.txt")) == below(folder)
    assert GOOD == (folder / "done/monday.csv").read_text()
    assert "Lot Q-71 " in (folder / "done/monday.csv.summary.txt").read_text()
    assert {"Perpetua"} == {row["recorded_by"] for row in stored(shop)}


def test_a_refused_file_has_its_faults_beside_it(watch: Watch, shop: Shop, folder: Path) -> None:
    """A refused file has its errors with row, column and remedy beside it; nothing is stored, with status 1."""
    put(folder / "diameter" / "a.csv", f"{HEADER}S-1,0.0689,1.75,{MEASURED}\nNONE,1.75,x,{MEASURED}\n")
    assert 1 == watch().returncode
    assert ["failed/a.csv", "failed/a.csv.faults.txt"] == below(folder)
    faults = (folder / "failed/a.csv.faults.txt").read_text().splitlines()
    assert faults[0].startswith("row 2, column d1_mm: 0.0689 mm is not a plausible diameter")
    assert "inches" in faults[0]
    assert any(line.startswith("row 3, column d2_mm: ") for line in faults)
    assert [] == stored(shop)


@pytest.mark.parametrize("name", ["x" * 251 + ".csv", "a b;c\n.csv", "\udcff\udcfe.csv", "-rf.csv", "a.CSV"])
def test_odd_names_do_no_harm(watch: Watch, shop: Shop, folder: Path, name: str) -> None:
    """Long names, line breaks, invalid encodings and names like options have one line each, and the file is kept."""
    put(folder / "diameter" / name)
    done = watch()
    assert (0, 1) == (done.returncode, len(done.stderr.splitlines())), done.stderr
    assert 2 == len(below(folder / "done"))
    assert 2 == len(stored(shop))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        ("spool_code,d1_mm,d2_mm\nS-1,1.75,1.76\n".encode("utf-16"), "UTF-8"),
        (b"\x00\xff\xfe\x00", ""),
        (b"spool_code;d1_mm;d2_mm\nS-1;1,75;1,76\n", "column"),
        (HEADER.encode(), ""),
    ],
    ids=["empty", "another encoding", "no text", "another delimiter", "no rows"],
)
def test_what_is_no_such_file_is_told(watch: Watch, shop: Shop, folder: Path, content: bytes, says: str) -> None:
    """A directory or another thing is kept with the reason beside it."""
    put(folder / "diameter" / "a.csv", content, age_s=60)
    assert 1 == watch().returncode
    assert content == (folder / "failed/a.csv").read_bytes()
    faults = (folder / "failed/a.csv.faults.txt").read_text()
    assert faults.strip()
    assert says in faults
    assert [] == stored(shop)


def test_a_file_whose_kind_nothing_says_is_refused(watch: Watch, folder: Path) -> None:
    """A file without a kind in its folder or name is refused, without a guess."""
    put(folder / "diameters.csv")
    put(folder / "readings.csv")
    assert 1 == watch().returncode
    assert "Put it in a subfolder named" in (folder / "failed/readings.csv.faults.txt").read_text()
    assert 4 == len(below(folder / "failed"))


def test_the_same_content_twice_changes_nothing(watch: Watch, shop: Shop, folder: Path) -> None:
    """The same content under any name changes nothing, and every copy has its own name."""
    for name in ("a.csv", "b.csv", "a.csv"):
        put(folder / "diameter" / name)
        assert 0 == watch().returncode
    assert 2 == len(stored(shop))
    assert {"a.csv", "a-2.csv", "b.csv"} == {path.name for path in (folder / "done").glob("*.csv")}
    assert "was already imported" in (folder / "done/a-2.csv.summary.txt").read_text()


def test_nothing_that_lies_there_is_written_over(watch: Watch, folder: Path) -> None:
    """Existing files, broken links and texts are never overwritten."""
    for name in ("done", "failed"):
        (folder / name).mkdir()
    (folder / "done/a.csv").write_text("mine")
    (folder / "done/a-2.csv").symlink_to("nowhere")
    (folder / "done/a-3.csv.summary.txt").write_text("mine too")
    put(folder / "diameter" / "a.csv")
    assert 0 == watch().returncode
    assert ("mine", "mine too") == tuple(
        (folder / "done" / name).read_text() for name in ("a.csv", "a-3.csv.summary.txt")
    )
    assert (folder / "done/a-2.csv").is_symlink()
    assert GOOD == (folder / "done/a-4.csv").read_text()


def test_links_are_refused(watch: Watch, shop: Shop, folder: Path, tmp_path: Path) -> None:
    """Links are refused, because they can lead outside the folder, and linked subfolders are not read."""
    outside = tmp_path / "outside"
    outside.mkdir()
    put(outside / "secret.csv")
    (folder / "diameter/a.csv").symlink_to(outside / "secret.csv")
    (folder / "color").symlink_to(outside)
    assert 1 == watch().returncode
    assert "This is a link" in (folder / "failed/a.csv.faults.txt").read_text()
    assert (folder / "failed/a.csv").is_symlink()
    assert ["secret.csv"] == below(outside)
    assert [] == stored(shop)


def test_a_file_that_cannot_be_read_is_refused(watch: Watch, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An unreadable file is refused with the system's reason and kept."""
    put(folder / "diameter" / "a.csv")
    opened = os.open

    def shut(path: object, *more: int) -> int:
        if str(path).endswith("diameter/a.csv"):
            raise PermissionError(13, "Permission denied")
        return opened(path, *more)  # type: ignore[call-overload, no-any-return]

    monkeypatch.setattr(drop_folder.os, "open", shut)
    assert 1 == watch().returncode
    assert "cannot be read: Permission denied" in (folder / "failed/a.csv.faults.txt").read_text()
    assert GOOD == (folder / "failed/a.csv").read_text()


@pytest.mark.postgresql
def test_while_the_database_does_not_answer_files_stay(watch: Watch, shop: Shop, folder: Path) -> None:
    """Without a database nothing is moved, one line gives the reason, and the next look imports the files."""
    pytest.importorskip("psycopg", reason="needs the extra postgres")
    put(folder / "diameter" / "a.csv")
    put(folder / "diameter" / "b.csv", GOOD.replace("1.76", "1.74"))
    done = watch(database="postgresql://nobody@127.0.0.1:1/none?connect_timeout=1")
    assert 1 == done.returncode
    assert 1 == len(done.stderr.splitlines()), done.stderr
    assert "2 files are waiting" in done.stderr
    assert ["diameter/a.csv", "diameter/b.csv"] == below(folder)
    assert 0 == watch().returncode
    assert 4 == len(stored(shop))


def test_a_file_that_is_written_is_left_alone(folder: Path) -> None:
    """A file is left alone while it grows, its last line has no end, a program writes it, or its name marks it as unfinished."""
    drop = DropFolder(folder, KINDS)

    def ready() -> list[str]:
        found = []
        for one in drop.complete():
            try:
                with drop.taken(one) as read:
                    read()
                    found.append(one.path.name)
            except drop_folder.Busy:
                pass
        return found

    put(folder / "diameter" / "a.csv.part")
    put(folder / "diameter" / ".a.csv")
    path = put(folder / "diameter" / "a.csv", f"{HEADER}S-1,1.75,1.7")
    assert ([], []) == (ready(), ready())
    with path.open("a") as file:
        file.write(f"6,{MEASURED}\n")
        file.flush()
        assert [] == ready()
        assert [] == ready()
    assert ["a.csv"] == ready()
    put(path, f"{HEADER}S-1,1.75,1.7", age_s=60)
    assert [] == ready()
    assert ["a.csv"] == ready()
    put(folder / "diameter" / "b.csv", b"")
    assert (["a.csv"], ["a.csv"]) == (ready(), ready())


def test_one_file_is_taken_by_one_process_at_a_time(folder: Path) -> None:
    """A second process leaves a file alone, and then finds it gone."""
    put(folder / "diameter" / "a.csv")
    first, second = DropFolder(folder, KINDS), DropFolder(folder, KINDS)
    for drop in (first, second):
        drop.complete()
    (one,), (same,) = first.complete(), second.complete()
    with first.taken(one) as read:
        assert GOOD.encode() == read()
        with pytest.raises(drop_folder.Busy), second.taken(same):
            pass
        first.put_away(one, "done", ".summary.txt", ["stored"])
    with pytest.raises(drop_folder.Busy), second.taken(same):
        pass


def started(folder: Path, database: str) -> subprocess.Popen[str]:
    """The command as a continuous process."""
    command = [sys.executable, "-c", "from lots.cli import main; main()", "watch", str(folder), "--every", "0.1"]
    clean = {name: value for name, value in os.environ.items() if not name.startswith("LOTS_")}
    env = {**clean, "PYTHONPATH": str(Path(__file__).parents[1]), "LOTS_DATABASE": database}
    return subprocess.Popen([*command, "--as", "Perpetua"], env=env, stderr=subprocess.PIPE, text=True)


@pytest.mark.thorough
def test_two_processes_share_a_folder_and_stop_when_asked(
    watch: Watch, shop: Shop, folder: Path, tmp_path: Path
) -> None:
    """Each of many files is imported once by either process without a lost line; Ctrl+C and a service manager end them with status 0."""
    both = [started(folder, f"sqlite:///{tmp_path}/shop.sqlite3") for _ in range(2)]
    try:
        for number in range(12):
            text = f"{HEADER}S-1,1.75,1.7{number:02},{MEASURED}\n"
            written = put(folder / f"{number}.tmp", text)
            written.rename(folder / "diameter" / f"{number}.csv")
        end = time.monotonic() + 60
        while len(list((folder / "done").glob("*.csv"))) < 12 and time.monotonic() < end:
            time.sleep(0.1)
        time.sleep(0.5)
    finally:
        for process, how in zip(both, (signal.SIGINT, signal.SIGTERM), strict=True):
            process.send_signal(how)
    said = [process.communicate(timeout=30)[1] for process in both]
    assert [0, 0] == [process.returncode for process in both], said
    assert 12 == sum(text.count(". Moved to done/") for text in said)
    assert 24 == len(below(folder))
    assert 12 == len(stored(shop))
    assert all(text.splitlines()[-1] == "lots: Stopped." for text in said)
    assert "Traceback" not in "".join(said)


def test_options_hold_for_every_file(watch: Watch, shop: Shop, folder: Path) -> None:
    """Semicolons and decimal commas apply to every file and conditions to colours; a wrong option is refused at the start."""
    (folder / "colour").mkdir()
    put(folder / "diameter" / "a.csv", f"spool_code;d1_mm;d2_mm;measured_at\nS-1;1,75;1,76;{MEASURED}\n")
    put(folder / "colour" / "a.csv", f"spool_code;L;a;b;measured_at\nS-1;95,0;-0,8;1,5;{MEASURED}\n")
    light = (
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
    written = ("--delimiter", ";", "--decimal", "comma")
    assert 2 == watch("--delimiter", "|").returncode
    done = watch(*written, *light)
    assert 0 == done.returncode, done.stderr
    assert {"diameter", "color"} == {row["kind"] for row in stored(shop)}
    assert 2 == watch("--as", "\t").returncode
