"""Metrics as Prometheus text at /metrics, outside /v1."""

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
    """Lot and decision counts from the database, queried on each scrape.

    A counter in this process would include rolled back decisions, miss other processes, and restart from zero. The number of
    the newest decision is the total, since decisions are never deleted. Counts by outcome would need the whole history.
    """

    def __init__(self, standings: Callable[[], Mapping[str, int]], decisions: Callable[[], int]) -> None:
        self._standings, self._decisions = standings, decisions

    def describe(self) -> Iterable[Metric]:
        """Returns nothing, since registration must not query the database."""
        return ()

    def collect(self) -> Iterable[Metric]:
        """Yields the metrics, with two queries."""
        stand = GaugeMetricFamily("lots_standing", "Number of lots by status.", labels=["standing"])
        counted = self._standings()
        for standing in STANDINGS:
            stand.add_metric([standing], counted.get(standing, 0))
        yield stand
        text = "Number of the newest decision on a lot. Each decision raises it by at least one."
        yield CounterMetricFamily("lots_decisions", text, value=self._decisions())


def register(
    app: Flask, standings: Callable[[], Mapping[str, int]], decisions: Callable[[], int], *, to_all: bool
) -> None:
    """Counts the requests of an application and serves /metrics.

    Args:
        standings: Returns the number of lots by status.
        decisions: Returns the number of the newest decision, 0 before the first.
        to_all: If False, a token with the role monitoring or admin is required.

    Notes:
        If PROMETHEUS_MULTIPROC_DIR names a folder, requests and durations cover all processes that share it, including ended ones.
        Otherwise they cover this process. Lots and decisions come from the database. Memory and open files are omitted with
        several processes.
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
        "Requests by method, documented path (none: unknown path) and status class.",
        ["method", "route", "status"],
        registry=registry,
    )
    durations = Histogram(
        "lots_request_seconds",
        "Processing time of requests by documented path, s.",
        ["route"],
        buckets=_SECONDS,
        registry=registry,
    )

    # Label lookup is slow in the library. There are few labels, so the results are cached.
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
    # For requests answered by the server itself.
    app.extensions["count_request"] = count_request
