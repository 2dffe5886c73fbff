"""Random requests from the OpenAPI document: every path, documented answers, and never a 5xx."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode

from lots.app import create_app
from lots.services.setup import access, roles
from lots.settings import Settings
from lots.store.engine import database
from tests import hostile
from tests.api.bodies import Furnished
from tests.hostile import ODD, headers, urlencoded, wrong_with
from tests.shop import Shop
from tests.store.copies import new_postgres

pytestmark = pytest.mark.thorough

EXAMPLES = 60 if os.environ.get("LOTS_TEST_EXPLORE") else 3

# A right request may still speak of something that is not there, stands otherwise, or was changed meanwhile; a document cannot say
# which codes and numbers the shop has. A wrong one is never let through, and never breaks anything.
CHECKS = {
    "positive_data_acceptance": {"expected-statuses": ["2xx", "404", "409", "412", "415", "422", "428", "501"]},
    "negative_data_rejection": {"expected-statuses": ["400", "404", "405", "409", "412", "413", "415", "422", "428"]},
}


def padded(value: Any) -> bool:
    """True for a text with blanks at an end; they are stripped before validation, which no schema can express."""
    if isinstance(value, str):
        return value != value.strip()
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return any(padded(part) for part in inside)


def pointed(value: Any, there: dict[str, tuple[Any, ...]], turn: int) -> Any:
    """The same value with existing numbers and codes, so that the request passes the first checks."""
    if isinstance(value, list):
        return [pointed(part, there, turn) for part in value]
    if not isinstance(value, dict):
        return value
    return {
        name: there[name][turn % len(there[name])] if name in there else pointed(part, there, turn)
        for name, part in value.items()
    }


class Fuzzed:
    """A shop with one of everything, its schemathesis schema, and a count of answers."""

    def __init__(self, url: str) -> None:
        app = self.app = create_app(Settings(database=url, log_level="error"))
        database.connect()
        tokens = {role: access.add_token(role, role) for role in roles.ROLES}
        database.disconnect()
        at = Furnished(Shop(app, tokens))
        at.load()
        at.containment()
        at.concession()
        self.paths = {"number": (1, 2, 3), "code": (at.spool, at.free_spool()), "name": ("J",)}
        self.bodies = dict.fromkeys(("supplier_id", "grade_id", "shade_id", "instrument_id", "lot_id"), (1, 2))
        self.bodies["spool_code"] = (at.spool, at.free_spool())
        self.statuses: Counter[int] = Counter()
        self.auth = {"Authorization": f"Bearer {tokens['admin']}"}
        config = schemathesis.Config.from_dict({"checks": CHECKS, "generation": {"with-security-parameters": False}})
        self.schema = schemathesis.openapi.from_wsgi("/v1/openapi.json", app, config=config)

    def try_out(self, operation: schemathesis.APIOperation, mode: GenerationMode) -> str | None:
        """Sends requests to one operation; returns the fault of an answer, or None."""

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(generation_mode=mode), known=st.none() | st.integers(0, 1))
        def send(case: schemathesis.Case, known: int | None) -> None:
            if known is not None and mode is GenerationMode.POSITIVE:
                case.path_parameters = pointed(case.path_parameters, self.paths, known)
                case.body, case.query = pointed(case.body, self.bodies, known), pointed(case.query, self.bodies, known)
            assume(not padded([case.body, case.query]))
            answer = case.call(headers=self.auth)
            self.statuses[answer.status_code] += 1
            case.validate_response(answer, headers=self.auth)

        try:
            send()
        except Unsatisfiable:  # nothing about it can be wrong: it takes nothing, or any text at all
            assert mode is GenerationMode.NEGATIVE, f"{operation.label} cannot be asked at all"
        except (AssertionError, BaseExceptionGroup) as wrong:
            parts = wrong.exceptions if isinstance(wrong, BaseExceptionGroup) else (wrong,)
            return f"{operation.label}: " + "; ".join([*map(str, parts), *getattr(wrong, "__notes__", ())])
        return None


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def fuzzed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fuzzed]:
    """One shop for the whole file, on each engine."""
    if request.param == "sqlite":
        path: Path = tmp_path_factory.mktemp("fuzz") / "shop.sqlite3"
        yield Fuzzed(f"sqlite:///{path}")
        database.close()
        return
    with new_postgres(request.getfixturevalue("postgres_url"), "api_fuzz") as url:
        yield Fuzzed(url)


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_every_path_answers_as_documented_whatever_it_is_sent(fuzzed: Fuzzed, mode: GenerationMode) -> None:
    """Valid and invalid requests to every path have the documented status, type and shape; invalid ones and those without a token are refused."""
    operations = [found.ok() for found in fuzzed.schema.get_all_operations()]
    wrong = [said for operation in operations if (said := fuzzed.try_out(operation, mode))]
    assert [] == wrong, "\n\n".join(wrong)
    assert [] == [status for status in fuzzed.statuses if status >= 500]
    # Both kinds of request got as far as they should: right ones to an answer, wrong ones to a refusal that names the fault.
    reached = {GenerationMode.POSITIVE: {200, 404}, GenerationMode.NEGATIVE: {422}}[mode]
    assert reached <= set(fuzzed.statuses)


def _odd_request(fuzzed: Fuzzed, path: str, method: str, queries: list[str], draw: st.DrawFn) -> list[str]:
    """Sends a request with odd bytes in path, query and headers; returns the fault of the answer."""

    def part(name: str) -> bytes:
        right = st.sampled_from([str(one).encode() for one in fuzzed.paths.get(name, (1,))])
        return draw(right | ODD)

    made = re.split(r"{(\w+)}", path)
    address = b"".join(part(one) if place % 2 else one.encode() for place, one in enumerate(made))
    query = {name: draw(ODD) for name in draw(st.lists(st.sampled_from(queries), max_size=3, unique=True))}
    sent = {name: text.encode() for name, text in fuzzed.auth.items()} | draw(headers())
    if method != "get":
        sent.setdefault("Content-Type", b"application/json")
    text = draw(st.sampled_from([urlencoded(query)] * 9 + [b"\xff", b"limit=\xed\xa0\x80"]))
    body = draw(st.sampled_from([b"{}", b"[]", b""]) | ODD)
    answer = hostile.send(fuzzed.app, method.upper(), address, text, sent, body)
    fuzzed.statuses[answer.status_code] += 1
    return [f"{one} for {method} {address!r} {text!r} {sent}" for one in wrong_with(answer)]


def test_no_path_breaks_whatever_bytes_it_is_sent(fuzzed: Fuzzed) -> None:
    """Control characters, NUL and invalid UTF-8 in paths, queries and headers never give a 5xx."""
    found: list[str] = []
    for operation in (one.ok() for one in fuzzed.schema.get_all_operations()):
        queries = [*(parameter.name for parameter in operation.query), "limit", "cursor", "nothing"]
        ask = partial(_odd_request, fuzzed, operation.path, operation.method, queries)
        found += hostile.tried(EXAMPLES, ask)
    assert [] == found, "\n\n".join(found)
    assert {404, 422} <= set(fuzzed.statuses)
