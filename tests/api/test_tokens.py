"""Tokens: validity, last use, and protection against guessing."""

import os
import socket
import sqlite3
import subprocess
import sys
import urllib.request
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from click.testing import CliRunner

from lots.api.http.throttle import WrongTokens
from lots.cli import main
from lots.services.errors import NotFound
from lots.services.setup import access
from lots.store.engine import database
from tests import hostile
from tests.api.refusals import refused
from tests.store.rows import connected

FRESH_APP = True

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def made(name="Ilse", role="quality", days=access.DAYS):
    """A new token."""
    with connected():
        return access.add_token(name, role, days)


def listed(name):
    """The list's row of a token."""
    with connected():
        return next(row for row in access.list_tokens() if row["name"] == name)


def ask(shop, token, path="/v1/lots", address="192.0.2.7"):
    """One GET with this token from this address."""
    headers = {"Authorization": f"Bearer {token}"}
    return shop.client.get(path, headers=headers, environ_base={"REMOTE_ADDR": address})


@pytest.fixture
def command(settings_and_tokens):
    """The `lots` command on the database of this test."""
    settings, _ = settings_and_tokens

    def run(*arguments):
        return CliRunner().invoke(main, arguments, env={"LOTS_DATABASE": settings.database})

    return run


# How long they hold


def test_a_token_holds_for_a_year_unless_told_otherwise(shop):
    """A token is valid for 365 days by default, and the list has its end."""
    with time_machine.travel(NOON, tick=False):
        made("Ilse")
        made("Corin", days=7)
    assert NOON + timedelta(days=365) == listed("Ilse")["expires_at"]
    assert NOON + timedelta(days=7) == listed("Corin")["expires_at"]


def test_a_token_opens_nothing_from_the_moment_it_expires(shop):
    """A token is valid until just before its end, then refused with the end and the remedy."""
    with time_machine.travel(NOON, tick=False):
        token = made(days=30)
    with time_machine.travel(NOON + timedelta(days=30, microseconds=-1), tick=False):
        assert 200 == ask(shop, token).status_code
    for later in (timedelta(days=30), timedelta(days=3000)):
        with time_machine.travel(NOON + later, tick=False):
            answer = ask(shop, token)
            said = refused(answer, 401, "token-expired", [])["detail"]
        assert "expired on 2026-12-25 12:00 UTC" in said
        assert "lots token renew 'Ilse'" in said
        assert "lots token add" in said
        assert "Bearer" in answer.headers["WWW-Authenticate"]


def test_a_token_from_before_there_were_ends_holds_on(shop):
    """A token without an end, from an older version, is valid until revoked."""
    with time_machine.travel(NOON):
        token = made()
    with connected():
        database.db.execute_sql("UPDATE token SET expires_at = NULL WHERE name = 'Ilse'")
    with time_machine.travel(NOON + timedelta(days=10_000)):
        assert 200 == ask(shop, token).status_code


def test_a_renewed_token_replaces_the_one_before(shop):
    """A renewed token has the same name and role, and the old text ends at once, expired or not."""
    with time_machine.travel(NOON, tick=False):
        old = made(days=1)
    with time_machine.travel(NOON + timedelta(days=2), tick=False):
        with connected():
            new = access.renew_token("Ilse", 10)
        refused(ask(shop, old), 401, "no-token", [])
        assert 200 == ask(shop, new).status_code
        assert NOON + timedelta(days=12) == listed("Ilse")["expires_at"]
        assert "quality" == listed("Ilse")["role"]


def test_a_revoked_token_is_not_renewed(shop):
    """A revoked or unknown token cannot be renewed."""
    made()
    with connected():
        access.revoke_token("Ilse")
        for name in ("Ilse", "nobody"):
            with pytest.raises(NotFound, match="lots token list"):
                access.renew_token(name)


def test_the_last_word_is_a_comparison_in_constant_time(shop, monkeypatch):
    """A row found by the index is admitted only after a comparison of hashes in constant time."""
    token, compared = made(), []
    monkeypatch.setattr(access.hmac, "compare_digest", lambda a, b: compared.append((a, b)))
    refused(ask(shop, token), 401, "no-token", [])
    assert [(access.digest_of(token),) * 2] == compared


