"""`python -m tests.guide_pictures`: renews the pictures of the guides from pages of the demo shop in Chromium, and stores them beside the guides."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import urllib.parse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parent.parent
FOLDER = ROOT / "lots" / "pages" / "guides" / "pictures"
# Name of a picture: whose token signs in, the page, and the height that is shown, px.
PICTURES = {
    "receiving": ("RECEIVING", "/receiving", 640),
    "bench": ("RECEIVING", "/bench?spool=HW-N11-1&kind=diameter", 640),
    "check": ("PRODUCTION", "/check?spool=HW-Q12-2&use=cosmetic&job=J-1045&machine=P6", 640),
    "lot": ("QUALITY", "/lots/32", 640),
    "week": ("PURCHASING", "/purchasing/week", 640),
    "suppliers": ("PURCHASING", "/suppliers?grade_id=1", 640),
    "stock": ("PURCHASING", "/purchasing/stock", 640),
}
WIDTH = 1000


@contextmanager
def demo() -> Iterator[tuple[str, dict[str, str]]]:
    """The demo, served on a free port within the block: its address, and tokens by the names of its export lines."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-c", "from lots.cli import main; main()", "demo", "--port", str(port)]
    clean = {name: value for name, value in os.environ.items() if not name.startswith("LOTS_")}
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(
            command, cwd=folder, env={**clean, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True
        ) as server,
    ):
        assert server.stdout is not None
        exports: dict[str, str] = {}
        for line in server.stdout:
            exports |= dict(re.findall(r"^export (\w+)=(\S+)$", line))
            if "Stop with Ctrl+C" in line:
                break
        try:
            yield f"http://127.0.0.1:{port}", exports
        finally:
            server.terminate()


def main() -> None:
    """Takes every picture."""
    from playwright.sync_api import sync_playwright

    chromium = os.environ.get("LOTS_TEST_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    FOLDER.mkdir(exist_ok=True)
    with demo() as (site, tokens), sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for name, (role, path, height) in PICTURES.items():
            page = browser.new_page(viewport={"width": WIDTH, "height": height})
            page.goto(f"{site}/sign-in?then={urllib.parse.quote(path)}")
            page.locator("input[name=token]").fill(tokens[role])
            page.locator("main button").first.click()
            page.wait_for_url(lambda url: "/sign-in" not in url)
            page.screenshot(path=FOLDER / f"{name}.png")
            page.close()
            print(f"{name}: {(FOLDER / f'{name}.png').stat().st_size:,} bytes", file=sys.stderr)  # noqa: T201  # a command's progress
        browser.close()


if __name__ == "__main__":
    main()
