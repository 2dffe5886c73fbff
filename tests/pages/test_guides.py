"""The guides as the program serves them: everybody reads them, every link leads somewhere, every type of error has its page, the English is plain."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from lots.api.http import errors
from lots.pages.guides.guide_pages import FOLDER, GUIDES, anchor, problems, text_of
from lots.services.errors import LotsError

ROOT = Path(__file__).parent.parent.parent
TEXTS = {"README": ROOT.joinpath("README.md").read_text("utf-8"), **{name: text_of(name) for name in GUIDES}}
LINK = re.compile(r"(?<!!)\[[^\]]+\]\(([^)\s]+)\)")


def _slugs() -> set[str]:
    """Every type of error that the code can answer: of statuses, of classes, and named where a problem is made."""
    found = {row[0] for table in (errors._HTTP, errors._BY_SERVER) for row in table.values()}
    waiting = [LotsError]
    while waiting:
        kind = waiting.pop()
        found.add(kind.slug)
        waiting += kind.__subclasses__()
    for path in (ROOT / "lots").rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(call, ast.Call) and getattr(call.func, "id", getattr(call.func, "attr", "")) == "problem":
                found |= {arg.value for arg in call.args[1:2] if isinstance(arg, ast.Constant)}
    return (found | {"refused"}) - {""}


def test_everybody_reads_the_guides(app):
    """Without a token: the list names each, each has its title, none asks to sign in."""
    client = app.test_client()
    listed = client.get("/guide").get_data(as_text=True)
    for name in GUIDES:
        answer = client.get(f"/guide/{name}")
        assert (200, True) == (answer.status_code, f'href="/guide/{name}"' in listed)
        assert f"<h1>{TEXTS[name].splitlines()[0].removeprefix('# ')}</h1>" in answer.get_data(as_text=True)
    assert 404 == client.get("/guide/nothing").status_code


def test_addresses_follow_the_path_prefix(app):
    """Behind a prefix every link of a guide begins with it."""
    page = (
        app.test_client().get("/guide/receiving", environ_overrides={"SCRIPT_NAME": "/filament"}).get_data(as_text=True)
    )
    assert 'href="/filament/bench"' in page
    assert 'href="/bench"' not in page


def test_every_type_of_error_has_its_page(app):
    """The `type` of a problem document links to its page, and the guide describes no other type."""
    assert _slugs() == set(problems())
    client = app.test_client()
    for slug in problems():
        answer = client.get(f"/problems/{slug}")
        assert (200, True) == (answer.status_code, f"<h1>{slug}</h1>" in answer.get_data(as_text=True))
    refused = client.get("/v1/lots").get_json()
    assert 200 == client.get(refused["type"]).status_code
    assert 404 == client.get("/problems/none").status_code


@pytest.mark.parametrize("name", TEXTS)
def test_every_link_leads_somewhere(app, name):
    """A page, a guide, a heading or a file."""
    pages, missing = app.url_map.bind("localhost"), []
    for link in LINK.findall(TEXTS[name]):
        address, _, heading = link.partition("#")
        if address.startswith("/"):
            there = pages.test(address, method="GET") or pages.test(f"{address}/", method="GET")
            target = text_of(address.removeprefix("/guide/")) if heading else ""
        else:
            there, target = ROOT.joinpath(address).exists() if name == "README" else bool(heading), ""
        headings = {anchor(line.lstrip("# ")) for line in target.splitlines() if line.startswith("#")}
        if not there or (heading and heading not in headings):
            missing.append(link)
    assert [] == missing


def _sentences(text: str) -> list[str]:
    """The sentences of a text, without code, tables and headings."""
    prose = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    lines = [line for line in prose.splitlines() if not line.startswith(("#", "|"))]
    blocks = re.split(r"\n\s*\n|\n(?=- |\d+\. )", "\n".join(lines))
    plain = [
        re.sub(r"\[([^\]]+)\]\([^)]+\)|`[^`]*`", lambda m: m[1] or "code", " ".join(block.split())) for block in blocks
    ]
    return [part for block in plain for part in re.split(r"(?<=[.?!:;])\s+", block) if part]


@pytest.mark.parametrize("name", [name for name in TEXTS if name != "administration"])
def test_the_english_is_plain(name):
    """A guide has at most 25 words a sentence, no contraction, "95 %" with a space, and no run rule by its code alone."""
    text = TEXTS[name]
    assert [] == [one for one in _sentences(text) if len(one.split()) > 25]
    prose = re.sub(r"```.*?```|`[^`]*`", "", text, flags=re.DOTALL)
    assert [] == re.findall(r"\b\w+n't\b|\b(?:it|that|what|there)'s\b|\b\w+'(?:re|ll|ve)\b", prose)
    assert [] == re.findall(r"\d%", prose)
    assert [] == re.findall(r"-0\.0+\b|\b(?:N[1-8]|WE[1-4])\b", prose)


def test_every_guide_of_a_desk_names_the_cautions():
    """A guide that people work by leads to the cautions."""
    for name in ("receiving", "production", "quality", "purchasing"):
        assert "](/guide/cautions)" in TEXTS[name]
    said = TEXTS["cautions"]
    assert all(
        word in said
        for word in ("licensed or competent engineer", "Local codes", "entilate", "food", "toys", "dust", "eye")
    )


def test_every_picture_of_a_guide_is_there(app):
    """Every picture of a guide exists and is served as PNG."""
    client = app.test_client()
    for name in GUIDES:
        for address in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", text_of(name)):
            with client.get(address) as answer:
                assert (200, "image/png") == (answer.status_code, answer.mimetype)
    assert FOLDER.is_dir()