def test_the_list_shows_dates_and_neither_text_nor_hash(shop, command):
    """The list has name, role, creation, expiry, last use and revocation of each token, without text or hash."""
    with time_machine.travel(NOON, tick=False):
        token = made(days=30)
        made("Corin", "production", 3650)
    with connected():
        access.revoke_token("Corin")
    done = command("token", "list")
    lines = {line.split()[0]: line for line in done.stdout.splitlines()}
    assert "Ilse quality created 2026-11-25 expires 2026-12-25 never used" == " ".join(lines["Ilse"].split())
    assert "revoked 20" in lines["Corin"]
    assert token not in done.output
    assert access.digest_of(token) not in done.output


def test_an_expired_token_is_listed_as_such(shop, command):
    """The list marks expired tokens."""
    with time_machine.travel(datetime(2020, 1, 1, tzinfo=UTC), tick=False):
        made(days=1)
    assert "expired 2020-01-02" in command("token", "list").stdout


def test_the_command_makes_and_renews(shop, command):
    """Each command prints the token alone; a second token of one name is refused with the remedy."""
    first = command("token", "add", "Ilse", "--role", "quality", "--days", "1")
    again = command("token", "add", "Ilse", "--role", "quality")
    second = command("token", "renew", "Ilse")
    assert (0, 1, 0) == (first.exit_code, again.exit_code, second.exit_code)
    assert "lots token renew 'Ilse'" in again.stderr
    assert 401 == ask(shop, first.stdout.strip()).status_code
    assert 200 == ask(shop, second.stdout.strip()).status_code


@pytest.mark.parametrize("scheme", [b"Bearer", b"bearer", b"Basic", b"Digest", b"Negotiate", b"\xc3\xa9", b""])
def test_a_header_that_no_client_should_send_is_no_token(shop, scheme):
    """Unusual encodings, parameters and control characters in the header are 401, in every scheme."""
    for rest in (
        b"",
        b"\xe9",
        "é".encode(),
        b"\xff\xfe",
        b"a=b",
        b"a*=zz''%ff",
        b'a="',
        b"a=,=,",
        b"YTpi",
        b"\x00",
        b"a b",
        b"=" * 999,
    ):
        sent = {"Authorization": scheme + b" " + rest}
        assert 401 == hostile.send(shop.app, "GET", b"/v1/lots", sent=sent).status_code


@pytest.mark.parametrize("days", ["0", "-1", "3651", "1.5", "never"])
def test_no_token_holds_for_good(command, days):
    """A token is valid for 1 day to 10 years, in whole days."""
    done = command("token", "add", "Ilse", "--role", "admin", "--days", days)
    assert (2, "") == (done.exit_code, done.stdout)
    assert "--days" in done.stderr


# When they were used


def test_a_use_is_written_a_minute_later_by_whoever_asks_next(shop):
    """The last use is written a minute later by the next request, each token with its own moment."""
    with time_machine.travel(NOON, tick=False) as now:
        shop.app.extensions["token_uses"] = access.Uses()
        quality, floor = made("Ilse"), made("Corin", "production")
        ask(shop, quality)
        now.shift(timedelta(seconds=59))
        ask(shop, quality)
        assert listed("Ilse")["last_used_at"] is None
        now.shift(timedelta(seconds=1))
        ask(shop, floor)
        assert NOON + timedelta(seconds=59) == listed("Ilse")["last_used_at"]
        assert NOON + timedelta(seconds=60) == listed("Corin")["last_used_at"]


def test_uses_are_written_at_most_once_a_minute(shop):
    """Last uses are written at most once a minute."""
    with time_machine.travel(NOON, tick=False) as now:
        shop.app.extensions["token_uses"] = access.Uses()
        token, seen = made(), set()
        for _ in range(40):
            now.shift(timedelta(seconds=5))
            ask(shop, token)
            seen.add(listed("Ilse")["last_used_at"])
    assert {None, *(NOON + timedelta(seconds=s) for s in (60, 120, 180))} == seen


