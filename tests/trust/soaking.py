"""Keeps a server under load for minutes, and checks that memory, open files and aging tables level off."""

from __future__ import annotations

import random
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from lots.store.engine import database as engine
from lots.store.engine.database import db
from lots.store.tables.models import RepeatedRequest, WebSession
from tests.trust.receiver import Receiver
from tests.trust.serving import MEASURED, Client, Gone, Server, add_token, children_of, database, deliver, furnish

WRITERS, READERS = 2, 2
EVERY_S = 5.0
# Each turn of so many seconds represents as many days, so that answers expire during a soak.
DAYS_LATER, TURN_S = 8, 60.0
# The last third can exceed the middle third by this and still be level, because Python takes memory in steps.
LEVEL = 1.10
# In the pages that readers ask, one after the other.
PATHS = (
    "/v1/lots?limit=50",
    "/v1/deliveries?limit=50",
    "/v1/loads?limit=50",
    "/v1/changes?after=latest",
    "/v1/supplier-comparison?grade_id=1",
    "/v1/drift?grade_id=1&supplier_id=1&characteristic=diameter",
    "/v1/openapi.json",
    "/v1/nothing",
    "/metrics",
)


@dataclass
class Sample:
    """Values at a moment: resident memory, MiB; open files; rows of repeated answers and of sessions."""

    at_s: float
    memory_mib: float
    files: int
    repeated: int
    sessions: int


@dataclass
class Report:
    """What was requested and what grew."""

    requests: int
    samples: list[Sample]
    faults: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        found = "level" if not self.faults else f"{len(self.faults)} FAULTS"
        thirds = ", ".join(
            f"{what} {' / '.join(f'{part:.0f}' for part in self.thirds(what))}"
            for what in ("memory_mib", "files", "repeated", "sessions")
        )
        return f"{self.requests} requests; medians of the three thirds: {thirds}: {found}"

    def thirds(self, what: str) -> list[float]:
        """The median of a quantity in each third of the time."""
        size = len(self.samples) // 3
        parts = (self.samples[:size], self.samples[size : 2 * size], self.samples[2 * size :])
        return [statistics.median(getattr(sample, what) for sample in part) for part in parts]


def run(
    server_url: str | None, minutes: float, seed: int, tell: Callable[[str], None] = lambda _: None, workers: int = 1
) -> Report:
    """Writes, reads and signs in without a pause, and samples the server.

    Args:
        server_url: a PostgreSQL server, None for SQLite.
        minutes: how long.
        seed: of the requests.
        workers: processes that serve; more than one takes PostgreSQL.

    Notes:
        Every minute the stored answers and sessions become eight days older, so that the remaining ones are those that the server has
        not deleted yet. Everything else is kept, so the database grows.
    """
    with tempfile.TemporaryDirectory() as folder, database(server_url, Path(folder)) as url:
        token = add_token(url, "Hester")
        server, receiver = Server.start(url, workers=workers), Receiver()
        client = Client(server.port, token)
        whose = furnish(client)
        receiver.secret = client.must("POST", "/v1/webhooks", {"url": receiver.url})["secret"]
        client.close()
        report, stop, lock = Report(0, []), threading.Event(), threading.Lock()
        work = [(_write, n) for n in range(WRITERS)] + [(_read, n) for n in range(READERS)] + [(_sign_in, 0)]
        people = [
            threading.Thread(target=_busy, args=(one, f"{seed}-{n}", server.port, token, whose, report, lock, stop))
            for one, n in work
        ]
        for person in people:
            person.start()
        _watch(url, server, minutes, report, tell)
        stop.set()
        for person in people:
            person.join(timeout=60)
        server.kill()
        receiver.close()
    for what in ("memory_mib", "files", "repeated", "sessions"):
        _, middle, last = report.thirds(what)
        if last > LEVEL * middle + 1:
            report.faults.append(f"{what} went on growing: {middle:.0f}, then {last:.0f}")
    return report


