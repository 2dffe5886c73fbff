"""Random requests to every page by GET and POST, by each role and by strangers, never answer 5xx."""

from __future__ import annotations

import os
import re
import sys
from collections import Counter
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from lots.app import create_app
from lots.services.setup import access, roles, sessions
from lots.settings import Settings
from lots.store.engine import database
from tests.api.bodies import Furnished
from tests.hostile import ODD, headers, multipart, send, tried, urlencoded, wrong_with
from tests.pages.reading import Page
from tests.shop import Shop
from tests.store.copies import new_postgres

pytestmark = pytest.mark.thorough

EXAMPLES = 60 if os.environ.get("LOTS_TEST_EXPLORE") else 4
NOBODY = "nobody"
WHO = (*roles.ROLES, NOBODY)

_NAME = re.compile(r'"([a-z][a-z0-9_]{1,30})"')
_ROWS = (
    "d1_mm-0",
    "d2_mm-0",
    "L-0",
    "a-0",
    "b-0",
    "position_m-0",
    "age_h-0",
    "d1_mm-1",
    "measured_at",
    "token",
    "then",
    "seal",
    "once",
)


@cache
def names(module: str) -> list[str]:
    """Every name that a module of pages may read from a query or a form, and some field names."""
    return sorted({*_NAME.findall(Path(sys.modules[module].__file__ or "").read_text("utf-8")), *_ROWS})


class Fuzzed:
    """A shop with one of everything, a signed-in person of each role, and a count of the answers."""

    def __init__(self, url: str) -> None:
        self.app = create_app(Settings(database=url, log_level="error"))
        database.connect()
        self.tokens = {role: access.add_token(role, role) for role in roles.ROLES}
        database.disconnect()
        at = Furnished(Shop(self.app, self.tokens))
        at.load()
        at.containment()
        at.concession()
        spools = (at.spool, at.free_spool())
        self.right = [
            text.encode() for text in ("1", "2", "1.75", "on", "yes", "store", "diameter", "color", "cosmetic", *spools)
        ]
        self.codes = [code.encode() for code in spools]
        self.secrets: dict[str, str] = {}
        self.seals: dict[str, bytes] = {}
        self.statuses: Counter[int] = Counter()
        for role in roles.ROLES:
            self.sign_in(role)

    def sign_in(self, role: str) -> None:
        """Starts a session and takes the CSRF token of its forms from Home."""
        database.connect()
        started = sessions.start_session(self.tokens[role], None)
        database.disconnect()
        assert started is not None
        self.secrets[role] = started.secret
        answer = send(self.app, "GET", b"/", sent={"Cookie": self.cookie(role)})
        self.seals[role] = Page(answer).form("seal")["fields"]["seal"].encode()

    def cookie(self, role: str) -> bytes:
        """The headers of a role's browser."""
        return b"lots_session=" + self.secrets[role].encode()

    def part(self, kind: str, draw: st.DrawFn) -> bytes:
        """A part of a path: one of a page, or random text."""
        if draw(st.integers(0, 3)) == 0:
            return draw(ODD)
        if kind.startswith("int"):
            return draw(st.sampled_from([b"1", b"2", b"3", b"99999999999999999999", b"0"]))
        if kind.startswith("any"):
            return draw(st.sampled_from([word.strip().encode() for word in kind[4:-1].split(",")]))
        return draw(st.sampled_from(self.codes))

    def path(self, rule: str, draw: st.DrawFn) -> bytes:
        """An address of a rule such as /lots/<int:number>."""
        made = re.split(r"<(?:([^:<>]+):)?\w+>", rule)
        return b"".join(
            part.encode() if place % 2 == 0 else self.part(part or "text", draw) for place, part in enumerate(made)
        )

    def fields(self, rule: Any, draw: st.DrawFn) -> dict[str, bytes]:
        """Some fields, with right and odd values."""
        known = names(self.app.view_functions[rule.endpoint].__module__)
        drawn = draw(st.lists(st.sampled_from(known), max_size=12, unique=True))
        return {name: draw(st.sampled_from(self.right) | ODD) for name in drawn}

    def ask(self, rule: Any, method: str, draw: st.DrawFn) -> list[str]:
        """Sends one request and returns the faults of the answer."""
        who = draw(st.sampled_from(("admin", *WHO)))
        sent = draw(headers())
        if who != NOBODY:
            sent["Cookie"] = b"; ".join([self.cookie(who), *filter(None, [sent.get("Cookie")])])
        sent.setdefault("Accept", b"text/html")
        path, query, body = self.path(rule.rule, draw), urlencoded(self.fields(rule, draw)), b""
        if method == "POST":
            form = self.fields(rule, draw)
            if who != NOBODY and draw(st.integers(0, 7)):
                form["seal"] = self.seals[who]
            files = {"file": draw(ODD)} if draw(st.booleans()) else {}
            body = multipart(form, files) if files else urlencoded(form)
            sent.setdefault(
                "Content-Type", b"multipart/form-data; boundary=b" if files else b"application/x-www-form-urlencoded"
            )
        query, body = (draw(ODD) if draw(st.integers(0, 15)) == 0 else one for one in (query, body))
        answer = send(self.app, method, path, query, sent, body)
        self.statuses[answer.status_code] += 1
        if rule.endpoint == "pages.sign_out" and who != NOBODY:
            self.sign_in(who)
        return [f"{one} for {(who, method, path, query, sent, body)}" for one in wrong_with(answer)]


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def fuzzed(request, tmp_path_factory):
    """One shop for the whole file, on each engine."""
    if request.param == "sqlite":
        yield Fuzzed(f"sqlite:///{tmp_path_factory.mktemp('fuzz') / 'shop.sqlite3'}")
        database.close()
        return
    with new_postgres(request.getfixturevalue("postgres_url"), "pages_fuzz") as url:
        yield Fuzzed(url)
        database.close()


def test_no_page_breaks_whatever_it_is_sent(fuzzed):
    """Each page and method: the answer is no 5xx, well-formed HTML, and escapes its input."""
    found: list[str] = []
    for rule in fuzzed.app.url_map.iter_rules():
        if not rule.endpoint.startswith(("pages.", "report pages.", "docs", "healthz", "readyz", "metrics")):
            continue
        for method in sorted({"GET", "POST"} & rule.methods):
            found += tried(EXAMPLES, partial(fuzzed.ask, rule, method))
    assert [] == found, "\n\n".join(found)
    # Requests got as far as they should: to pages, to other desks, to what is not there, and to forms that were refused.
    assert set() == {200, 302, 400, 403, 404, 422} - set(fuzzed.statuses)
