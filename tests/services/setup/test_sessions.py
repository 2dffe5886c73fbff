"""Stored sessions: begun once, ended permanently, contained in backups, and deleted in batches."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.app import prepare_database
from lots.services.setup import access, sessions
from lots.store.engine import database
from lots.store.tables.models import Token, WebSession
from lots.store.upkeep import tidy
from lots.store.upkeep.backup import backup
from tests.store.rows import connected

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture
def begun(shop):
    """Starts a session of quality and returns its secret."""

    def begin(before=""):
        started = sessions.start_session(shop.tokens["quality"], "192.0.2.7", before)
        assert started is not None
        return started.secret

    with connected():
        yield begin


def test_a_session_is_its_persons_until_it_ends(begun):
    """Every secret is different, and an ended session stays ended."""
    first, second = begun(), begun()
    person = access.Person("quality person", "quality")
    assert (person, person) == (sessions.person_of_session(first), sessions.person_of_session(second))
    for _ in range(2):
        sessions.end_session(first)
        assert (None, person) == (sessions.person_of_session(first), sessions.person_of_session(second))


@pytest.mark.parametrize("secret", ["", "x", "\x00", "\ud800", "é", "x" * 100_000])
def test_what_was_never_given_out_is_nobodys(begun, secret):
    """Any other text, and the hash of a secret, opens no session."""
    real = begun()
    assert sessions.person_of_session(secret) is None
    assert sessions.person_of_session(access.digest_of(real)) is None
    assert access.person_of(secret) is None


def test_the_last_word_is_a_comparison_in_constant_time(begun, monkeypatch):
    """A row found by the index counts only after a comparison of hashes in constant time."""
    secret, compared = begun(), []
    monkeypatch.setattr(sessions.hmac, "compare_digest", lambda a, b: compared.append((a, b)))
    assert sessions.person_of_session(secret) is None
    assert [(access.digest_of(secret),) * 2] == compared


def test_a_token_without_an_end_begins_sessions_of_twelve_hours(begun):
    """A token without an end, from an older version, begins sessions of twelve hours."""
    Token.update(expires_at=None).execute()
    with time_machine.travel(NOON, tick=False):
        begun()
        (row,) = sessions.list_sessions()
    assert (NOON, NOON + timedelta(hours=12)) == (row["started_at"], row["ends_at"])


def test_a_former_token_begins_no_session(shop):
    """A token after its renewal, revocation or end begins no session."""
    with connected():
        with time_machine.travel(NOON, tick=False):
            old = {name: access.add_token(name, "quality", 1) for name in ("renewed", "revoked", "expired")}
            access.renew_token("renewed", 10)
            access.revoke_token("revoked")
        with time_machine.travel(NOON + timedelta(days=1), tick=False):
            assert [None] * 3 == [sessions.start_session(text, None) for text in old.values()]
        assert 0 == WebSession.select().count()


def test_a_sign_in_beside_a_renewal_waits_for_it(shop):
    """A sign-in during a renewal waits for it, so that no session of the former token stays open."""
    done = []

    def sign_in():
        with connected():
            done.append(sessions.start_session(shop.tokens["quality"], None))

    other = threading.Thread(target=sign_in)
    with connected():
        with database.transaction():
            access.renew_token("quality person")
            other.start()
            other.join(timeout=0.3)  # on its way, or waiting; either is right
        other.join(timeout=60)
        assert [None] == done
        assert [] == sessions.list_sessions()


def test_old_sessions_are_removed_the_oldest_first_and_no_more_than_asked(begun):
    """One statement deletes the oldest ended sessions up to a number."""
    for day in range(5):
        with time_machine.travel(NOON + timedelta(days=day), tick=False):
            begun()
    before = NOON + timedelta(days=3)  # the sessions of the first three days ended before that
    assert [2, 1, 0] == [tidy.remove("web_session", before, 2) for _ in range(3)]
    left = [row.started_at for row in WebSession.select().order_by(WebSession.id)]
    assert [NOON + timedelta(days=3), NOON + timedelta(days=4)] == left


def test_sessions_are_kept_with_a_backup(begun, settings_and_tokens, tmp_path):
    """Sessions are in a backup: signed-in people stay signed in, and signed-out ones do not."""
    settings, _ = settings_and_tokens
    open_one, ended = begun(), begun()
    sessions.end_session(ended)
    database.disconnect()
    backup(settings.database, tmp_path / "kept.sqlite3")
    prepare_database(f"sqlite:///{tmp_path / 'kept.sqlite3'}")
    with connected():
        assert "quality person" == sessions.person_of_session(open_one).name
        assert sessions.person_of_session(ended) is None
