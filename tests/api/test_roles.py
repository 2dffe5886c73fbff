import re

import pytest

from lots.services.setup import access, roles
from tests.api.refusals import refused
from tests.store.rows import connected


@pytest.fixture
def engine():
    """SQLite alone: roles do not depend on the engine."""
    return "sqlite"


RECEIVING, QUALITY, PURCHASING, PRODUCTION = "receiving", "quality", "purchasing", "production"
INTEGRATION = "integration"
BENCH = {RECEIVING, QUALITY}
FLOOR = {PRODUCTION}
# A monitoring program cannot use these paths.
ALL = {RECEIVING, QUALITY, PURCHASING, PRODUCTION, INTEGRATION}

# Roles of each path, besides the administrator, who has all. A path without a row here fails the tests.
TABLE = {
    ("GET", "/v1/me"): ALL,
    ("GET", "/v1/shop"): ALL,
    ("PATCH", "/v1/shop"): set(),
    ("GET", "/v1/people"): set(),
    ("POST", "/v1/people"): set(),
    ("GET", "/v1/people/1"): set(),
    ("POST", "/v1/people/1/renew"): set(),
    ("POST", "/v1/people/1/revoke"): set(),
    ("GET", "/v1/suppliers"): {PURCHASING, QUALITY},
    ("POST", "/v1/suppliers"): {PURCHASING, QUALITY},
    ("GET", "/v1/suppliers/1"): {PURCHASING, QUALITY},
    ("PATCH", "/v1/suppliers/1"): {PURCHASING, QUALITY},
    ("GET", "/v1/shades"): {QUALITY},
    ("POST", "/v1/shades"): {QUALITY},
    ("GET", "/v1/shades/1"): {QUALITY},
    ("PATCH", "/v1/shades/1"): {QUALITY},
    ("GET", "/v1/shades/1/working-copies"): {QUALITY},
    ("POST", "/v1/shades/1/working-copies"): {QUALITY},
    ("GET", "/v1/shades/1/remeasurements"): {QUALITY},
    ("POST", "/v1/shades/1/remeasurements"): {QUALITY},
    ("POST", "/v1/remeasurements/1/void"): {QUALITY},
    ("GET", "/v1/due"): {QUALITY},
    ("GET", "/v1/shades/1/revisions"): {QUALITY},
    ("POST", "/v1/shades/1/revisions"): {QUALITY},
    ("GET", "/v1/grades"): {QUALITY},
    ("POST", "/v1/grades"): {QUALITY},
    ("GET", "/v1/grades/1"): {QUALITY},
    ("PATCH", "/v1/grades/1"): {QUALITY},
    ("GET", "/v1/grades/1/limits"): {QUALITY},
    ("POST", "/v1/grades/1/limits"): {QUALITY},
    ("GET", "/v1/grades/1/visual-trials"): {QUALITY},
    ("POST", "/v1/grades/1/visual-trials"): {QUALITY},
    ("GET", "/v1/visual-trials/1"): {QUALITY},
    ("GET", "/v1/test-prints"): ALL,
    ("POST", "/v1/test-prints"): {QUALITY},
    ("GET", "/v1/test-prints/1"): ALL,
    ("GET", "/v1/test-prints/1/revisions"): ALL,
    ("POST", "/v1/test-prints/1/revisions"): {QUALITY},
    ("GET", "/v1/instruments"): {QUALITY},
    ("POST", "/v1/instruments"): {QUALITY},
    ("GET", "/v1/instruments/1"): {QUALITY},
    ("PATCH", "/v1/instruments/1"): {QUALITY},
    ("GET", "/v1/instruments/1/checks"): {QUALITY},
    ("POST", "/v1/instruments/1/checks"): {QUALITY},
    ("GET", "/v1/instruments/1/suspect-lots"): {QUALITY},
    ("GET", "/v1/instruments/1/studies"): {QUALITY},
    ("POST", "/v1/instruments/1/studies"): {QUALITY},
    ("GET", "/v1/studies/1"): {QUALITY},
    ("POST", "/v1/studies/1/void"): {QUALITY},
    ("GET", "/v1/deliveries"): {RECEIVING, QUALITY, PURCHASING},
    ("POST", "/v1/deliveries"): {RECEIVING},
    ("GET", "/v1/deliveries/1"): {PURCHASING, *BENCH},
    ("PATCH", "/v1/deliveries/1"): BENCH,
    ("POST", "/v1/deliveries/1/close"): {QUALITY},
    ("GET", "/v1/deliveries/1/labels"): BENCH,
    ("GET", "/v1/lots/1/labels"): BENCH,
    ("POST", "/v1/deliveries/1/substitutes"): {QUALITY},
    ("GET", "/v1/lots"): ALL,
    ("GET", "/v1/lots/uses"): ALL,
    ("GET", "/v1/lots/1"): ALL,
    ("GET", "/v1/lots/1/record"): ALL,
    ("GET", "/v1/lots/1/sample"): ALL,
    ("POST", "/v1/diameter-readings"): BENCH,
    ("POST", "/v1/color-readings"): BENCH,
    ("POST", "/v1/gloss-readings"): BENCH,
    ("POST", "/v1/stringing-checks"): BENCH,
    ("POST", "/v1/opacity-readings"): BENCH,
    ("POST", "/v1/shrink-tests"): {QUALITY},
    ("POST", "/v1/bond-tests"): {QUALITY},
    ("POST", "/v1/surface-checks"): {QUALITY},
    ("POST", "/v1/moisture-readings"): {QUALITY},
    ("GET", "/v1/lots/1/readings"): ALL,
    ("GET", "/v1/voids"): {QUALITY},
    # At the bench only the author of the reading, which no role expresses.
    ("POST", "/v1/readings/1/void"): BENCH,
    ("POST", "/v1/readings/1/void/agree"): {QUALITY},
    ("GET", "/v1/build-doubts"): ALL,
    ("POST", "/v1/build-doubts/1/lift"): {QUALITY},
    ("POST", "/v1/readings/1/confirm"): BENCH,
    ("GET", "/v1/lots/1/replicates"): ALL,
    ("POST", "/v1/readings/1/exclude"): {QUALITY},
    ("POST", "/v1/readings/1/include"): {QUALITY},
    ("GET", "/v1/lots/1/assessment"): ALL,
    ("GET", "/v1/lots/1/color-map"): ALL,
    ("GET", "/v1/lots/1/diameter-profile"): ALL,
    ("GET", "/v1/lots/1/shrinkage-picture"): ALL,
    ("GET", "/v1/lots/1/bond-picture"): ALL,
    ("GET", "/v1/lots/1/reassess"): {QUALITY},
    ("POST", "/v1/lots/1/reassess"): {QUALITY},
    ("GET", "/v1/lots/1/decisions"): {QUALITY},
    ("POST", "/v1/lots/1/decisions"): {QUALITY},
    ("GET", "/v1/lots/1/reinspections"): {QUALITY},
    ("POST", "/v1/lots/1/reinspections"): {QUALITY},
    ("GET", "/v1/lots/1/concessions"): {QUALITY},
    ("POST", "/v1/lots/1/concessions"): {QUALITY},
    ("GET", "/v1/concessions/1"): {QUALITY},
    ("POST", "/v1/concessions/1/approve"): {QUALITY},
    ("POST", "/v1/concessions/1/withdraw"): {QUALITY},
    ("GET", "/v1/lots/1/corrective-actions"): {QUALITY, PURCHASING},
    ("POST", "/v1/lots/1/corrective-actions"): {QUALITY, PURCHASING},
    ("GET", "/v1/corrective-actions"): {QUALITY, PURCHASING},
    ("POST", "/v1/corrective-actions/1/answer"): {QUALITY, PURCHASING},
    ("POST", "/v1/corrective-actions/1/close"): {QUALITY},
    ("GET", "/v1/lots/1/nonconformity-report"): {QUALITY, PURCHASING},
    ("GET", "/v1/deliveries/1/certificate"): {RECEIVING, QUALITY, PURCHASING},
    ("POST", "/v1/deliveries/1/certificate"): {RECEIVING, QUALITY, PURCHASING},
    ("GET", "/v1/certificate-comparison"): {QUALITY, PURCHASING},
    ("GET", "/v1/grades/1/agreement"): {QUALITY, PURCHASING},
    ("GET", "/v1/lots/1/letters"): {QUALITY, PURCHASING},
    ("POST", "/v1/lots/1/letters"): {QUALITY, PURCHASING},
    ("GET", "/v1/letters"): {QUALITY, PURCHASING},
    ("GET", "/v1/letters/1"): {QUALITY, PURCHASING},
    ("POST", "/v1/letters/1/sent"): {QUALITY, PURCHASING},
    ("GET", "/v1/spools/1"): ALL,
    ("GET", "/v1/spools/1/label"): BENCH | FLOOR,
    ("GET", "/v1/spools/1/clearance"): FLOOR,
    ("POST", "/v1/spools"): FLOOR,
    ("POST", "/v1/spools/1/events"): {"receiving", *FLOOR},
    ("GET", "/v1/spools/1/dryings"): {"receiving", QUALITY, *FLOOR},
    ("POST", "/v1/spools/1/dryings"): {"receiving", QUALITY, *FLOOR},
    ("GET", "/v1/jobs"): {QUALITY, *FLOOR},
    ("GET", "/v1/jobs/1"): {QUALITY, *FLOOR},
    ("GET", "/v1/machines"): {QUALITY, *FLOOR},
    ("GET", "/v1/machines/1"): {QUALITY, *FLOOR},
    ("PATCH", "/v1/machines/1"): FLOOR,
    ("GET", "/v1/codes-in-doubt"): {QUALITY},
    ("GET", "/v1/containments"): {QUALITY, *FLOOR},
    ("POST", "/v1/containments/1/close"): {QUALITY, *FLOOR},
    ("GET", "/v1/lots/1/matches"): FLOOR,
    ("GET", "/v1/match-table"): FLOOR,
    ("POST", "/v1/picks"): {PURCHASING, *FLOOR},
    ("POST", "/v1/tab-checks"): {QUALITY, *FLOOR},
    ("GET", "/v1/loads"): {PURCHASING, *FLOOR},
    ("POST", "/v1/loads"): FLOOR,
    ("POST", "/v1/loads/1/unload"): FLOOR,
    ("GET", "/v1/load-refusals"): {PRODUCTION, QUALITY},
    ("GET", "/v1/lots/1/exposure"): {PRODUCTION, QUALITY, PURCHASING},
    ("GET", "/v1/events"): {QUALITY},
    ("GET", "/v1/changes"): ALL,
    ("GET", "/v1/webhooks"): set(),
    ("POST", "/v1/webhooks"): set(),
    ("GET", "/v1/webhooks/1"): set(),
    ("POST", "/v1/webhooks/1/end"): set(),
    ("POST", "/v1/webhooks/1/test"): set(),
    ("GET", "/v1/webhooks/1/failures"): set(),
    ("POST", "/v1/webhooks/1/replay"): set(),
    ("GET", "/v1/drift"): ALL,
    ("GET", "/v1/baselines"): ALL,
    ("POST", "/v1/baselines"): {QUALITY},
    ("GET", "/v1/supplier-comparison"): {PURCHASING},
    ("GET", "/v1/forecast"): {PURCHASING, QUALITY},
    ("GET", "/v1/next-order"): {PURCHASING, QUALITY},
    ("GET", "/v1/purchasing-summary"): {PURCHASING},
    ("GET", "/v1/stock"): {PURCHASING, PRODUCTION, QUALITY},
    ("GET", "/v1/sampling-plan"): ALL,
    ("GET", "/v1/decision-risk"): {QUALITY, PURCHASING},
    ("GET", "/v1/inspection-severity"): ALL,
    ("POST", "/v1/inspection-severity"): {QUALITY},
    ("POST", "/v1/color-differences"): ALL,
    ("GET", "/v1/directory"): ALL,
    ("GET", "/v1/search"): ALL,
    ("GET", "/v1/imports"): {INTEGRATION, *BENCH},
    ("POST", "/v1/imports"): {INTEGRATION, *BENCH},
}
OPEN = {("GET", "/v1/openapi.json")}


