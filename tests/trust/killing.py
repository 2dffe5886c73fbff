"""Kills the server at random moments under load, and looks for missing acknowledged data."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.trust.receiver import Receiver
from tests.trust.serving import (
    MEASURED,
    PATIENCE_S,
    Client,
    Gone,
    NotThere,
    Server,
    add_token,
    database,
    free_port,
    furnish,
)

WRITERS = 4
LIST_LENGTH = 7


@dataclass
class Record:
    """What was sent and acknowledged."""

    sent: int = 0
    acknowledged: int = 0
    deliveries: dict[str, int] = field(default_factory=dict)
    lists: dict[str, int] = field(default_factory=dict)
    loads: dict[int, str] = field(default_factory=dict)
    keys: list[tuple[str, Any, str, int, Any]] = field(default_factory=list)


@dataclass
class Report:
    """The result of the harness."""

    kills: int
    sent: int
    acknowledged: int
    repeated: int
    changes: int
    faults: list[str]

    def __str__(self) -> str:
        found = "no loss" if not self.faults else f"{len(self.faults)} FAULTS"
        return (
            f"{self.kills} kills, {self.sent} writes sent, {self.acknowledged} acknowledged, {self.repeated} repeated "
            f"after a crash, {self.changes} changes delivered: {found}"
        )


def run(
    server_url: str | None, kills: int, seed: int, tell: Callable[[str], None] = lambda _: None, workers: int = 1
) -> Report:
    """Writes and kills, then reads everything back, and looks whether every change reached a receiver.

    Args:
        server_url: a PostgreSQL server, None for SQLite.
        kills: how often. With several workers every other kill ends one worker only.
        seed: of the moments.
        workers: processes that serve; more than one takes PostgreSQL.
    """
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder, database(server_url, Path(folder)) as url:
        token, port = add_token(url, "Hester"), free_port()
        server, receiver = Server.start(url, port, workers), Receiver()
        setting_up = Client(port, token)
        whose = furnish(setting_up)
        receiver.secret = setting_up.must("POST", "/v1/webhooks", {"url": receiver.url})["secret"]
        setting_up.close()
        record, lock, stop = Record(), threading.Lock(), threading.Event()
        people = [
            threading.Thread(target=_write, args=(port, token, whose, record, lock, stop, f"{seed}-{n}"), daemon=True)
            for n in range(WRITERS)
        ]
        for person in people:
            person.start()
        for number in range(kills):
            _wait_for_writes(record, chance.randint(1, 25))
            # Then at any moment of the next write or two.
            time.sleep(chance.uniform(0.0, 0.1))
            if workers > 1 and number % 2:
                server.kill_worker(chance)
            else:
                server.kill()
                server = Server.start(url, port, workers)
            if (number + 1) % 25 == 0:
                tell(f"{number + 1} kills, {record.acknowledged} writes acknowledged")
        stop.set()
        for person in people:
            person.join(timeout=60)
        client = Client(port, token)
        repeated, faults = _repeat(client, record)
        faults += _read_back(client, record)
        changes = _all_changes(client)
        faults += [f"change {number} did not reach the receiver" for number in receiver.missing(changes, 180.0)]
        faults += [f"{receiver.forged} messages with a wrong signature"] if receiver.forged else []
        client.close()
        server.kill()
        receiver.close()
        faults += _checked(url)
        return Report(kills, record.sent, record.acknowledged, repeated, len(changes), faults)


def _wait_for_writes(record: Record, more: int) -> None:
    """Waits for so many more acknowledged writes, so that there is something to lose on a slow machine."""
    until, wanted = time.monotonic() + PATIENCE_S, record.acknowledged + more
    while record.acknowledged < wanted and time.monotonic() < until:
        time.sleep(0.005)


def _write(
    port: int, token: str, whose: dict[str, int], record: Record, lock: threading.Lock, stop: threading.Event, name: str
) -> None:
    """One person: a delivery, a list of readings, a load, an unload, repeatedly; unanswered requests are recorded as such."""
    client, turn = Client(port, token), 0
    while not stop.is_set():
        turn += 1
        number = f"L-{name}-{turn}"
        try:
            status, answer = _told(client, record, lock, f"d-{number}", "/v1/deliveries", _delivery(whose, number))
            if status != 201:
                continue
            with lock:
                record.deliveries[number] = answer["lot"]["id"]
            code = answer["spools"][0]["code"]
            readings = [
                {
                    "spool_code": code,
                    "position_m": n,
                    "d1_mm": 1.75,
                    "d2_mm": 1.75,
                    "measured_at": MEASURED,
                    "note": number,
                }
                for n in range(LIST_LENGTH)
            ]
            status, _ = _told(client, record, lock, f"r-{number}", "/v1/diameter-readings", readings)
            if status == 201:
                with lock:
                    record.lists[number] = LIST_LENGTH
            load = {"spool_code": code, "machine": f"P-{name}", "job": number, "use": "hidden"}
            status, answer = _told(client, record, lock, f"l-{number}", "/v1/loads", load)
            if status == 201:
                with lock:
                    record.loads[answer["id"]] = number
                left = {"remaining_mass_g": 900}
                _told(client, record, lock, f"u-{number}", f"/v1/loads/{answer['id']}/unload", left)
        except Gone:
            time.sleep(0.1)
    client.close()


def _delivery(whose: dict[str, int], number: str) -> dict[str, Any]:
    return {
        **whose,
        "supplier_lot": number,
        "received_at": "2026-11-20T08:00:00Z",
        "spool_count": 2,
        "net_mass_g": 1000,
    }


def _told(client: Client, record: Record, lock: threading.Lock, key: str, path: str, body: Any) -> tuple[int, Any]:
    try:
        status, answer = client.ask("POST", path, body, key)
    except NotThere:
        raise
    except Gone:
        with lock:
            record.sent += 1
        raise
    with lock:
        record.sent += 1
        if status == 201:
            record.acknowledged += 1
            record.keys.append((path, body, key, status, answer))
    return status, answer


def _repeat(client: Client, record: Record) -> tuple[int, list[str]]:
    """Repeats acknowledged requests with their keys and expects the first answer."""
    chosen = record.keys[:: max(1, len(record.keys) // 200)]
    faults = []
    for path, body, key, status, answer in chosen:
        again = client.ask("POST", path, body, key)
        if again != (status, answer):
            faults.append(f"{key}: repeated, it answered {again[0]} and something else than before")
    return len(chosen), faults


def _read_back(client: Client, record: Record) -> list[str]:
    """Verifies that acknowledged data are present, lists whole or absent, and statuses those of the readings."""
    faults = []
    for number, lot_id in record.deliveries.items():
        status, lot = client.ask("GET", f"/v1/lots/{lot_id}")
        if status != 200 or lot["supplier_lot"] != number:
            faults.append(f"{number}: acknowledged and not there")
            continue
        count = len(client.must("GET", f"/v1/lots/{lot_id}/readings?limit=100")["items"])
        if count not in (0, LIST_LENGTH) or count < record.lists.get(number, 0):
            faults.append(f"{number}: {count} readings of a list of {LIST_LENGTH}")
        judged = client.must("GET", f"/v1/lots/{lot_id}/assessment")
        if (judged["standing"], judged["uses"]) != (lot["standing"], lot["uses"]):
            faults.append(f"{number}: stands {lot['standing']}, its readings say {judged['standing']}")
        if any(spool["remaining_mass_g"] < 0 for spool in lot["spools"]):
            faults.append(f"{number}: a spool below zero")
    there = _all_loads(client)
    faults += [
        f"load {load} of {number}: acknowledged and not there"
        for load, number in record.loads.items()
        if load not in there
    ]
    return faults


def _all_changes(client: Client) -> list[str]:
    """Numbers of all changes in the feed, in order."""
    found: list[str] = []
    path: str | None = "/v1/changes?limit=500"
    while path:
        page = client.must("GET", path)
        found += [str(row["id"]) for row in page["items"]]
        path = page["next"] if page["items"] else None
    return found


def _all_loads(client: Client) -> set[int]:
    found: set[int] = set()
    path: str | None = "/v1/loads?limit=500"
    while path:
        page = client.must("GET", path)
        found |= {row["id"] for row in page["items"]}
        path = page["next"]
    return found


def _checked(url: str) -> list[str]:
    """The output of `lots check` on the remaining database."""
    command = [sys.executable, "-c", "from lots.cli import main; main()", "check"]
    done = subprocess.run(
        command, env={**os.environ, "LOTS_DATABASE": url}, capture_output=True, text=True, check=False
    )
    return [] if done.returncode == 0 else [f"lots check: {done.stdout}{done.stderr}"]
