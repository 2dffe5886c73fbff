"""One log line for every request, and the id that connects an answer with its line."""

import json
import re
import uuid
from dataclasses import replace
from datetime import datetime

import pytest

from lots.api.http import logs
from lots.app import create_app
from lots.services.setup import access, catalog
from tests.api.refusals import refused, send
from tests.store.rows import connected

FRESH_APP = True

MEMBERS = {
    *("time", "level", "logger", "message", "request_id", "method", "route", "status", "duration_ms", "person"),
    *("role", "bytes"),
}


@pytest.fixture
def engine():
    """SQLite alone: logs do not depend on the engine."""
    return "sqlite"


@pytest.fixture
def lines(shop, capsys):
    """Reads the log since the last call, each line as JSON."""

    def read():
        return [json.loads(line) for line in capsys.readouterr().err.splitlines()]

    read()
    return read


def broken(*_):
    """A service that raises an error."""
    raise RuntimeError("what is inside")


def test_a_request_is_one_line_with_who_what_and_how_long(shop, lines):
    """A request has one line with time, level, id, method, documented path, status, duration, person, role and size."""
    answer = send(shop, "GET", "/v1/lots/7?as_of=2026-01-01T00:00:00Z", role="quality")
    (line,) = lines()
    assert set(line) == MEMBERS
    assert ("GET", "/v1/lots/{number}", answer.status_code) == (line["method"], line["route"], line["status"])
    assert ("quality person", "quality", "info") == (line["person"], line["role"], line["level"])
    assert len(answer.get_data()) == line["bytes"]
    assert line["duration_ms"] >= 0
    assert datetime.fromisoformat(line["time"]).tzinfo is not None
    assert answer.headers["X-Request-Id"] == line["request_id"]


def test_the_documented_path_is_logged_and_never_the_one_that_came(shop, lines):
    """The documented path is logged without codes, jobs or typing errors; an unknown path is logged without one."""
    for path in ("/v1/spools/SECRET/clearance?use=SECRET", "/v1/jobs/SECRET", "/SECRET", "/docs/SECRET"):
        send(shop, "GET", path)
    logged = lines()
    assert ["/v1/spools/{code}/clearance", "/v1/jobs/{name}", None, "/docs/{name}"] == [
        line["route"] for line in logged
    ]
    assert "SECRET" not in json.dumps(logged)


@pytest.mark.parametrize(
    "sent", ["01890a5d-ac96-774b-bcce-b302099a8057", "01ARZ3NDEKTSV4RRFFQ69G5FAV", "a.b-c_d9", "x" * 40]
)
def test_an_id_that_comes_with_a_request_is_kept(shop, lines, sent):
    """A valid id of a request is kept, so that a proxy's line leads to this one."""
    answer = shop.client.get("/healthz", headers={"X-Request-Id": sent})
    assert [sent] * 2 == [answer.headers["X-Request-Id"], lines()[0]["request_id"]]


@pytest.mark.parametrize(
    "sent", ["", "short", "x" * 41, "a b c d e", 'quote"quote', "{${jndi:x}}", "<script>alert</script>", "naïve-id-x"]
)
def test_an_id_that_is_none_is_replaced(shop, lines, sent):
    """An id that is too short, too long or of other characters is replaced by a new UUID."""
    made = shop.client.get("/healthz", headers={"X-Request-Id": sent}).headers["X-Request-Id"]
    assert made == str(uuid.UUID(made)) == lines()[0]["request_id"]


def test_a_token_is_too_long_to_pass_for_an_id(shop):
    """A token in the id header is too long and never logged."""
    assert {43} == {len(token) for token in shop.tokens.values()}


def test_every_request_has_an_id_of_its_own(shop):
    """Two requests without an id get different ones."""
    assert 20 == len({shop.client.get("/healthz").headers["X-Request-Id"] for _ in range(20)})


@pytest.mark.parametrize(
    ("method", "path", "role", "status"),
    [
        ("GET", "/v1/lots/9", "admin", 404),
        ("GET", "/nowhere", "nobody", 404),
        ("GET", "/v1/lots", "nobody", 401),
        ("GET", "/v1/suppliers", "production", 403),
        ("PUT", "/v1/lots", "admin", 405),
        ("POST", "/v1/suppliers", "admin", 400),
        ("GET", "/v1/lots?limit=x", "admin", 422),
    ],
)
def test_a_problem_document_names_its_request(shop, method, path, role, status):
    """A problem document contains the id of its request."""
    answer = send(shop, method, path, role=role)
    assert refused(answer, status)["request_id"] == answer.headers["X-Request-Id"]


def test_an_answer_that_is_repeated_names_the_request_it_was_first_given_to(shop):
    """A repeated answer is byte for byte the first one, with its id; the header has the id of the repeat."""
    bodies = []
    for _ in range(2):
        answer = send(shop, "POST", "/v1/suppliers", b'{"code": "A", "name": "N"}', Idempotency_Key="k")
        bodies.append((answer.get_data(), answer.headers["X-Request-Id"]))
    assert bodies[0][0] == bodies[1][0]
    assert bodies[0][1] != bodies[1][1]


