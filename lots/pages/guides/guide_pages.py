"""Guides for each desk, and a short page for each type of error. Both are public, since they hold no data of the shop."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from flask import Response, abort, current_app, g, render_template, request, send_from_directory, url_for
from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from lots.pages.site.frame import pages
from lots.pages.site.session import may

FOLDER = Path(__file__).parent
# Name in the address -> title and contents, in the order of the list.
GUIDES = {
    "receiving": "Receiving: log a delivery, print labels, measure the drawn spools",
    "production": "Production: check, load and unload spools, pick spools for a job",
    "quality": "Quality: set up references and limits, measure, decide, contain",
    "purchasing": "Purchasing: compare suppliers, order in time, write to a supplier",
    "administration": "Administration: people, settings, backups, operation",
    "words": "Words: what each term means",
    "cautions": "Cautions: parts, fumes, heat, eyes, food",
    "api": "API: the same work from scripts and instruments",
    "problems": "Problems: every type of error that the API answers",
}
# An address of this site in a link.
_ADDRESS = re.compile(r"\]\((/[^)\s#]*)")


class Shown(NamedTuple):
    """A text as HTML: its title, and the rest."""

    title: str
    body: str


@pages.get("/guide")
def guides() -> str:
    """Shows the list of guides."""
    return render_template("guides/list.html", guides=GUIDES)


@pages.get("/guide/<name>")
def guide(name: str) -> str:
    """Shows one guide."""
    if name not in GUIDES:
        abort(404)
    return _shown(text_of(name), "All guides", url_for("pages.guides"))


@pages.get("/guide/pictures/<name>")
def guide_picture(name: str) -> Response:
    """Returns a picture that a guide shows."""
    return send_from_directory(FOLDER / "pictures", name, mimetype="image/png", max_age=3600)


@pages.get("/problems/<slug>")
def problem_page(slug: str) -> str:
    """Shows the meaning and the remedy of one type of error. The `type` of a problem document links here."""
    part = problems().get(slug)
    if part is None:
        abort(404)
    return _shown(part, "All problems", url_for("pages.guide", name="problems"))


def _shown(text: str, *back: str) -> str:
    """Returns a text as a page, with a link back given by its word and address."""
    shut = frozenset(address for address in _ADDRESS.findall(text) if not _open(address))
    shown = html_of(text, request.script_root, shut)
    # The text is ours, and the reader drops HTML.
    return render_template("guides/guide.html", title=shown.title, body=Markup(shown.body), back=back)  # noqa: S704


def _open(address: str) -> bool:
    """Returns whether the reader may follow a link. People who are not signed in may follow every link and then sign in."""
    endpoint = current_app.url_map.bind("").match(address)[0]
    return g.get("me") is None or not endpoint.startswith("pages.") or may(endpoint)


def text_of(name: str) -> str:
    """Returns a guide as Markdown."""
    return (FOLDER / f"{name}.md").read_text("utf-8")


@lru_cache(maxsize=1)
def problems() -> dict[str, str]:
    """Returns the Markdown of each type of error by its slug: the sections of the guide, which begin with `## slug`."""
    _, *parts = f"\n{text_of('problems')}".split("\n## ")
    return {part.partition("\n")[0].strip(): f"# {part}" for part in parts}


# Guides and types of errors are few; several path prefixes only where several proxies lead here.
@lru_cache(maxsize=200)
def html_of(text: str, prefix: str, shut: frozenset[str] = frozenset()) -> Shown:
    """Returns Markdown as HTML. Addresses of this site get the path prefix; wide tables and code scroll by themselves.

    Args:
        text: with a heading first.
        prefix: the path under which the site is reached, "" where it has none.
        shut: addresses that the reader may not open; their words stand without a link.
    """
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse(text)
    title, named = tokens[1].content, 0
    for token, following in zip(tokens, [*tokens[1:], None], strict=True):
        if token.type == "heading_open" and following is not None:
            token.attrSet("id", anchor(following.content))
        elif token.type == "table_open":
            named += 1
            token.meta["label"] = f"Table {named}"
        elif token.type == "inline":
            _prefixed(token, prefix, shut)
    reader.add_render_rule("table_open", _table_opens)
    reader.add_render_rule("table_close", lambda *_: "</table></div>\n")
    reader.add_render_rule("fence", _code)
    return Shown(title, reader.renderer.render(tokens[3:], reader.options, {}))


def anchor(heading: str) -> str:
    """Returns the fragment identifier of a heading.

    Example:
        >>> anchor("Wrong spool, or wrong lot?")
        'wrong-spool-or-wrong-lot'
    """
    kept = "".join(letter if letter.isalnum() else " " for letter in heading.lower())
    return "-".join(kept.split())


def _prefixed(inline: Token, prefix: str, shut: frozenset[str]) -> None:
    """Puts the path prefix before the addresses of this site, and takes off links that are shut."""
    off = False
    for child in inline.children or []:
        if child.type == "link_open":
            off = str(child.attrGet("href")).partition("#")[0] in shut
        if off and child.type in ("link_open", "link_close"):
            child.type = "text"
        for name in ("href", "src"):
            address = child.attrGet(name)
            if isinstance(address, str) and address.startswith("/"):
                child.attrSet(name, f"{prefix}{address}")


def _table_opens(_renderer: object, tokens: list[Token], place: int, *_: object) -> str:
    label = tokens[place].meta["label"]
    return f'<div class="scroll" tabindex="0" role="region" aria-label="{label}"><table>\n'


def _code(_renderer: object, tokens: list[Token], place: int, *_: object) -> str:
    return f'<pre tabindex="0"><code>{Markup.escape(tokens[place].content)}</code></pre>\n'
