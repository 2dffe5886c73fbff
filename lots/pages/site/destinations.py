"""The destination after signing in: only a page of this application (no open redirect)."""

from __future__ import annotations

import re
from urllib.parse import quote, unquote, urlsplit

from flask import current_app, request
from werkzeug.exceptions import HTTPException
from werkzeug.routing import RequestRedirect

# Visible ASCII without a backslash. Browsers drop tabs and line breaks from an address and read a backslash as a slash (WHATWG URL
# Standard, 4.4, basic URL parser), so `/<tab>/elsewhere.example` would lead to another host.
_ADDRESS = re.compile(r"/[!-\[\]-~]{0,1999}")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\\]")
_DOTS = re.compile(r"(?:^|/)\.\.?(?:/|$)")
_IN_PATH, _IN_QUERY = "/!$&'()*+,;=:@~", "/!$&'()*+,;=:@~?%"
# Endpoints that are no destination.
_ELSE = {"pages.sign_in", "pages.static_file", "pages.icon"}


def here() -> str:
    """Returns the address of the requested page, as `inside` takes it."""
    path, query = quote(request.script_root + request.path, safe=_IN_PATH), quote(request.query_string, safe=_IN_QUERY)
    return f"{path}?{query}" if query else path


def inside(then: str) -> str:
    """Returns an address if it is a page of this application, else "".

    Args:
        then: as it came in a query or a form: any text.
    """
    if not _ADDRESS.fullmatch(then) or then.startswith("//"):
        return ""
    try:
        parts = urlsplit(then)
    except ValueError:
        return ""
    path = unquote(parts.path)
    below = path.removeprefix(request.script_root)
    odd = parts.scheme or parts.netloc or parts.fragment or _CONTROL.search(path) or _DOTS.search(path)
    if odd or not path.startswith(f"{request.script_root}/") or below.startswith("//") or not _is_page(below):
        return ""
    return then


def _is_page(path: str) -> bool:
    adapter = current_app.create_url_adapter(request)
    try:
        endpoint, _ = adapter.match(path, method="GET") if adapter else ("", {})
    except (HTTPException, RequestRedirect):
        return False
    return endpoint.startswith("pages.") and endpoint not in _ELSE