def test_the_later_moment_wins(shop):
    """Of two workers' notes on a token the later use remains."""
    made()
    early, late = access.Uses(), access.Uses()
    with time_machine.travel(NOON, tick=False):
        early.note(access.Person("Ilse", "quality"))
    with time_machine.travel(NOON + timedelta(minutes=5), tick=False):
        late.note(access.Person("Ilse", "quality"))
    with connected():
        late.write()
        early.write()
    assert NOON + timedelta(minutes=5) == listed("Ilse")["last_used_at"]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_request_is_answered_while_somebody_else_writes(shop, settings_and_tokens):
    """While the database is locked a read is answered, and its use is written later."""
    settings, _ = settings_and_tokens
    with time_machine.travel(NOON, tick=False) as now:
        shop.app.extensions["token_uses"] = access.Uses()
        token = made()
        now.shift(timedelta(minutes=2))
        writer = sqlite3.connect(settings.database.removeprefix("sqlite:///"), isolation_level=None)
        writer.execute("BEGIN IMMEDIATE")
        assert 200 == ask(shop, token).status_code
        assert listed("Ilse")["last_used_at"] is None
        writer.execute("ROLLBACK")
        writer.close()
        with connected():
            shop.app.extensions["token_uses"].write()
        assert NOON + timedelta(minutes=2) == listed("Ilse")["last_used_at"]


def read_only(engine, settings):
    """Makes the database refuse every write; on PostgreSQL for new connections."""
    if engine == "sqlite":
        with connected():
            database.db.obj.pragma("query_only", 1, permanent=True)
        return
    name = settings.database.rpartition("/")[2]
    with connected():
        database.db.execute_sql(f"ALTER DATABASE {name} SET default_transaction_read_only = on")
    database.db.obj.close_all()


def writable(engine, settings):
    """Undoes `read_only`."""
    if engine == "sqlite":
        with connected():
            database.db.obj.pragma("query_only", 0, permanent=True)
        return
    name = settings.database.rpartition("/")[2]
    with connected():
        database.db.execute_sql("SET default_transaction_read_only = off")
        database.db.execute_sql(f"ALTER DATABASE {name} RESET default_transaction_read_only")
    database.db.obj.close_all()


def test_a_read_only_database_answers_all_the_same(shop, engine, settings_and_tokens):
    """With a read-only database requests are answered, and last uses are written later."""
    settings, _ = settings_and_tokens
    with time_machine.travel(NOON, tick=False) as now:
        shop.app.extensions["token_uses"] = access.Uses()
        token = made()
        now.shift(timedelta(minutes=2))
        read_only(engine, settings)
        try:
            assert 200 == ask(shop, token).status_code
            assert listed("Ilse")["last_used_at"] is None
        finally:
            writable(engine, settings)
        with connected():
            shop.app.extensions["token_uses"].write()
        assert NOON + timedelta(minutes=2) == listed("Ilse")["last_used_at"]


@pytest.mark.thorough
@pytest.mark.parametrize("engine", ["sqlite"])
def test_what_was_noted_is_written_when_the_server_is_stopped(settings_and_tokens):
    """A last use within the minute before SIGTERM is written at the stop."""
    settings, tokens = settings_and_tokens
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-c", "from lots.cli import main; main()", "serve", "--port", str(port)]
    root = str(Path(__file__).parent.parent.parent)
    environment = {**os.environ, "LOTS_DATABASE": settings.database, "PYTHONPATH": root}
    with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True) as server:
        assert any("Serving on" in line for line in server.stderr)
        address = f"http://127.0.0.1:{port}/v1/lots"
        request = urllib.request.Request(address, headers={"Authorization": f"Bearer {tokens['quality']}"})
        with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310  # loopback
            assert 200 == answer.status
        server.terminate()
        assert 0 == server.wait(timeout=60)
    database.open_database(settings.database)
    assert listed("quality person")["last_used_at"] is not None
    assert listed("production person")["last_used_at"] is None


