"""Many people load, block and lift the same lots on several servers; the history is searched for a load after a block."""

from __future__ import annotations

import random
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.trust.serving import MEASURED, Client, Server, add_token, database, deliver, furnish


@dataclass(frozen=True)
class Done:
    """One request by the common clock of all processes: start, answer, and whether granted."""

    what: str
    lot: int
    asked: float
    answered: float
    granted: bool


@dataclass
class Report:
    """The checker's result."""

    requests: int
    loads: int
    blocks: int
    readings: int
    faults: list[str]

    def __str__(self) -> str:
        found = "linearisable" if not self.faults else f"{len(self.faults)} FAULTS"
        return f"{self.requests} requests, {self.loads} loads granted, {self.blocks} blocks, {self.readings} readings: {found}"


def run(server_url: str | None, seconds: float, seed: int, servers: int = 3, people: int = 6, lots: int = 3) -> Report:
    """Runs people against each other and checks their answers.

    Args:
        server_url: a PostgreSQL server, None for SQLite.
        seconds: duration.
        seed: of the actions.
        servers: processes on the same database.
        people: half of them load and unload, the others block, lift and measure.
        lots: few enough for conflicts.
    """
    with tempfile.TemporaryDirectory() as folder, database(server_url, Path(folder)) as url:
        token = add_token(url, "Hester")
        running = [Server.start(url) for _ in range(servers)]
        try:
            client = Client(running[0].port, token)
            stock = _stock(client, lots, people)
            history: list[Done] = []
            readings: list[int] = []
            until = time.monotonic() + seconds
            crew = []
            for number in range(people):
                line = Client(running[number % servers].port, token)
                chance = random.Random(f"{seed}-{number}")
                work = _load if number % 2 else _block
                crew.append(threading.Thread(target=work, args=(line, stock, number, chance, until, history, readings)))
            for one in crew:
                one.start()
            for one in crew:
                one.join()
            client.close()  # a line that was quiet for a minute is cut; the next request opens another
            faults = loads_after_blocks(history)
            faults += _lost(client, stock, readings)
            client.close()
        finally:
            for server in running:
                server.kill()
        granted = [done for done in history if done.granted]
        loads, blocks = (sum(done.what == what for done in granted) for what in ("load", "block"))
        return Report(len(history) + len(readings), loads, blocks, len(readings), faults)


def _stock(client: Client, lots: int, people: int) -> dict[int, list[str]]:
    """Released lots with a spool for every person."""
    whose, stock = furnish(client), {}
    for number in range(lots):
        status, answer = deliver(client, whose, f"L-{number}", people)
        if status != 201:
            raise AssertionError(answer)
        stock[answer["lot"]["id"]] = [spool["code"] for spool in answer["spools"]]
        first = answer["sample"]["spool_codes"][0]
        client.must("POST", "/v1/diameter-readings", _reading(first))
    return stock


def _reading(code: str) -> dict[str, Any]:
    return {"spool_code": code, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED}


def _load(
    line: Client, stock: dict[int, list[str]], me: int, chance: random.Random, until: float, history: list[Done], _: Any
) -> None:
    """Loads one's own spool of a lot for a hidden part and unloads it."""
    while time.monotonic() < until:
        lot = chance.choice(sorted(stock))
        body = {"spool_code": stock[lot][me], "machine": f"P{me}", "job": "J", "use": "hidden"}
        asked = time.monotonic()
        status, answer = line.ask("POST", "/v1/loads", body)
        history.append(Done("load", lot, asked, time.monotonic(), status == 201))
        if status == 201:
            left = chance.uniform(0, answer["mass_before_g"])
            line.must("POST", f"/v1/loads/{answer['id']}/unload", {"remaining_mass_g": left})
        elif status != 409:
            raise AssertionError(answer)
    line.close()


def _block(
    line: Client,
    stock: dict[int, list[str]],
    me: int,
    chance: random.Random,
    until: float,
    history: list[Done],
    readings: list[int],
) -> None:
    """Blocks a lot, lifts it, and measures meanwhile."""
    while time.monotonic() < until:
        lot = chance.choice(sorted(stock))
        for what in ("block", "lift"):
            asked = time.monotonic()
            status, answer = line.ask("POST", f"/v1/lots/{lot}/decisions", {"action": what, "reason": "seen on parts"})
            if status not in (201, 409):
                raise AssertionError(answer)
            history.append(Done(what, lot, asked, time.monotonic(), status == 201))
            time.sleep(chance.uniform(0, 0.05))
        status, answer = line.ask("POST", "/v1/diameter-readings", _reading(stock[lot][me]))
        if status != 201:
            raise AssertionError(answer)
        readings.append(answer["id"])
    line.close()


def loads_after_blocks(history: list[Done]) -> list[str]:
    """Returns every granted load of a lot that was certainly blocked during the whole request.

    A block is certain from its answer until the request for the next granted lift. A load requested after the answer and answered
    before that request fits no order of the three (Herlihy and Wing 1990, linearisability).
    """
    faults = []
    for lot in {done.lot for done in history}:
        mine = [done for done in history if done.lot == lot and done.granted]
        lifts = [done for done in mine if done.what == "lift"]
        for block in (done for done in mine if done.what == "block"):
            # Lifts that may have come after this block: those not answered before it was asked.
            ends = min((lift.asked for lift in lifts if lift.answered > block.asked), default=float("inf"))
            faults += [
                f"lot {lot}: a load was granted {load.asked - block.answered:.4f} s after a block was acknowledged"
                for load in mine
                if load.what == "load" and load.asked > block.answered and load.answered < ends
            ]
    return faults


def _lost(client: Client, stock: dict[int, list[str]], readings: list[int]) -> list[str]:
    faults: list[str] = []
    there: set[int] = set()
    for lot in stock:
        path: str | None = f"/v1/lots/{lot}/readings?limit=500"
        while path:
            page = client.must("GET", path)
            there |= {row["id"] for row in page["items"]}
            path = page["next"]
        spools = client.must("GET", f"/v1/lots/{lot}")["spools"]
        faults += [f"spool {spool['code']} is below zero" for spool in spools if spool["remaining_mass_g"] < 0]
    return faults + [
        f"reading {number} was acknowledged and is not there" for number in readings if number not in there
    ]
