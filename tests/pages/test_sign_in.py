"""Signing in and out: a session of its own in the cookie, a sealed form, and no way in from elsewhere."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from click.testing import CliRunner

from lots.app import prepare_database
from lots.cli import main
from lots.services.setup import access, sessions
from lots.store.engine import database
from lots.store.tables.models import WebSession
from tests.api.test_queries import statements
from tests.api.test_tokens import read_only, writable
from tests.pages.reading import SITE, Page, sign_in
from tests.store.rows import connected, contents

HERE = "http://localhost"
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
ENGINES = pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])


@pytest.fixture
def engine():
    """Most of this does not depend on the engine."""
    return "sqlite"


@pytest.fixture
def client(shop):
    """A browser without a session."""
    return shop.app.test_client()


def inside(client, base=HERE):
    """Whether somebody is signed in in this browser."""
    return 200 == client.get("/", base_url=base).status_code


def secret_of(client):
    """The value of the session cookie over plain HTTP."""
    return client.get_cookie("lots_session").value


def rows():
    """Every session there ever was, by number."""
    with connected():
        return list(WebSession.select().order_by(WebSession.id))


# The session


@ENGINES
def test_the_cookie_holds_a_session_and_no_token(shop, client):
    """A new 256-bit secret, stored as its SHA-256, which the API does not accept."""
    sign_in(client, shop.tokens["quality"], HERE)
    secret = secret_of(client)
    assert (43, True) == (len(secret), secret not in shop.tokens.values())
    (row,) = rows()
    assert (access.digest_of(secret), "127.0.0.1", None) == (row.hash, row.address, row.ended_at)
    assert timedelta(hours=12) == row.ends_at - row.started_at
    assert not [one for one in contents() if secret in repr(one)]
    assert 401 == client.get("/v1/lots", headers={"Authorization": f"Bearer {secret}"}).status_code
    assert 401 == client.get("/v1/lots").status_code


@ENGINES
def test_a_page_asks_once_who_it_is_for(shop, client):
    """One statement finds the session, its token and role, however often the page then asks the API."""
    sign_in(client, shop.tokens["quality"], HERE)
    with statements() as seen:
        assert 200 == client.get("/bench/file").status_code
    # The second one is for the red bar.
    assert ['FROM "web_session"', 'FROM "containment"'] == [
        f"FROM {sql.split('FROM ')[1].split()[0]}" for sql, _ in seen
    ]
    with statements() as seen:
        assert 200 == client.get("/lots").status_code
    assert 1 == sum('"web_session"' in sql for sql, _ in seen)
    assert not [sql for sql, _ in seen if 'FROM "token"' in sql]


@ENGINES
def test_a_session_ends_after_twelve_hours(shop, client):
    """It holds until just before, and asks for the token from then on."""
    with time_machine.travel(NOON, tick=False):
        sign_in(client, shop.tokens["quality"], HERE)
    with time_machine.travel(NOON + timedelta(hours=12, microseconds=-1), tick=False):
        assert inside(client)
    with time_machine.travel(NOON + timedelta(hours=12), tick=False):
        assert not inside(client)


@ENGINES
@pytest.mark.parametrize("how", ["expires", "is revoked", "is renewed"])
def test_a_session_ends_with_its_token(shop, client, how):
    """A session ends with its token at the next page, in every browser."""
    with time_machine.travel(NOON, tick=False) as now:
        with connected():
            token = access.add_token("Ilse", "quality", 1)
        now.shift(timedelta(hours=20))
        sign_in(client, token, HERE)
        assert inside(client)
        assert NOON + timedelta(days=1) == rows()[0].ends_at
        with connected():
            if how == "is revoked":
                access.revoke_token("Ilse")
            elif how == "is renewed":
                access.renew_token("Ilse")
        if how == "expires":
            now.shift(timedelta(hours=4))
        else:
            assert rows()[0].ended_at is not None
        assert not inside(client)


@ENGINES
def test_a_token_that_ends_in_the_database_alone_ends_its_sessions_too(shop, client):
    """The token is looked at with every page: a row that says revoked, or another role, holds at once."""
    sign_in(client, shop.tokens["quality"], HERE)
    assert 200 == client.get("/quality").status_code
    with connected():
        database.db.execute_sql("UPDATE token SET role = 'production' WHERE name = 'quality person'")
    assert 403 == client.get("/quality").status_code
    with connected():
        database.db.execute_sql(
            "UPDATE token SET revoked_at = '2026-01-01T00:00:00.000000Z' WHERE name = 'quality person'"
        )
    assert not inside(client)


@ENGINES
def test_signing_out_ends_the_session_and_not_only_its_cookie(shop, client):
    """A copy of the cookie opens nothing any more; another browser of the same person stays signed in."""
    other = shop.app.test_client()
    for one in (client, other):
        sign_in(one, shop.tokens["quality"], HERE)
    copy = secret_of(client)
    form = Page(client.get("/")).form("seal")
    assert "/sign-in" == client.post("/sign-out", data=form["fields"]).headers["Location"]
    assert client.get_cookie("lots_session") is None
    client.set_cookie("lots_session", copy)
    assert (False, True) == (inside(client), inside(other))
    assert [True, False] == [row.ended_at is not None for row in rows()]


def test_signing_in_again_ends_the_session_there_was(shop, client):
    """The new one has another secret; the former opens nothing."""
    sign_in(client, shop.tokens["quality"], HERE)
    first = secret_of(client)
    fresh = shop.app.test_client()
    page = Page(fresh.get("/sign-in"))
    client.set_cookie("lots_sign_in", fresh.get_cookie("lots_sign_in").value)
    client.post("/sign-in", data={**page.form("token")["fields"], "token": shop.tokens["production"]})
    assert first != secret_of(client)
    assert [True, False] == [row.ended_at is not None for row in rows()]
    client.set_cookie("lots_session", first)
    assert not inside(client)


@pytest.mark.parametrize("planted", ["A" * 43, "x", "", "é" * 43, "A" * 3000])
def test_a_session_from_before_is_never_adopted(shop, client, planted):
    """A value that somebody put into the cookie is replaced at sign-in and never becomes a session (session fixation)."""
    client.set_cookie("lots_session", planted)
    sign_in(client, shop.tokens["quality"], HERE)
    assert planted != secret_of(client)
    other = shop.app.test_client()
    other.set_cookie("lots_session", planted)
    assert not inside(other)


def test_the_cookie_of_earlier_versions_is_deleted(shop, client):
    """It holds a token: it opens nothing, and the first page has the browser drop it."""
    client.set_cookie("lots_token", shop.tokens["quality"])
    answer = client.get("/")
    assert 302 == answer.status_code
    assert "lots_token=;" in answer.headers["Set-Cookie"]
    assert client.get_cookie("lots_token") is None


@pytest.mark.parametrize(
    ("base", "name", "path", "secure"),
    [
        ("http://localhost:8080", "lots_session", "/", False),
        (SITE, "__Host-lots_session", "/", True),
        (f"{SITE}/shop", "__Secure-lots_session", "/shop", True),
        ("http://localhost:8080/shop", "lots_session", "/shop", False),
    ],
)
def test_the_name_of_the_cookie_says_what_a_browser_may_take_it_from(shop, client, base, name, path, secure):
    """`__Host-` over HTTPS, `__Secure-` below a path prefix, neither over plain HTTP; always for this site and no script."""
    said = sign_in(client, shop.tokens["quality"], base).headers.getlist("Set-Cookie")[0]
    cookie, *attributes = said.split("; ")
    assert name == cookie.partition("=")[0]
    expected = {f"Path={path}", "HttpOnly", "SameSite=Strict", "Max-Age=43200", *(["Secure"] if secure else [])}
    assert expected == {one for one in attributes if not one.startswith("Expires=")}
    assert inside(client, base)


def test_a_cookie_that_a_neighbour_could_set_opens_nothing_over_https(shop, client):
    """The name without its prefix is not looked at where the prefix can be had."""
    sign_in(client, shop.tokens["quality"], HERE)
    secure = shop.app.test_client()
    secure.set_cookie("lots_session", secret_of(client), domain="lots.example.org")
    assert not inside(secure, SITE)


# The form


def test_signing_in_without_the_cookie_of_the_form_says_what_to_do(shop, client):
    """400, in words, with a fresh form at hand that works; the page asked for is kept."""
    lost = client.get("/sign-in?then=/lots")
    fields = Page(lost).form("token")["fields"]
    client.delete_cookie("lots_sign_in")
    answer = client.post("/sign-in", data={**fields, "token": shop.tokens["quality"]})
    assert 400 == answer.status_code
    assert "Allow cookies for this address. Then type your token again." in Page(answer).text
    assert client.get_cookie("lots_session") is None
    fields = Page(answer).form("token")["fields"]
    assert "/lots" == fields["then"]
    done = client.post("/sign-in", data={**fields, "token": shop.tokens["quality"]})
    assert (302, "/lots") == (done.status_code, done.headers["Location"])


@pytest.mark.parametrize("seal", [None, "", "0" * 64, "é", "\x00", "x\ny", "\ud800"])
def test_a_sign_in_form_of_another_site_does_nothing(shop, client, seal):
    """A valid token with a wrong CSRF token is not even looked up."""
    client.get("/sign-in")
    shop.app.extensions["wrong_tokens"].wait_s = lambda *_: pytest.fail("the token was looked at")
    for token in (shop.tokens["quality"], "wrong"):
        body = "token=" + token + ("" if seal is None else "&seal=" + _quoted(seal))
        answer = client.post("/sign-in", data=body, content_type="application/x-www-form-urlencoded")
        assert 400 == answer.status_code
    assert [] == rows()


def _quoted(text):
    return "".join(f"%{byte:02X}" for byte in text.encode("utf-8", "surrogatepass"))


def test_two_pages_left_open_both_work(shop, client):
    """A second sign-in page does not spoil the first."""
    first, second = (Page(client.get("/sign-in")).form("token")["fields"] for _ in range(2))
    assert first == second
    assert 302 == client.post("/sign-in", data={**first, "token": shop.tokens["quality"]}).status_code


def test_a_wrong_token_counts_as_a_guess(shop, client):
    """Twenty are answered 401, the next 429 with for how long; a live token still signs in, and an empty form counts for nothing."""
    statuses = [sign_in(client, token, HERE).status_code for token in ["", " ", *(f"wrong-{n}" for n in range(20))]]
    assert [401] * 22 == statuses
    answer = sign_in(client, "wrong-20", HERE)
    assert 429 == answer.status_code
    assert 1 <= int(answer.headers["Retry-After"]) <= 60
    assert 302 == sign_in(client, shop.tokens["quality"], HERE).status_code


def test_an_expired_token_is_told_as_such(shop, client):
    """Sign-in with an expired token names the time of expiry and whom to ask. It counts as no guess."""
    with time_machine.travel(NOON, tick=False), connected():
        token = access.add_token("Ilse", "quality", 1)
    with time_machine.travel(NOON + timedelta(days=2), tick=False):
        answer = sign_in(client, token, HERE)
    assert 401 == answer.status_code
    assert "The token of Ilse expired on 2026-11-26 12:00 UTC." in Page(answer).text


@pytest.mark.parametrize("token", ["a\nb", "a\r\nb", "\x00", "é", "\ud800", "x" * 100_000, "Bearer x"])
def test_a_token_of_any_text_is_answered_in_words(client, token):
    """401 for any pasted text."""
    fields = Page(client.get("/sign-in")).form("token")["fields"]
    body = f"seal={fields['seal']}&token={_quoted(token)}"
    answer = client.post("/sign-in", data=body, content_type="application/x-www-form-urlencoded")
    assert 401 == answer.status_code
    assert "This token is mistyped, revoked or expired." in Page(answer).text


@ENGINES
def test_a_database_that_takes_no_changes_says_so(shop, client, engine, settings_and_tokens):
    """Nobody can sign in. Signing out deletes the cookie and says that the session itself stays open."""
    settings, _ = settings_and_tokens
    sign_in(client, shop.tokens["quality"], HERE)
    form = Page(client.get("/")).form("seal")["fields"]
    read_only(engine, settings)
    try:
        answer = sign_in(shop.app.test_client(), shop.tokens["quality"], HERE)
        assert (503, True) == (answer.status_code, "the database accepts no changes" in Page(answer).text)
        answer = client.post("/sign-out", data=form)
        assert (503, True) == (answer.status_code, "signed out in this browser" in Page(answer).text)
    finally:
        writable(engine, settings)
    assert client.get_cookie("lots_session") is None


# What opens the API


@pytest.mark.parametrize("name", ["lots.person", "lots-person", "REMOTE_USER", "X-Forwarded-User"])
def test_nobody_comes_in_by_a_name(shop, client, name):
    """No header, WSGI variable or page session replaces a token."""
    sign_in(client, shop.tokens["quality"], HERE)
    for value in ("quality person", access.Person(name="admin person", role="admin")):
        assert 401 == client.get("/v1/lots", headers={name: str(value)}).status_code
        assert 401 == client.get("/v1/lots", environ_overrides={name: value}).status_code


# What a redirection carries


@pytest.mark.parametrize("told", ["é", "é.é", "x.é", ".", "x." + "0" * 64, "\x00.\n", "e30=." + "\U0001f600" * 16])
def test_what_nobody_sealed_is_not_told(shop, client, told):
    """An address with a made-up message shows the page without it."""
    sign_in(client, shop.tokens["quality"], HERE)
    for name in ("told", "undone"):
        assert 200 == client.get("/bench", query_string={name: told}).status_code


# The log


def test_each_sign_in_refusal_and_sign_out_is_a_line_without_any_secret(shop, capsys):
    """Name and address, but no token, cookie, CSRF token or hash of them."""
    from lots.api.http import logs

    logs.set_up("json", "info")
    capsys.readouterr()
    client, wrong = shop.app.test_client(), "a-wrong-token-that-nobody-has"
    sign_in(client, wrong, HERE)
    sign_in(client, shop.tokens["quality"], HERE)
    secret, page = secret_of(client), Page(client.get("/"))
    client.post("/sign-out", data=page.form("seal")["fields"])
    text = capsys.readouterr().err
    told = [line["message"] for line in map(json.loads, text.splitlines()) if line["logger"] != "lots.requests"]
    assert [
        "sign-in refused from 127.0.0.1",
        "sign-in of quality person from 127.0.0.1",
        "sign-out of quality person from 127.0.0.1",
    ] == told
    for hidden in (wrong, shop.tokens["quality"], secret, page.form("seal")["fields"]["seal"]):
        assert hidden not in text
        assert access.digest_of(hidden) not in text


# The command


@pytest.fixture
def command(settings_and_tokens):
    """The `lots` command on the database of this test."""
    settings, _ = settings_and_tokens
    return lambda *arguments: CliRunner().invoke(main, arguments, env={"LOTS_DATABASE": settings.database})


@ENGINES
def test_the_command_lists_and_ends_sessions(shop, command):
    """Number, name, role, times and address of open sessions. One is ended by its number, all of a person by name."""
    browsers = [shop.app.test_client() for _ in range(3)]
    for browser, role in zip(browsers, ("quality", "quality", "production"), strict=True):
        sign_in(browser, shop.tokens[role], HERE)
    listed = command("token", "sessions").stdout.splitlines()
    assert ["production person", "quality person", "quality person"] == [line[8:].split("  ")[0] for line in listed]
    assert ["production", "quality", "quality"] == [line[33:].split()[0] for line in listed]
    assert all("started 20" in line and "ends 20" in line and "from 127.0.0.1" in line for line in listed)
    assert not [one for one in browsers if secret_of(one) in "".join(listed)]
    number = listed[1].split()[0]
    assert 0 == command("token", "sessions", "--end-number", number).exit_code
    assert [False, True, True] == [inside(one) for one in browsers]
    assert "1 session of quality person ended" in command("token", "sessions", "--end", "quality person").stderr
    assert [False, False, True] == [inside(one) for one in browsers]
    assert 1 == len(command("token", "sessions").stdout.splitlines())


@ENGINES
def test_sessions_are_no_finding_of_the_check(shop, command):
    """Open, ended and past ones are rows like any other to `lots check`."""
    with time_machine.travel(NOON, tick=False):
        sign_in(shop.app.test_client(), shop.tokens["quality"], HERE)
    for _ in range(2):
        sign_in(shop.app.test_client(), shop.tokens["quality"], HERE)
    assert 0 == command("token", "sessions", "--end-number", "2").exit_code
    done = command("check")
    assert 0 == done.exit_code, done.output


@ENGINES
def test_a_move_carries_sessions(shop, command, client, settings_and_tokens, tmp_path):
    """Sessions stay valid when the shop moves to another database."""
    settings, _ = settings_and_tokens
    sign_in(client, shop.tokens["quality"], HERE)
    target = f"sqlite:///{tmp_path / 'moved.sqlite3'}"
    database.close()
    done = command("move", "--from", settings.database, "--to", target)
    assert 0 == done.exit_code, done.output
    prepare_database(target)
    assert inside(client)


def test_the_command_refuses_what_is_not_there(command):
    """An unknown name, a session that has ended, and both options at once."""
    assert "No token is named Nobody" in command("token", "sessions", "--end", "Nobody").stderr
    assert "No open session has the number 7" in command("token", "sessions", "--end-number", "7").stderr
    assert [1, 1, 2, 2] == [
        command("token", "sessions", *more).exit_code
        for more in (
            ("--end", "Nobody"),
            ("--end-number", "7"),
            ("--end-number", "0"),
            ("--end", "x", "--end-number", "7"),
        )
    ]


# The service


def test_an_address_that_is_none_is_not_kept(shop):
    """A proxy may report any text."""
    with connected():
        for text in (None, "", "unknown", "x" * 500, "a\x00b", "2001:db8::1"):
            assert sessions.start_session(shop.tokens["quality"], text) is not None
        told = [row["address"] for row in sessions.list_sessions()]
    assert [None, None, None, None, None, "2001:db8::1"] == told
