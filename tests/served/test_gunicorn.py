"""Several workers of gunicorn: simultaneous start, common counts, one log form, separate connections, orderly end."""

from __future__ import annotations

import json
import os
import re
import signal
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests.trust.serving import Client, deliver, furnish

pytestmark = pytest.mark.served


def lines(served):
    """Its log lines, each one JSON object."""
    return [json.loads(line) for line in served.log.read_text().splitlines()]


def workers(served):
    """The process ids of the workers."""
    listed = Path(f"/proc/{served.process.pid}/task/{served.process.pid}/children").read_text()
    return {int(number) for number in listed.split()}


@pytest.mark.parametrize("preload", [[], ["--preload"]], ids=["loaded by each worker", "preloaded"])
def test_four_workers_start_on_an_empty_database_and_serve(gunicorn, token, preload):
    """Deliveries and readings of many simultaneous clients are stored with unique numbers by all workers."""
    served = gunicorn("--workers", "4", "--threads", "2", *preload)
    admin = token("admin")
    boss = Client(served.port, admin)
    whose = furnish(boss)

    def log(number):
        client = Client(served.port, admin)
        status, made = deliver(client, whose, f"LOT-{number}", 1)
        spool = client.must("GET", f"/v1/deliveries/{made['id']}/labels")["labels"][0]["spool_code"]
        reading = {"spool_code": spool, "position_m": 1, "d1_mm": 1.75, "d2_mm": 1.75}
        read, _ = client.ask("POST", "/v1/diameter-readings", reading)
        client.close()
        return status, read, made["id"]

    with ThreadPoolExecutor(8) as pool:
        done = list(pool.map(log, range(24)))
    assert {(201, 201)} == {(status, read) for status, read, _ in done}
    assert 24 == len({number for _, _, number in done})
    assert {"released"} == {lot["standing"] for lot in boss.must("GET", "/v1/lots?limit=100")["items"]}
    boss.close()
    assert 4 == len(workers(served))
    assert 0 == served.stop()


def test_the_log_has_one_form_and_each_request_one_line(gunicorn):
    """All log lines are JSON, gunicorn's too, with one per request."""
    served = gunicorn("--workers", "2")
    assert 401 == served.ask("GET", "/v1/me", X_Request_Id="a-request-of-ours")[0]
    assert 0 == served.stop()
    said = lines(served)
    assert 1 == sum(line["request_id"] == "a-request-of-ours" for line in said)
    assert {"gunicorn.error", "lots.requests"} == {line["logger"] for line in said}


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize("preload", [[], ["--preload"]], ids=["loaded by each worker", "preloaded"])
def test_each_worker_runs_the_background_tasks(gunicorn, preload):
    """Each worker has the background thread before any request, and the master process has none."""
    served = gunicorn("--workers", "2", *preload)
    served.wait_for(lambda: len(workers(served)) == 2, "both workers")

    def named(process):
        return [task.joinpath("comm").read_text().strip() for task in Path(f"/proc/{process}/task").iterdir()]

    # Python 3.14 gives a thread's name to the system; in every version the threads can be counted.
    threads = {process: len(named(process)) for process in workers(served)}
    served.wait_for(lambda: all(len(named(one)) >= 2 for one in workers(served)), f"their threads, now {threads}")
    assert 1 == len(named(served.process.pid))


def requests_by_route(served, admin):
    """Any worker's counts of all: route -> answered requests."""
    status, _, text = served.ask("GET", "/metrics", Authorization=f"Bearer {admin}")
    assert 200 == status
    families = {family.name: family for family in text_string_to_metric_families(text.decode())}
    counted = {}
    for sample in families["lots_requests"].samples:
        route = sample.labels["route"]
        counted[route] = counted.get(route, 0) + sample.value
    standing = {sample.labels["standing"]: sample.value for sample in families["lots_standing"].samples}
    return counted, standing, families["lots_decisions"].samples[0].value


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize("preload", [[], ["--preload"]], ids=["loaded by each worker", "preloaded"])
def test_any_worker_counts_for_all_and_for_those_that_ended(gunicorn, token, tmp_path, preload):
    """Sixty requests to three workers count as sixty at any worker, also after two were killed, and a lot as one."""
    folder = tmp_path / "metrics"
    served = gunicorn("--workers", "3", *preload, PROMETHEUS_MULTIPROC_DIR=str(folder))
    admin = token("admin")
    boss = Client(served.port, admin)
    deliver(boss, furnish(boss), "LOT-1", 1)
    boss.close()
    for _ in range(60):
        served.ask("GET", "/v1/me", Authorization=f"Bearer {admin}")
    assert {60} == {requests_by_route(served, admin)[0]["/v1/me"] for _ in range(8)}
    killed = set(list(workers(served))[:2])
    for process in killed:
        os.kill(process, signal.SIGKILL)
    served.wait_for(lambda: len(workers(served) - killed) == 3, "new workers")
    for _ in range(8):
        counted, standing, decisions = requests_by_route(served, admin)
        assert (60, 1, 1) == (counted["/v1/me"], sum(standing.values()), decisions)
    assert 2 <= len(list(folder.glob("counter_*.db")))


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_new_start_counts_anew(gunicorn, tmp_path):
    """Files of an earlier start are removed."""
    folder = tmp_path / "metrics"
    folder.mkdir()
    old = folder / "counter_1.db"
    old.write_bytes(b"")
    gunicorn("--workers", "1", PROMETHEUS_MULTIPROC_DIR=str(folder))
    assert not old.exists()


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize(("proxy", "believed"), [("none", False), ("127.0.0.1", True)])
def test_gunicorn_itself_believes_nobody(gunicorn, token, proxy, believed):
    """Forwarded headers are trusted by gunicorn only as set."""
    served = gunicorn("--workers", "1", LOTS_PROXY=proxy)
    quality = f"Bearer {token('quality')}"
    boss = Client(served.port, token("admin"))
    _, made = deliver(boss, furnish(boss), "LOT-1", 1)
    boss.close()
    said = {"X_Forwarded_Proto": "https", "X_Forwarded_Host": "lots.example", "X_Forwarded_Prefix": "/filament"}
    path = f"/v1/deliveries/{made['id']}/labels"
    _, _, found = served.ask("GET", path, Authorization=quality, **said)
    assert believed == found["labels"][0]["url"].startswith("https://lots.example/filament/")


@pytest.mark.parametrize("engine", ["sqlite"])
def test_uses_of_a_token_are_written_when_a_worker_ends(gunicorn, token, database_url):
    """Token uses noted by a worker in its last minute are written at its end."""
    served = gunicorn("--workers", "1")
    served.ask("GET", "/v1/me", Authorization=f"Bearer {token('quality')}")
    assert 0 == served.stop()
    import sqlite3

    with sqlite3.connect(database_url.removeprefix("sqlite:///")) as line:
        assert re.match(r"\d{4}-", line.execute("SELECT last_used_at FROM token").fetchone()[0])
    line.close()
