"""README and the guides: their calls run against the served demo, and every named file exists."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
README = ROOT.joinpath("README.md").read_text("utf-8")
GUIDES = ROOT / "lots" / "pages" / "guides"
DEVELOPERS = ROOT.joinpath("DEVELOPERS.md").read_text("utf-8")
# In the order in which the calls are made: those of README come first, the block of a lot last.
_IN_ORDER = ("receiving", "purchasing", "production", "api", "quality")
TOLD = (
    README.partition("## One delivery in six calls")[2].partition("\n## ")[0],
    *(GUIDES.joinpath(f"{name}.md").read_text("utf-8") for name in _IN_ORDER),
)


def _calls(text: str) -> list[tuple[str, str]]:
    """Each call of a text with the status above it."""
    blocks = re.findall(r"```bash\n(.*?)```", text, re.DOTALL)
    return [
        call for block in blocks for call in re.findall(r"# (\d{3})\n(curl .*?)(?=\n# |\Z)", block.strip(), re.DOTALL)
    ]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="module")
def served_demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """The demo as served by `lots demo`, and the variables that its export lines set."""
    port = _free_port()
    clean = {name: value for name, value in os.environ.items() if not name.startswith("LOTS_")}
    command = [sys.executable, "-c", "from lots.cli import main; main()", "demo", "--port", str(port)]
    environment = {**clean, "PYTHONPATH": str(ROOT)}
    folder = tmp_path_factory.mktemp("demo")
    with subprocess.Popen(command, cwd=folder, env=environment, stdout=subprocess.PIPE, text=True) as server:
        try:
            exports: dict[str, str] = {}
            assert server.stdout is not None
            for line in server.stdout:
                exports |= dict(re.findall(r"^export (\w+)=(\S+)$", line))
                if "Stop with Ctrl+C" in line:
                    break
            _wait_for(port)
            yield {**environment, **exports}
        finally:
            server.terminate()


def _wait_for(port: int) -> None:
    for _ in range(100):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=2):
                return
        except OSError:
            time.sleep(0.1)
    raise AssertionError("the demo does not answer")


@pytest.mark.thorough
def test_the_calls_run_as_they_are_printed(served_demo: dict[str, str]) -> None:
    """Every curl of README and the guides, run in order, has the printed status and a JSON answer."""
    assert [6, 2, 6, 3, 1, 3] == [len(_calls(text)) for text in TOLD]
    asked = [call for text in TOLD for call in _calls(text)]
    for status, command in asked:
        script = command.replace("curl -s ", "curl -s -w '\\n%{http_code}' ", 1)
        done = subprocess.run(["bash", "-c", script], env=served_demo, capture_output=True, text=True, timeout=60)
        body, _, answered = done.stdout.rpartition("\n")
        assert status == answered, f"{command}\n{done.stdout}{done.stderr}"
        assert json.loads(body)


@pytest.mark.thorough
def test_the_calls_say_what_their_answers_hold(served_demo: dict[str, str]) -> None:
    """The lot in the guide for purchasing is blocked, and its numbers are those of the demo."""
    token = served_demo["PURCHASING"]

    def get(path: str) -> dict[str, object]:
        request = urllib.request.Request(f"{served_demo['API']}{path}", headers={"Authorization": f"Bearer {token}"})  # noqa: S310  # loopback
        with urllib.request.urlopen(request, timeout=10) as answer:  # noqa: S310  # loopback
            return json.load(answer)  # type: ignore[no-any-return]

    assert "NB-11" == get("/lots/32")["supplier_lot"]
    assert "blocked" == get("/lots/32/assessment")["standing"]
    assert "QW-12" == get("/lots/29")["supplier_lot"]


def test_every_file_that_is_named_is_there() -> None:
    """Every file named in README, the guides and DEVELOPERS.md exists."""
    texts = (README, DEVELOPERS, *(path.read_text("utf-8") for path in GUIDES.glob("*.md")))
    named = sorted({name for text in texts for name in re.findall(r"[`(]((?:lots|tests|seed_data)/[\w/.]*)[`)]", text)})
    assert len(named) > 100
    assert [] == [name for name in named if not ROOT.joinpath(name).exists()]


def test_the_job_stands_at_the_top() -> None:
    """The first paragraph names the users of the program."""
    first = README.split("\n\n")[1]
    assert all(word in first for word in ("receiving clerk", "purchasing", "production"))


def test_readme_is_read_once() -> None:
    """README has at most seven kilobytes, and the caution before the trial."""
    assert len(README.encode()) <= 7_000
    assert "never means a safe part" in README.partition("## Try it")[0]
