"""The samples of /metrics for a monitoring system."""

import re
from dataclasses import replace

import pytest
from prometheus_client.parser import text_string_to_metric_families

from lots.app import create_app
from lots.domain.assessment.standing_by_hand import STANDINGS
from lots.services.setup import catalog, roles
from tests.api.refusals import refused, send
from tests.shop import SIMPLE_LIMITS

FRESH_APP = True


def read(shop, **headers):
    """Every sample: (name, labels) -> value."""
    text = send(shop, "GET", "/metrics", **headers).get_data(as_text=True)
    families = text_string_to_metric_families(text)
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for family in families for s in family.samples}


def requests(shop):
    """The number of answered requests: (method, route, class of status) -> count."""
    return {
        tuple(dict(labels)[key] for key in ("method", "route", "status")): value
        for (name, labels), value in read(shop).items()
        if name == "lots_requests_total"
    }


def test_requests_are_counted_by_path_as_documented(shop):
    """Requests are counted by method, documented path and class of status; unknown paths and methods have one label each."""
    for path in ("/v1/lots/1", "/v1/lots/2", "/v1/lots", "/nowhere", "/elsewhere"):
        send(shop, "GET", path)
    send(shop, "GET", "/v1/lots", role="nobody")
    shop.client.open("/v1/lots", method="BREW")
    counted = requests(shop)
    assert 2 == counted["GET", "/v1/lots/{number}", "4xx"]
    assert (1, 1) == (counted["GET", "/v1/lots", "2xx"], counted["GET", "/v1/lots", "4xx"])
    assert 2 == counted["GET", "none", "4xx"]
    assert 1 == counted["other", "none", "4xx"]


def test_what_broke_is_counted_as_such(shop, monkeypatch):
    """A server error is counted as 5xx."""

    def broken(*_):
        raise RuntimeError

    monkeypatch.setattr(catalog, "listed", broken)
    send(shop, "GET", "/v1/suppliers")
    assert 1 == requests(shop)["GET", "/v1/suppliers", "5xx"]


def test_durations_are_a_histogram_by_path(shop):
    """Every request is once in the histogram of its path, and the last bucket holds all."""
    for _ in range(3):
        send(shop, "GET", "/v1/lots")
    found = read(shop)
    label = ("route", "/v1/lots")
    assert 3 == found["lots_request_seconds_count", (label,)]
    assert 3 == found["lots_request_seconds_bucket", (("le", "+Inf"), label)]
    assert found["lots_request_seconds_sum", (label,)] > 0


def test_labels_do_not_grow_with_what_is_asked(shop):
    """The number of series does not grow with the variety of codes, paths and methods."""
    before = len(read(shop))
    for number in range(30):
        send(shop, "GET", f"/v1/spools/S-{number}")
        send(shop, "GET", f"/path-{number}")
        shop.client.open("/v1/lots", method=f"M{number}")
    grown = len(read(shop)) - before
    assert grown <= 3 * 16  # three paths more, each with a count and the histogram's buckets, sum and count


def standings(shop):
    """The number of lots per status."""
    return {dict(labels)["standing"]: value for (name, labels), value in read(shop).items() if name == "lots_standing"}


def decisions(shop):
    """The number of the newest decision."""
    return read(shop)["lots_decisions_total", ()]


def test_lots_are_counted_by_where_they_stand(shop):
    """Every status has a sample, also with 0 lots, because an alarm on a missing series never fires."""
    assert dict.fromkeys(STANDINGS, 0) == standings(shop)
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    shop.receive(supplier, grade, "Q-1")
    good = shop.good_lot(supplier, grade, "Q-2")
    shop.good_lot(supplier, grade, "Q-3")
    shop.decide(good["lot_id"], "block")
    assert {**dict.fromkeys(STANDINGS, 0), "quarantined": 1, "released": 1, "blocked": 1} == standings(shop)


