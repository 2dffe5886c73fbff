"""Removes the database under a server during writes, and looks for missing acknowledged data after its return."""

from __future__ import annotations

import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from tests.trust.serving import MEASURED, Client, Gone, Server, add_token, database, deliver, furnish

WRITERS = 4


@dataclass
class Report:
    """What the harness found.

    Attributes:
        acknowledged: notes of the readings that were answered 201.
        stored: notes of the readings that are in the database at the end.
        refused: how many were answered 503.
        others: every other status that was answered.
        ended: exit status of the server that was stopped while the file was away.
        ready: what `/readyz` answered while the file was there, away, and back again.
    """

    acknowledged: set[str]
    stored: set[str]
    refused: int
    others: set[int]
    ended: int
    ready: list[int]


def run(rounds: int) -> Report:
    """Moves the file away and back so many times while four people write, and stops the server while it is away for the last time."""
    with tempfile.TemporaryDirectory() as folder, database(None, Path(folder)) as url:
        file, aside = Path(folder) / "shop.sqlite3", Path(folder) / "aside.sqlite3"
        token = add_token(url, "Hester")
        server = Server.start(url)
        client = Client(server.port, token)
        spool = deliver(client, furnish(client), "L-1", 1)[1]["spools"][0]["code"]
        answers: list[tuple[str, int]] = []
        stop = threading.Event()
        people = [
            threading.Thread(target=_write, args=(server.port, token, spool, answers, stop, n)) for n in range(WRITERS)
        ]
        for person in people:
            person.start()
        ready = [client.ask("GET", "/readyz")[0]]
        for number in range(rounds):
            _until(answers, 201)
            file.rename(aside)
            _until(answers, 503)
            ready.append(client.ask("GET", "/readyz")[0])
            if number < rounds - 1:
                aside.rename(file)
                ready.append(client.ask("GET", "/readyz")[0])
        stop.set()
        for person in people:
            person.join()
        client.close()
        server.process.terminate()
        ended = server.process.wait(30)
        aside.rename(file)
        again = Server.start(url)
        stored = _notes(Client(again.port, token))
        again.kill()
    acknowledged = {note for note, status in answers if status == 201}
    statuses = [status for _, status in answers]
    return Report(acknowledged, stored, statuses.count(503), {*statuses} - {201, 503}, ended, ready)


def _until(answers: list[tuple[str, int]], status: int) -> None:
    """Waits for this status some times more."""
    before, until = len(answers), time.monotonic() + 60
    while sum(one == status for _, one in answers[before:]) < 3 * WRITERS:
        if time.monotonic() > until:
            raise AssertionError(f"nobody is answered {status}: {answers[before:][-5:]}")
        time.sleep(0.01)


def _write(
    port: int, token: str, spool: str, answers: list[tuple[str, int]], stop: threading.Event, number: int
) -> None:
    client, count = Client(port, token), 0
    while not stop.is_set():
        count += 1
        note = f"{number}-{count}"
        body = {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED, "note": note}
        try:
            answers.append((note, client.ask("POST", "/v1/diameter-readings", body)[0]))
        except Gone:
            answers.append((note, 0))
    client.close()


def _notes(client: Client) -> set[str]:
    found: set[str] = set()
    path = "/v1/lots/1/readings?limit=500"
    while path:
        page = client.must("GET", path)
        found |= {item["note"] for item in page["items"]}
        path = page["next"] or ""
    client.close()
    return found
