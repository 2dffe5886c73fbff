"""Pages in a real browser: one server on the demo's shop, one browser, and people who are watched while they use it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from lots import demo
from lots.server import create_server
from lots.settings import Settings
from lots.store.engine import database
from tests.browser.keyboard import Typist
from tests.browser.person import Person
from tests.pages.reading import sign_in
from tests.trust.serving import free_port

WIDTHS = (360, 1920)
ROOT = Path(__file__).parent.parent.parent


@dataclass(frozen=True, slots=True)
class Site:
    """The served shop: its address, a token per role, and its API for setting up tests."""

    base: str
    tokens: dict[str, str]
    api: Any

    def ask(self, role: str, method: str, path: str, body: Any = None) -> Any:
        """Sends one request to the API, which must succeed."""
        headers = {"Authorization": f"Bearer {self.tokens[role]}"}
        answer = self.api.open(f"/v1{path}", method=method, json=body, headers=headers)
        assert answer.status_code < 300, answer.text
        return answer.get_json()

    def session(self, role: str) -> str:
        """Signs somebody in and returns what their cookie holds."""
        client = self.api.application.test_client()
        assert sign_in(client, self.tokens[role], self.base).status_code == 302
        return str(client.get_cookie("lots_session", domain="127.0.0.1").value)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keeps these tests in one process, so that the shop is built and the browser started once."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.xdist_group("browser"))
            item.add_marker(pytest.mark.thorough)


def chromium() -> str | None:
    """Where Chromium is: on the path, or where LOTS_TEST_CHROMIUM says."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or os.environ.get("LOTS_TEST_CHROMIUM")


@pytest.fixture(scope="package")
def site(tmp_path_factory: pytest.TempPathFactory, chromium_path: str) -> Iterator[Site]:
    """The demo's shop behind the server that `lots serve` uses, on a free port."""
    app, tokens, _ = demo.build(tmp_path_factory.mktemp("browser"))
    server = create_server(app, Settings(threads=4), host="127.0.0.1", port=0)
    thread = threading.Thread(target=server.run)
    thread.start()
    yield Site(f"http://127.0.0.1:{server.effective_port}", tokens, app.test_client())
    # Once the browser has hung up, nothing is left to listen to and the loop ends.
    server.trigger.pull_trigger(server.close)
    thread.join(timeout=30)
    server.task_dispatcher.shutdown()
    database.close()


@pytest.fixture(scope="package")
def chromium_path() -> str:
    """Chromium, or a skip with the reason."""
    pytest.importorskip("playwright", reason="needs playwright: pip install -e '.[browser]'")
    return chromium() or pytest.skip("needs Chromium on the path, or LOTS_TEST_CHROMIUM=/path/to/it")


@pytest.fixture(scope="package")
def browser(chromium_path: str, site: Site) -> Iterator[Any]:
    """One browser for all tests. Each person gets a separate profile."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium_path, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def person(browser: Any, site: Site) -> Iterator[Callable[..., Person]]:
    """Makes people, and holds in the end that nothing they did left the server, broke a page's policy or failed unseen."""
    people: list[Person] = []

    def sit_down(width: int, *, script: bool = True, role: str | None = None) -> Person:
        context = browser.new_context(java_script_enabled=script, viewport={"width": width, "height": 800})
        if role is not None:
            context.add_cookies([{"name": "lots_session", "value": site.session(role), "url": site.base}])
        people.append(Person(context, site.base))
        return people[-1]

    yield sit_down
    for one in people:
        one.context.close()
    for one in people:
        one.was_well_served()


@pytest.fixture
def link(tmp_path: Path, chromium_path: str) -> Iterator[str]:
    """What `lots serve` prints on an empty database."""
    command = [sys.executable, "-c", "from lots.cli import main; main()", "serve", "--port", str(free_port())]
    clean = {name: value for name, value in os.environ.items() if not name.startswith("LOTS_")}
    named = {**clean, "LOTS_DATABASE": f"sqlite:///{tmp_path}/new.sqlite3", "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, env=named, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        found = None
        for line in server.stderr:
            found = found or re.search(r"http://\S+/first/\S+", line)
            if "Serving on" in line:
                break
        assert found is not None
        yield found[0]
        server.terminate()
        server.stderr.read()


@pytest.fixture
def newcomer(browser: Any, link: str) -> Iterator[Callable[..., Typist]]:
    """Makes people who never saw the program and use the keyboard alone, and holds in the end that they were well served."""
    people: list[Typist] = []

    def sit_down(width: int, *, script: bool) -> Typist:
        context = browser.new_context(java_script_enabled=script, viewport={"width": width, "height": 800})
        people.append(Typist(context, link.partition("/first/")[0], script=script))
        return people[-1]

    yield sit_down
    for one in people:
        one.context.close()
        one.was_well_served()
