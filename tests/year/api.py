"""The shop's people at the HTTP API, on a temporary SQLite file, and the set-up of the shop."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

import time_machine
from flask import Flask

from lots import create_app
from lots.services.setup import access, roles
from lots.settings import Settings
from lots.store.engine import database
from tests.shop import PATHS, RECIPE
from tests.year import assumptions as assumed
from tests.year.bench import written

__all__ = ["PATHS", "Desk", "opened"]


class Desk:
    """Requests by a person of each role. Statuses are counted; an unexpected answer is an error."""

    def __init__(self, app: Flask, tokens: dict[str, str], clock: Any) -> None:
        self.client, self.tokens, self.clock = app.test_client(), tokens, clock
        self.statuses: Counter[int] = Counter()

    def go(self, moment: datetime) -> None:
        """Advances the clock to a moment."""
        self.clock.move_to(moment)

    def ask(self, role: str, method: str, path: str, body: Any = None, expected: tuple[int, ...] = (200, 201)) -> Any:
        """Returns the answer to a request, whose status must be an expected one."""
        headers = {"Authorization": f"Bearer {self.tokens[role]}"}
        answer = self.client.open(f"/v1{path}", method=method, json=body, headers=headers)
        self.statuses[answer.status_code] += 1
        if answer.status_code not in expected:
            raise RuntimeError(f"{method} {path} answered {answer.status_code}: {answer.get_data(as_text=True)[:2000]}")
        return answer.get_json()

    def get(self, role: str, path: str) -> Any:
        """Returns the answer to a GET."""
        return self.ask(role, "GET", path)

    def post(self, role: str, path: str, body: Any = None, expected: tuple[int, ...] = (201,)) -> Any:
        """Returns the answer to a POST."""
        return self.ask(role, "POST", path, body, expected)

    def every(self, role: str, path: str) -> list[Any]:
        """Returns all items of a list, page by page."""
        found, following = [], f"{path}{'&' if '?' in path else '?'}limit=500"
        while following:
            page = self.get(role, following)
            found += page["items"]
            following = (page["next"] or "").partition("/v1")[2]
        return found


@contextmanager
def opened(folder: Path, seed: int) -> Iterator[Desk]:
    """Opens an empty shop on a file in `folder`, on the first morning of the year.

    The program draws samples by chance. Here that chance comes from the seed, so that the same seed gives the same year.

    Args:
        folder: for the database.
        seed: of the draws.
    """
    draws = random.Random(seed)
    with time_machine.travel(assumed.START, tick=False) as clock, patch("secrets.randbits", draws.getrandbits):
        app = create_app(Settings(database=f"sqlite:///{folder / 'year.sqlite3'}", log_level="error"))
        database.connect()
        try:
            tokens = {role: access.add_token(f"{role} person", role, 3 * assumed.DAYS) for role in roles.ROLES}
        finally:
            database.disconnect()
        try:
            yield Desk(app, tokens, clock)
        finally:
            database.close()


class Setup:
    """Suppliers, instruments, shades, recipes and grades with limits, set up before the first delivery."""

    def __init__(self, desk: Desk, rule: str = "guarded") -> None:
        self.desk, self.rule = desk, rule
        for code, name in assumed.SUPPLIERS.items():
            desk.post("purchasing", "/suppliers", {"code": code, "name": name})
        self.instruments = {
            code: desk.post("quality", "/instruments", {"code": code, **about})["id"]
            for code, about in assumed.INSTRUMENTS.items()
        }
        for number in self.instruments.values():
            body = {"checked_at": written(assumed.START), "result": "pass", "artefact": "check piece"}
            desk.post("quality", f"/instruments/{number}/checks", body)
        for code in ("COUPON", "BAR"):
            made = desk.post("quality", "/test-prints", {"code": code, "name": f"Test print {code}"})
            desk.post("quality", f"/test-prints/{made['id']}/revisions", RECIPE)
        for code, grade in assumed.GRADES.items():
            self._grade(code, grade)

    def _grade(self, code: str, grade: dict[str, Any]) -> None:
        shade = self.desk.post("quality", "/shades", {"code": f"{code}-SHADE", "name": grade["about"]["color_name"]})
        measured = {"instrument_id": self.instruments[assumed.READ_WITH["color"]], "standard_uncertainty": 0.03}
        revision = {"lab": grade["lab"], "conditions": assumed.CONDITIONS, "approved_by": "quality person", **measured}
        self.desk.post("quality", f"/shades/{shade['id']}/revisions", revision)
        body = {"code": code, "shade_id": shade["id"], **assumed.EVERY_GRADE, **grade["about"]}
        made = self.desk.post("quality", "/grades", body)
        self.desk.post("quality", f"/grades/{made['id']}/limits", {**assumed.LIMITS[code], "decision_rule": self.rule})