def served(app):
    """Every method and path under /v1, with 1 for each number or code."""
    return {
        (method, re.sub(r"<[^>]+>", "1", rule.rule))
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith("/v1/")
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }


def ask(shop, method, path, token):
    """One request without a body, with a token or None."""
    return shop.client.open(path, method=method, headers={"Authorization": f"Bearer {token}"} if token else {})


def test_every_path_has_its_row(app):
    """Every served path has a row, and every row a path."""
    assert set(TABLE) | OPEN == served(app)


@pytest.mark.parametrize("role", roles.ROLES)
def test_a_role_may_do_exactly_what_its_rows_say(shop, role):
    """Each role is admitted on its own paths and refused on others with the required roles."""
    let_in = set()
    for method, path in TABLE:
        answer = ask(shop, method, path, shop.tokens[role])
        assert answer.status_code not in (401, 500, 503), f"{method} {path}"
        if answer.status_code != 403:
            let_in.add((method, path))
            continue
        said = refused(answer, 403, "not-your-desk")["detail"]
        assert f"has the role {role}" in said
        for needed in TABLE[method, path]:
            assert needed in said.partition("requires")[2]
    assert {row for row, roles in TABLE.items() if role == "admin" or role in roles} == let_in


@pytest.mark.parametrize("token", [None, "mistyped", "x" * 5000, "NULL", "' OR 1=1 --"], ids=lambda t: str(t)[:12])
def test_nothing_is_answered_without_a_live_token(shop, token):
    """Without a valid token every path is 401 with the way to get one."""
    for method, path in TABLE:
        answer = ask(shop, method, path, token)
        assert "Bearer" in answer.headers["WWW-Authenticate"]
        assert "lots token add" in refused(answer, 401, "no-token")["detail"]