def _busy(
    work: Callable[..., int],
    name: str,
    port: int,
    token: str,
    whose: dict[str, int],
    report: Report,
    lock: threading.Lock,
    stop: threading.Event,
) -> None:
    """Repeats one kind of work; a failing request is a fault."""
    client, chance, turn = Client(port, token), random.Random(name), 0
    while not stop.is_set():
        turn += 1
        try:
            asked = work(client, whose, f"{name}-{turn}", chance)
        except (AssertionError, Gone, KeyError) as error:
            with lock:
                report.faults.append(f"{type(error).__name__}: {error}")
            stop.wait(1)
            continue
        with lock:
            report.requests += asked
    client.close()


def _write(client: Client, whose: dict[str, int], number: str, chance: random.Random) -> int:
    """A delivery, readings with a key, a load, an unload, a block."""
    status, answer = deliver(client, whose, f"S-{number}", 1, key=f"d-{number}")
    if status != 201:
        raise AssertionError(answer)
    code = answer["spools"][0]["code"]
    readings = [{"spool_code": code, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED} for _ in range(3)]
    load = {"spool_code": code, "machine": f"P-{number[:3]}", "job": f"J-{number}", "use": "hidden"}
    load |= {"confirm_new_job": True, "confirm_new_machine": True}
    for key, path, body in (("r", "/v1/diameter-readings", readings), ("l", "/v1/loads", load)):
        status, found = client.ask("POST", path, body, f"{key}-{number}")
        if status != 201:
            raise AssertionError(found)
    client.must("POST", f"/v1/loads/{found['id']}/unload", {"remaining_mass_g": chance.uniform(0, 900)})
    client.must("POST", f"/v1/lots/{answer['lot']['id']}/decisions", {"action": "block", "reason": "streaks"})
    return 5


def _read(client: Client, _whose: dict[str, int], _number: str, chance: random.Random) -> int:
    """A page, or an unknown address."""
    status, answer = client.ask("GET", chance.choice(PATHS))
    if status >= 500:
        raise AssertionError(answer)
    return 1


def _sign_in(client: Client, _whose: dict[str, int], _number: str, _chance: random.Random) -> int:
    """A person signs in, reads the lots, and leaves without a sign-out."""
    with signed_in(client.port, client.token) as browser:
        page = browser.get("/lots")
        # Days may just have passed, so that the session has ended.
        if page not in (200, 302):
            raise AssertionError(f"the page of lots answered {page}")
    time.sleep(0.2)
    return 3


@contextmanager
def signed_in(port: int, token: str) -> Iterator[Any]:
    """A browser's sign-in: the form of the page, sent with the token."""
    from tests.trust.browsing import Browser

    browser = Browser(port)
    try:
        browser.sign_in(token)
        yield browser
    finally:
        browser.close()


def _watch(url: str, server: Server, minutes: float, report: Report, tell: Callable[[str], None]) -> None:
    """Samples until the end, and ages expiring rows."""
    began, aged = time.monotonic(), time.monotonic()
    engine.open_database(url)
    while (now := time.monotonic()) - began < 60 * minutes:
        time.sleep(EVERY_S)
        engine.connect()
        try:
            if now - aged >= TURN_S:
                aged = now
                _grow_older()
            counts = RepeatedRequest.select().count(), WebSession.select().count()
        finally:
            engine.disconnect()
        processes = [server.process.pid, *children_of(server.process.pid)]
        memory, files = sum(map(_memory_mib, processes)), sum(map(_open_files, processes))
        report.samples.append(Sample(now - began, memory, files, *counts))
        tell(f"{now - began:5.0f} s: {memory:.0f} MiB, {files} files, {counts[0]} answers, {counts[1]} sessions")
    engine.close()


def _grow_older() -> None:
    """Ages rows by days. Times are text of fixed width, so each is changed singly."""
    for table, columns in ((RepeatedRequest, ("recorded_at",)), (WebSession, ("started_at", "ends_at"))):
        with db.atomic():
            values = {name: datetime.now(UTC) - timedelta(days=DAYS_LATER) for name in columns}
            table.update(values).execute()


def _memory_mib(process: int) -> float:
    """Resident memory of a process (Linux)."""
    text = Path(f"/proc/{process}/status").read_text("ascii")
    return int(text.partition("VmRSS:")[2].split()[0]) / 1024


def _open_files(process: int) -> int:
    return len(list(Path(f"/proc/{process}/fd").iterdir()))