def test_each_decision_raises_the_count_and_a_repeat_does_not(shop):
    """Received, released and blocked are counted as decisions, and a reading without effect is not."""
    assert 0 == decisions(shop)
    delivery = shop.good_lot()
    before = decisions(shop)
    assert before >= 2
    shop.diameter(delivery["sample"]["spool_codes"][0])
    assert before == decisions(shop)
    shop.decide(delivery["lot_id"], "block")
    assert before + 1 == decisions(shop)


def test_reading_costs_two_queries_beside_the_token_and_writes_nothing(shop):
    """A scrape needs two statements beside the token's and writes nothing."""
    from tests.api.test_queries import statements

    shop.good_lot()
    with statements() as seen:
        send(shop, "GET", "/metrics")
    assert ["SELECT"] * 3 == [sql.split()[0] for sql, _ in seen]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_the_count_by_standing_is_read_from_its_index(shop):
    """The count by status comes from its index, without a scan of lots or decisions."""
    from lots.store.engine import database
    from tests.api.test_queries import statements
    from tests.store.rows import connected

    with statements() as seen:
        send(shop, "GET", "/metrics")
    with connected():
        plans = [
            row[-1]
            for sql, values in seen[1:]
            for row in database.db.execute_sql(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()
        ]
    assert all("USING COVERING INDEX" in plan or plan.startswith("SEARCH") for plan in plans), plans


@pytest.mark.parametrize("role", [role for role in roles.ROLES if role not in ("monitoring", "admin")])
def test_only_an_administrator_reads_it(shop, role):
    """Only an administrator and a monitoring program can read the metrics."""
    assert 200 == send(shop, "GET", "/metrics", role="monitoring").status_code
    assert (
        "requires monitoring or admin"
        in refused(send(shop, "GET", "/metrics", role=role), 403, "not-your-desk")["detail"]
    )


def test_nobody_reads_it_without_a_token(shop):
    """Without a token /metrics is refused like other paths."""
    refused(send(shop, "GET", "/metrics", role="nobody"), 401, "no-token")
    refused(shop.client.get("/metrics", headers={"Authorization": "Bearer wrong"}), 401, "no-token")
    refused(send(shop, "POST", "/metrics"), 405, "wrong-method")


def test_a_setting_opens_it_to_all(settings_and_tokens):
    """A setting opens /metrics without a token, and nothing else."""
    settings, _ = settings_and_tokens
    client = create_app(replace(settings, metrics_open=True)).test_client()
    assert 200 == client.get("/metrics").status_code
    assert 401 == client.get("/v1/lots").status_code


def test_each_application_has_its_own_registry(shop, settings_and_tokens):
    """A second application in one process has its own registry."""
    settings, _ = settings_and_tokens
    send(shop, "GET", "/v1/lots")
    client = create_app(replace(settings, metrics_open=True)).test_client()
    assert "/v1/lots" not in client.get("/metrics").get_data(as_text=True)


def test_it_speaks_prometheus_text_and_openmetrics(shop):
    """The format is Prometheus text 0.0.4, or OpenMetrics on request."""
    assert send(shop, "GET", "/metrics").headers["Content-Type"].startswith("text/plain; version=0.0.4")
    newer = send(shop, "GET", "/metrics", Accept="application/openmetrics-text; version=1.0.0")
    assert newer.headers["Content-Type"].startswith("application/openmetrics-text")
    assert newer.get_data(as_text=True).endswith("# EOF\n")


def test_no_person_code_or_token_is_in_it(shop):
    """Labels are routes, methods, classes and statuses, without persons, codes or tokens."""
    delivery = shop.good_lot()
    send(shop, "GET", f"/v1/spools/{delivery['spools'][0]['code']}")
    text = send(shop, "GET", "/metrics").get_data(as_text=True)
    for secret in (*shop.tokens.values(), "person", delivery["spools"][0]["code"], "QWT"):
        assert secret not in text
    labels = set(re.findall(r'(\w+)="', text))
    assert {"method", "route", "status", "le", "standing"} == labels