def test_a_revoked_token_opens_nothing(shop):
    """A revoked token gets 401 on every path at once."""
    with connected():
        token = access.add_token("Ilse", "admin")
    assert 200 == ask(shop, "GET", "/v1/lots", token).status_code
    with connected():
        access.revoke_token("Ilse")
    for method, path in TABLE:
        refused(ask(shop, method, path, token), 401, "no-token")


@pytest.mark.parametrize(
    "header", ["", "Bearer", "Bearer ", "Basic {}", "Token {}", "{}", "Bearer {}x", "Bearer x{}", "Bearer \xff"]
)
def test_a_token_must_come_whole_and_as_bearer(shop, header):
    """Another scheme, a missing part or an extra character is no token."""
    answer = shop.client.get("/v1/lots", headers={"Authorization": header.format(shop.tokens["quality"])})
    refused(answer, 401, "no-token")


def test_the_scheme_is_read_in_any_case(shop):
    """The scheme of Authorization is case-insensitive (HTTP)."""
    answer = shop.client.get("/v1/lots", headers={"Authorization": f"bearer {shop.tokens['quality']}"})
    assert 200 == answer.status_code


def test_a_role_that_nobody_knows_may_do_nothing(shop):
    """A token with an unknown role is refused everywhere."""
    with connected():
        token = access.add_token("Old", "janitor")
    for method, path in TABLE:
        refused(ask(shop, method, path, token), 403, "not-your-desk")


@pytest.mark.parametrize("path", ["/healthz", "/readyz"])
def test_health_needs_no_token(shop, path):
    """Health needs no token."""
    assert 200 == shop.client.get(path).status_code
