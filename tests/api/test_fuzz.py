"""Requests that nobody thought of, made from the OpenAPI document: every path, every check of its answers, and never a 5xx."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
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
from tests.api.bodies import Furnished
from tests.shop import Shop

EXAMPLES = 60 if os.environ.get("LOTS_TEST_EXPLORE") else 3

# A right request may still speak of something that is not there, stands otherwise, or was changed meanwhile; a document cannot say
# which codes and numbers the shop has. A wrong one is never let through, and never breaks anything.
CHECKS = {
    "positive_data_acceptance": {"expected-statuses": ["2xx", "404", "409", "412", "415", "422", "428", "501"]},
    "negative_data_rejection": {"expected-statuses": ["400", "404", "405", "409", "412", "413", "415", "422", "428"]},
}


def padded(value: Any) -> bool:
    """True where a text has blanks at an end. They are cut off before it is judged, which no schema can say."""
    if isinstance(value, str):
        return value != value.strip()
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return any(padded(part) for part in inside)


def pointed(value: Any, there: dict[str, tuple[Any, ...]], turn: int) -> Any:
    """The same value, but its numbers and codes of things are of some that are there, so that the request gets past the door."""
    if isinstance(value, list):
        return [pointed(part, there, turn) for part in value]
    if not isinstance(value, dict):
        return value
    return {
        name: there[name][turn % len(there[name])] if name in there else pointed(part, there, turn)
        for name, part in value.items()
    }


class Fuzzed:
    """A shop with one of everything, its document as schemathesis reads it, and a count of what was answered."""

    def __init__(self, url: str) -> None:
        app = create_app(Settings(database=url, log_level="error"))
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
        """Sends requests to one operation; answers what was wrong with an answer, None when nothing was."""

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


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fuzzed]:
    """One shop for the whole file."""
    path: Path = tmp_path_factory.mktemp("fuzz") / "shop.sqlite3"
    yield Fuzzed(f"sqlite:///{path}")
    database.close()


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_every_path_answers_as_documented_whatever_it_is_sent(fuzzed: Fuzzed, mode: GenerationMode) -> None:
    """Right and wrong requests to every path get a documented answer: status, type, shape; wrong ones and those without a token are refused."""
    operations = [found.ok() for found in fuzzed.schema.get_all_operations()]
    wrong = [said for operation in operations if (said := fuzzed.try_out(operation, mode))]
    assert [] == wrong, "\n\n".join(wrong)
    assert [] == [status for status in fuzzed.statuses if status >= 500]
    # Both kinds of request got as far as they should: right ones to an answer, wrong ones to a refusal that names the fault.
    reached = {GenerationMode.POSITIVE: {200, 404}, GenerationMode.NEGATIVE: {422}}[mode]
    assert reached <= set(fuzzed.statuses)
