"""Liveness: answered without a token and without the database."""

from __future__ import annotations

from click.testing import CliRunner

from lots import __version__
from lots.cli import main


def test_it_says_that_it_lives_and_which_version_it_is(shop):
    """The version is that of the package, the command and the API document."""
    answer = shop.client.get("/healthz")
    assert (200, {"status": "alive", "version": __version__}) == (answer.status_code, answer.get_json())
    assert __version__ == shop.client.get("/v1/openapi.json").get_json()["info"]["version"]
    assert __version__ in CliRunner().invoke(main, ["--version"]).output
