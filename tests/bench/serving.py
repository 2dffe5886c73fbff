"""A clearance over HTTP from a real server: requests a second, latency and profile, compared with a bare Flask route on the same server."""

from __future__ import annotations

import contextlib
import json
import logging
import math
import os
import selectors
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Flask, jsonify

from lots import demo
from lots.settings import Settings
from lots.store.engine import database
from tests.bench.clearance import SPOOL, Kept, asker, cpu_s
from tests.trust.serving import free_port

ROUNDS, SECONDS, CONNECTIONS = 5, 3.0, (4, 8)
PATH = f"/v1/spools/{SPOOL}/clearance?use=cosmetic"
OURS, BARE = "clearance", "bare Flask"
PATIENCE_S = 30.0
SAMPLED_S, EVERY_S = 12.0, 0.001


def run() -> None:
    """Prints both servers' rates and latencies with their ratios, the median of alternated rounds with their spread, then what a request is spent on."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        app, tokens, loaded = demo.build(folder)
        # The lines of the log are written, as they are in use, but not to the screen.
        logger = logging.getLogger("lots")
        logger.handlers[0] = Kept(logger.handlers[0])
        ours, token = asker(app, PATH, tokens["production"]), tokens["production"]
        body, request = ours(), _request(token)
        (folder / "answer.json").write_bytes(body)
        ways = {OURS: ours, BARE: asker(_bare(body), PATH)}
        shop = {"LOTS_DATABASE": f"sqlite:///{loaded['path']}"}
        with _served(_OURS, folder, **shop) as one, _served(_BARE, folder) as other:
            servers = {OURS: one, BARE: other}
            for server in servers.values():
                _checked(server, request, json.loads(body))
            rounds, alone = _rounds(servers, request, ways)
        _tell_rounds(rounds)
        if hasattr(signal, "setitimer"):
            _tell_parts(rounds, alone, {way: _sampled(ask) for way, ask in ways.items()})
        database.close()


# The servers


def _bare(body: bytes) -> Flask:
    """A Flask application that answers this JSON where a clearance is asked for, and does nothing else."""
    answer, app = json.loads(body), Flask("bare")
    app.get("/v1/spools/<code>/clearance")(lambda code: jsonify(answer))
    return app


def serve_bare(port: int, file: Path) -> None:
    """Serves the bare application with what `lots serve` gives to the same server."""
    from lots.server import create_server

    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    create_server(_bare(file.read_bytes()), Settings(), host="127.0.0.1", port=port).run()


def keep_to(core: int) -> None:
    """Pins this process to one core, where the system can and has more than one."""
    if hasattr(os, "sched_setaffinity") and len(os.sched_getaffinity(0)) > 1:
        os.sched_setaffinity(0, {sorted(os.sched_getaffinity(0))[core]})


_OURS = "from lots.cli import main; main(['serve', '--port', '{port}'])"
_BARE = "from pathlib import Path; serving.serve_bare({port}, Path('answer.json'))"


@dataclass(frozen=True, slots=True)
class _Server:
    """A server in a process of its own."""

    port: int
    pid: int


@contextmanager
def _served(code: str, folder: Path, **environment: str) -> Iterator[_Server]:
    """Starts a server on the first core, in a folder, waits until it listens, and stops it at the end. Its log is a file there."""
    port = free_port()
    whole = f"from tests.bench import serving; serving.keep_to(0); {code.format(port=port)}"
    here = {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[2]), *sys.path]), "LOTS_HOST": "127.0.0.1"}
    with (folder / f"{port}.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-c", whole],
            cwd=folder,
            env={**os.environ, **here, **environment},
            stdout=log,
            stderr=log,
        )
        try:
            _wait_for(port, process)
            yield _Server(port, process.pid)
        finally:
            process.terminate()
            process.wait(PATIENCE_S)


def _wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and process.poll() is None:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.05)
    raise RuntimeError("the server does not listen")


# Asking


def _request(token: str) -> bytes:
    lines = (f"GET {PATH} HTTP/1.1", "Host: 127.0.0.1", f"Authorization: Bearer {token}", "Accept: application/json")
    return "\r\n".join([*lines, "", ""]).encode()


def _checked(server: _Server, request: bytes, expected: dict[str, Any]) -> None:
    """Compares the answers of both servers, except for the time of computing."""
    with socket.create_connection(("127.0.0.1", server.port), PATIENCE_S) as line:
        line.sendall(request)
        got = b""
        while (size := _size(got)) is None or len(got) < size:
            got += line.recv(65536)
    status, _, body = got.partition(b"\r\n\r\n")
    said = json.loads(body)
    if b" 200 " not in status or {**said, "checked_at": 0} != {**expected, "checked_at": 0}:
        raise RuntimeError(f"the server answers something else: {got[:500]!r}")


def _size(got: bytes) -> int | None:
    """The length of the answer with its head, bytes; None while unknown."""
    end = got.find(b"\r\n\r\n")
    if end < 0:
        return None
    at = got.lower().index(b"content-length:") + len(b"content-length:")
    return end + 4 + int(got[at : got.index(b"\r\n", at)])


@dataclass(frozen=True, slots=True)
class Round:
    """The result of one round.

    Attributes:
        per_s: requests answered in a second.
        p50_s: time from sending a request to the whole answer that half of them did not exceed, s.
        p99_s: the same of 99 in 100.
        server: share of its core that the server took, 0..1.
        asking: share of its core that the client took, 0..1.
        server_cpu_s: CPU of the server for one request, s.
    """

    per_s: float
    p50_s: float
    p99_s: float
    server: float
    asking: float
    server_cpu_s: float


def ask_for(port: int, connections: int, seconds: float, request: bytes) -> dict[str, Any]:
    """Requests over so many connections, each after its last answer, and returns the result.

    One thread on bare sockets and a selector sends, receives and searches for the length, so it waits nearly all the time. Its own share is
    returned too.
    """
    waiting = selectors.DefaultSelector()
    began: dict[int, float] = {}
    got: dict[int, bytes] = {}
    taken: list[float] = []
    for _ in range(connections):
        line = socket.create_connection(("127.0.0.1", port), PATIENCE_S)
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        waiting.register(line, selectors.EVENT_READ, line)
        got[line.fileno()], began[line.fileno()] = b"", time.perf_counter()
        line.sendall(request)
    cpu, start = time.process_time(), time.perf_counter()
    until = start + seconds
    while (now := time.perf_counter()) < until:
        for key, _ in waiting.select(1.0):
            line, number = key.data, key.fd
            text = got[number] + line.recv(65536)
            size = _size(text)
            if size is None or len(text) < size:
                got[number] = text
                continue
            if not text.startswith(b"HTTP/1.1 200"):
                raise RuntimeError(f"the server answers {text[:200]!r}")
            now = time.perf_counter()
            taken.append(now - began[number])
            got[number], began[number] = b"", now
            line.sendall(request)
    whole, cpu = time.perf_counter() - start, time.process_time() - cpu
    for key in list(waiting.get_map().values()):
        key.data.close()
    waiting.close()
    cuts = statistics.quantiles(taken, n=100)
    return {"per_s": len(taken) / whole, "p50_s": cuts[49], "p99_s": cuts[98], "asking": cpu / whole, "n": len(taken)}


def _asked(server: _Server, connections: int, request: bytes, seconds: float = SECONDS) -> Round:
    """One round from a separate process, on the other core."""
    code = (
        "import json, sys; from tests.bench import serving; serving.keep_to(-1); "
        f"print(json.dumps(serving.ask_for({server.port}, {connections}, {seconds}, sys.stdin.buffer.read())))"
    )
    before = _cpu_of(server.pid)
    done = subprocess.run([sys.executable, "-c", code], input=request, capture_output=True, check=True)
    found = json.loads(done.stdout)
    # The server does nothing while the other process starts, so all its CPU went into those requests.
    cpu = _cpu_of(server.pid) - before
    each = cpu / found["n"]
    return Round(found["per_s"], found["p50_s"], found["p99_s"], each * found["per_s"], found["asking"], each)


def _cpu_of(pid: int) -> float:
    """CPU of a process, s; NaN where the system does not give it in this way."""
    try:
        parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return math.nan
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def _rounds(
    servers: dict[str, _Server], request: bytes, ways: dict[str, Callable[[], bytes]]
) -> tuple[dict[tuple[str, int], list[Round]], dict[str, list[float]]]:
    """Every round, and for each the CPU of a request to the application alone, s."""
    found: dict[tuple[str, int], list[Round]] = {(name, n): [] for n in CONNECTIONS for name in servers}
    alone: dict[str, list[float]] = {name: [] for name in servers}
    for server in servers.values():
        _asked(server, max(CONNECTIONS), request, 1.0)
    for number in range(ROUNDS):
        # The first of a round is the second of the next.
        for name in sorted(servers, reverse=bool(number % 2)):
            alone[name].append(cpu_s(ways[name]))
            for connections in CONNECTIONS:
                found[name, connections].append(_asked(servers[name], connections, request))
    return found, alone


def _tell_rounds(rounds: dict[tuple[str, int], list[Round]]) -> None:
    sys.stdout.write(
        f"medians of {ROUNDS} alternated rounds of {SECONDS:g} s; server on one core, who asks on the other\n"
    )
    sys.stdout.write(
        f"{'':12}{'connections':>12}{'requests/s':>12}{'p50 ms':>9}{'p99 ms':>9}{'server busy':>13}{'asking busy':>13}\n"
    )
    for (name, connections), each in rounds.items():
        middle = {field: statistics.median(getattr(one, field) for one in each) for field in Round.__slots__}
        sys.stdout.write(
            f"{name:12}{connections:12}{middle['per_s']:12.0f}{1e3 * middle['p50_s']:9.2f}{1e3 * middle['p99_s']:9.2f}"
            f"{middle['server']:13.0%}{middle['asking']:13.0%}\n"
        )
    for connections in CONNECTIONS:
        for field, what in (
            ("per_s", "requests/s"),
            ("p50_s", "p50"),
            ("p99_s", "p99"),
            ("server_cpu_s", "server CPU"),
        ):
            pairs = zip(rounds[OURS, connections], rounds[BARE, connections], strict=True)
            ratios = sorted(getattr(one, field) / getattr(other, field) for one, other in pairs)
            middle = statistics.median(ratios)
            sys.stdout.write(
                f"{what:>12} of {OURS} over {BARE}, {connections} connections: {middle:.2f} x ({ratios[0]:.2f}-{ratios[-1]:.2f})\n"
            )


# Where the time goes

# Whose work a line of code is, by the file it stands in; the first that fits. Of these the outermost one on the stack counts: what the
# log, the token or a query calls is done for it.
_OWNERS = (
    ("lots/api/http/logs.py", "log line and request id"),
    ("/logging/", "log line and request id"),
    ("response.py:add_etag", "ETag and Date"),
    ("response.py:make_conditional", "ETag and Date"),
    ("lots/api/http/metrics.py", "metrics"),
    ("lots/api/http/throttle.py", "guarding headers"),
    ("lots/services/setup/access.py", "token"),
    ("lots/store/engine/database.py", "connection taken and given back"),
    ("lots/store/", "query, its row as objects"),
)
# And of these, where none of those is on the stack, the innermost: they call what they wrap.
_DOERS = (
    ("lots/api/http/authentication.py", "token"),
    ("flask_httpauth", "token"),
    ("lots/domain/", "rules and words"),
    ("lots/services/", "rules and words"),
    ("flask/json/", "JSON"),
    ("/json/", "JSON"),
    ("webargs", "marshmallow: the question read"),
    ("marshmallow", "marshmallow: the question read"),
    ("lots/api/http/fields.py", "marshmallow: the question read"),
    ("flask_smorest", "flask-smorest"),
    ("lots/api/", "flask-smorest"),
    ("werkzeug/routing/", "Flask: routing"),
    ("werkzeug", "Flask: request, answer, hooks"),
    ("flask", "Flask: request, answer, hooks"),
)
_DUMPED = "marshmallow: the answer dumped"
_FLASK = "Flask: request, answer, hooks"
_SERVER = "waitress, sockets, threads"


def _family(frame: Any) -> str:
    """The package of the work in this frame."""
    doer, owner, dumping = None, None, False
    while frame is not None:
        place = f"{frame.f_code.co_filename}:{frame.f_code.co_name}"
        doer = doer or next((name for part, name in _DOERS if part in place), None)
        owner = next((name for part, name in _OWNERS if part in place), owner)
        dumping = dumping or place.endswith("marshmallow/schema.py:dump")
        frame = frame.f_back
    if owner is not None:
        return owner
    return _DUMPED if dumping and doer and doer.startswith("marshmallow") else doer or _FLASK


def _sampled(ask: Callable[[], bytes]) -> Counter[str]:
    """How often each package was at work in one thread, sampled by CPU time."""
    seen: Counter[str] = Counter()
    before = signal.signal(signal.SIGPROF, lambda _, frame: seen.update((_family(frame),)))
    signal.setitimer(signal.ITIMER_PROF, EVERY_S, EVERY_S)
    began = time.process_time()
    while time.process_time() - began < SAMPLED_S:
        ask()
    signal.setitimer(signal.ITIMER_PROF, 0)
    signal.signal(signal.SIGPROF, before)
    return seen


def _tell_parts(
    rounds: dict[tuple[str, int], list[Round]], alone: dict[str, list[float]], seen: dict[str, Counter[str]]
) -> None:
    parts: dict[str, dict[str, float]] = {}
    for name, found in seen.items():
        # In each round beside what the application took alone in the same one.
        pairs = zip(rounds[name, max(CONNECTIONS)], alone[name], strict=True)
        cpu = statistics.median(alone[name])
        parts[name] = {family: cpu * count / found.total() for family, count in found.items()}
        parts[name][_SERVER] = statistics.median(one.server_cpu_s - own for one, own in pairs)
    least, most = min(found.total() for found in seen.values()), max(found.total() for found in seen.values())
    sys.stdout.write(
        f"\nus CPU of a request by whose work it is, {least}-{most} samples in one thread; the last is what a server with "
        f"{max(CONNECTIONS)} connections takes beyond that\n{'':36}{OURS:>12}{BARE:>12}\n"
    )
    order = sorted({*parts[OURS], *parts[BARE]} - {_SERVER}, key=lambda one: -parts[OURS].get(one, 0.0))
    for family in (*order, _SERVER):
        ours, bare = (1e6 * parts[name].get(family, 0.0) for name in (OURS, BARE))
        sys.stdout.write(f"{family:36}{ours:12.0f}{bare:12.0f}\n")
    sys.stdout.write(f"{'all':36}{1e6 * sum(parts[OURS].values()):12.0f}{1e6 * sum(parts[BARE].values()):12.0f}\n")
