"""What a monitoring system reads at /metrics, as Prometheus text. It stands beside the API, outside /v1."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from flask import Flask, Response, request
from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector, disable_created_metrics
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from lots.api.http import logs
from lots.api.http.roles import admitted
from lots.domain.assessment.standing_by_hand import STANDINGS

disable_created_metrics()  # type: ignore[no-untyped-call]  # a second series for each, with the time it began
_SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10)


class _Record(Collector):
    """What the record itself says, asked when somebody reads the metrics.

    A counter in this process would count judgements that were then rolled back, miss those of other workers and of the command line, and
    start from nothing with each start. The database knows: one grouped count over an index gives where the lots stand, and the
    newest number of a decision how many there have been, since none is ever deleted. Decisions by their outcome would
    mean to read the whole history on every scrape, so they are not told apart.
    """

    def __init__(self, standings: Callable[[], Mapping[str, int]], decisions: Callable[[], int]) -> None:
        self._standings, self._decisions = standings, decisions

    def describe(self) -> Iterable[Metric]:
        """Nothing beforehand: registering must not ask the database."""
        return ()

    def collect(self) -> Iterable[Metric]:
        """Two queries."""
        stand = GaugeMetricFamily("lots_standing", "Lots by where they stand now.", labels=["standing"])
        counted = self._standings()
        for standing in STANDINGS:
            stand.add_metric([standing], counted.get(standing, 0))
        yield stand
        text = "Number of the newest decision about a lot; each one recorded raises it by one, or more after a broken request."
        yield CounterMetricFamily("lots_decisions", text, value=self._decisions())


def register(
    app: Flask, standings: Callable[[], Mapping[str, int]], decisions: Callable[[], int], *, to_all: bool
) -> None:
    """Counts the requests of an application and serves /metrics.

    Args:
        standings: answers how many lots stand where.
        decisions: answers the number of the newest decision, 0 before the first.
        to_all: True when no token is needed; else it takes one of the role monitoring or admin.

    Notes:
        Where PROMETHEUS_MULTIPROC_DIR names a folder, requests and durations are those of all processes that share it, the ended ones
        included, whichever is asked; without it they are of this process. Lots and decisions come from the database, so they are counted
        once. Memory and open files are of one process, and are left out where several answer.
    """
    shared = os.environ.get("PROMETHEUS_MULTIPROC_DIR")
    registry, answered = CollectorRegistry(), CollectorRegistry()
    if shared:
        Path(shared).mkdir(parents=True, exist_ok=True)
        MultiProcessCollector(answered, shared)  # type: ignore[no-untyped-call]  # so in the library
    else:
        answered = registry
        ProcessCollector(registry=registry)
    answered.register(_Record(standings, decisions))
    requests = Counter(
        "lots_requests",
        "Requests answered, by method, path as documented (none: nothing is served there) and class of status.",
        ["method", "route", "status"],
        registry=registry,
    )
    durations = Histogram(
        "lots_request_seconds",
        "Time that a request took until its answer was ready, by path as documented.",
        ["route"],
        buckets=_SECONDS,
        registry=registry,
    )

    # The library looks a label up with care each time; they are few, so what it found is kept.
    counter, timer = functools.cache(requests.labels), functools.cache(durations.labels)

    def count_request(method: str, route: str, status: int, took_s: float) -> None:
        counter(method, route, f"{status // 100}xx").inc()
        timer(route).observe(took_s)

    def count(answer: Response) -> Response:
        count_request(logs.method(), logs.route() or "none", answer.status_code, logs.seconds())
        return answer

    def shown() -> Response:
        encode, content_type = choose_encoder(request.headers.get("Accept", ""))
        return Response(encode(answered), content_type=content_type)

    @app.get("/metrics")
    def metrics() -> Any:
        return shown() if to_all else admitted(("monitoring",), shown)()

    app.after_request(count)
    # For requests that the server answers by itself.
    app.extensions["count_request"] = count_request