# Guessing


def wrong(shop, count, address="192.0.2.7", start=0):
    """Statuses of so many different wrong tokens."""
    return [ask(shop, f"wrong-{number}", address=address).status_code for number in range(start, start + count)]


def test_after_twenty_different_wrong_tokens_an_address_is_told_to_wait(shop):
    """Twenty different wrong tokens get 401, the next 429 with the time until the first is a minute old."""
    assert [401] * 20 == wrong(shop, 20)
    answer = ask(shop, "wrong-20")
    said = refused(answer, 429, "too-many-wrong-tokens", [])["detail"]
    assert "Retry-After" in said
    assert 1 <= int(answer.headers["Retry-After"]) <= 60


def test_another_address_and_a_right_token_are_not_held_up(shop):
    """Other addresses and valid tokens are not affected by guessing."""
    expired = made(days=1)
    wrong(shop, 25)
    assert 200 == ask(shop, shop.tokens["quality"]).status_code
    with time_machine.travel(datetime.now(UTC) + timedelta(days=2)):
        wrong(shop, 25)
        refused(ask(shop, expired), 401, "token-expired", [])
    assert [401] == wrong(shop, 1, address="192.0.2.8")


def test_each_application_counts_for_itself(shop, settings_and_tokens):
    """Each application counts in its own memory."""
    from lots.app import create_app

    wrong(shop, 25)
    settings, _ = settings_and_tokens
    fresh = create_app(settings).test_client()
    headers = {"Authorization": "Bearer wrong"}
    assert 401 == fresh.get("/v1/lots", headers=headers, environ_base={"REMOTE_ADDR": "192.0.2.7"}).status_code


class Clock:
    """A clock that moves only on request."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        """The moment, s."""
        return self.now


def test_one_wrong_token_again_and_again_is_no_guess():
    """One wrong token counts once, however often it is sent."""
    guesses = WrongTokens(most=2)
    assert [0] * 50 == [guesses.wait_s("192.0.2.7", "old") for _ in range(50)]
    assert 0 == guesses.wait_s("192.0.2.7", "another")
    assert guesses.wait_s("192.0.2.7", "old") > 0


def test_the_wait_ends_when_the_oldest_is_a_minute_old():
    """Retry-After is exact to the second, and after it one more token is checked."""
    clock = Clock()
    guesses = WrongTokens(most=2, now=clock)
    guesses.wait_s("192.0.2.7", "a")
    clock.now += 10.5
    guesses.wait_s("192.0.2.7", "b")
    assert 50 == guesses.wait_s("192.0.2.7", "c")
    clock.now += 49.4
    assert 1 == guesses.wait_s("192.0.2.7", "c")
    clock.now += 0.1
    assert 0 == guesses.wait_s("192.0.2.7", "c")
    assert 11 == guesses.wait_s("192.0.2.7", "d")


def test_an_ipv6_network_is_one_address():
    """Addresses of one IPv6 /64 network count as one."""
    guesses = WrongTokens(most=1)
    assert 0 == guesses.wait_s("2001:db8:1:2::1", "a")
    assert guesses.wait_s("2001:db8:1:2:ffff::9", "b") > 0
    assert 0 == guesses.wait_s("2001:db8:1:3::1", "b")


def test_the_memory_of_wrong_tokens_is_bounded():
    """The least recently seen addresses are forgotten first, and tokens of any text are accepted."""
    guesses = WrongTokens(most=1, addresses=3)
    for last in (1, 2, 3, 1, 4):  # 2 is the one forgotten
        guesses.wait_s(f"192.0.2.{last}", "a")
    assert 3 == len(guesses._seen)
    assert [True, False] == [guesses.wait_s(f"192.0.2.{last}", "b") > 0 for last in (1, 2)]
    for address, token in ((None, "\udcff"), ("", "\x00"), ("/run/lots.sock", "x" * 100_000)):
        guesses.wait_s(address, token)