def test_an_error_that_nobody_foresaw_is_logged_with_its_traceback(shop, lines, monkeypatch):
    """An unexpected exception is logged with traceback and id, and its answer is plain with the id."""
    monkeypatch.setattr(catalog, "listed", broken)
    answer = send(shop, "GET", "/v1/suppliers")
    said = refused(answer, 500, "broken", [])
    assert said["request_id"] in said["detail"]
    assert "inside" not in answer.get_data(as_text=True)
    error, request = lines()
    assert said["request_id"] == error["request_id"] == request["request_id"]
    assert "RuntimeError: what is inside" in error["traceback"]
    assert ("error", "error", 500) == (error["level"], request["level"], request["status"])
    assert "/v1/suppliers" in error["message"]


def test_a_refused_token_is_a_warning(shop, lines):
    """401, 403 and the address of a client that guesses are logged as warnings."""
    send(shop, "GET", "/v1/lots", role="nobody")
    send(shop, "GET", "/v1/suppliers", role="production")
    send(shop, "GET", "/v1/lots/9")
    assert [("warning", 401), ("warning", 403), ("info", 404)] == [(line["level"], line["status"]) for line in lines()]
    for number in range(21):
        shop.client.get("/v1/lots", headers={"Authorization": f"Bearer wrong-{number}"})
    *_, named, request = lines()
    assert "127.0.0.1" in named["message"]
    assert ("warning", 429) == (request["level"], request["status"])


def test_a_refused_token_has_no_person(shop, lines):
    """A request without a valid token is logged without a person; one with the wrong role has its person."""
    send(shop, "GET", "/v1/lots", role="nobody")
    send(shop, "GET", "/v1/suppliers", role="production")
    assert [None, "production person"] == [line["person"] for line in lines()]


def test_a_method_that_http_does_not_know_is_not_written_down(shop, lines):
    """An unknown HTTP method is not logged by its name."""
    shop.client.open("/v1/lots", method="SECRET-WORD")
    assert "other" == lines()[0]["method"]


def test_a_name_cannot_forge_a_line(shop, capsys, settings_and_tokens):
    """A line break in a name is escaped in JSON and replaced in plain text."""
    with connected():
        token = access.add_token('Ilse\n{"level": "info"}\u2028', "quality")
    capsys.readouterr()
    shop.client.get("/v1/lots", headers={"Authorization": f"Bearer {token}"})
    assert 1 == len(capsys.readouterr().err.splitlines())
    logs.set_up("plain", "info")
    shop.client.get("/v1/lots", headers={"Authorization": f"Bearer {token}"})
    assert 1 == len(capsys.readouterr().err.splitlines())


def test_plain_lines_are_for_people(settings_and_tokens, capsys):
    """A plain line has clock, method, path, status, duration and person, with the traceback of an error below."""
    settings, tokens = settings_and_tokens
    client = create_app(replace(settings, log="plain")).test_client()
    client.get("/v1/lots/3", headers={"Authorization": f"Bearer {tokens['quality']}", "X-Request-Id": "abcdefgh"})
    line = capsys.readouterr().err
    expected = r"\d\d:\d\d:\d\d GET /v1/lots/\{number\} 404 [\d.]+ ms quality person \(quality\) \[abcdefgh\]\n"
    assert re.fullmatch(expected, line)
    client.get("/nowhere")
    assert "(no such path)" in capsys.readouterr().err


def test_a_plain_error_shows_its_traceback(settings_and_tokens, capsys, monkeypatch):
    """A plain error line has its traceback."""
    settings, tokens = settings_and_tokens
    client = create_app(replace(settings, log="plain", log_level="error")).test_client()
    monkeypatch.setattr(catalog, "listed", broken)
    client.get("/v1/suppliers", headers={"Authorization": f"Bearer {tokens['admin']}"})
    first, *below = capsys.readouterr().err.splitlines()
    assert "error: unexpected error in GET /v1/suppliers" in first
    assert "RuntimeError: what is inside" in below


def test_a_higher_level_leaves_requests_out(settings_and_tokens, capsys):
    """At level `warning` only refused tokens and errors are logged, at `error` only errors."""
    settings, tokens = settings_and_tokens
    headers = {"Authorization": f"Bearer {tokens['quality']}"}
    for level, expected in (("debug", 2), ("info", 2), ("warning", 1), ("error", 0)):
        client = create_app(replace(settings, log_level=level)).test_client()
        client.get("/v1/lots", headers=headers)
        client.get("/v1/lots")
        assert expected == len(capsys.readouterr().err.splitlines()), level


def test_head_and_not_modified_send_no_bytes(shop, lines):
    """HEAD and 304 are logged with a size of 0 bytes."""
    tag = send(shop, "GET", "/v1/lots").headers["ETag"]
    send(shop, "HEAD", "/v1/lots")
    send(shop, "GET", "/v1/lots", If_None_Match=tag)
    assert [True, False, False] == [line["bytes"] > 0 for line in lines()]


def test_the_server_that_listens_logs_in_the_same_form(shop, lines):
    """Messages of waitress have the same form as other lines."""
    import logging

    logging.getLogger("waitress").warning("Task queue depth is %d", 3)
    (line,) = lines()
    assert ("waitress", "Task queue depth is 3", None) == (line["logger"], line["message"], line["request_id"])
