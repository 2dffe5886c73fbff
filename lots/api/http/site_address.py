"""Host checks and the address of the shop. An untrusted host name never appears in an answer."""

from __future__ import annotations

import functools
import re
import socket
from ipaddress import AddressValueError, IPv4Address, IPv6Address, ip_address
from urllib.parse import urlsplit

from flask import Flask, Response, current_app, g, has_request_context, request
from werkzeug.exceptions import HTTPException
from werkzeug.routing import RequestRedirect

from lots.api.http.errors import http_problem
from lots.services.setup import shop
from lots.services.setup.place import Place

# uri-host [ ":" port ] of RFC 9110, 7.2. Names follow RFC 3986, 3.2.2, without sub-delims: DNS names have none, and a comma
# separates header fields joined by a server.
_HOST = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|((?:[A-Za-z0-9._~-]|%[0-9A-Fa-f]{2}){1,255}))(?::([0-9]{0,5}))?")
_NEEDED = "Send one host in the header `Host`, as NAME or NAME:PORT (RFC 9110, 7.2)."
_DEFAULT_PORTS = {"http": "80", "https": "443"}


def register(app: Flask, site: str, listens_at: str) -> None:
    """Registers the Host check, and stores the address settings.

    Args:
        app: Application to check.
        site: Address of the shop, or "none".
        listens_at: Name or address on which the server listens.
    """
    app.config.update(SITE=site, LISTENS_AT=listens_at)
    app.before_request(_check_host)


def _check_host() -> Response | None:
    sent = request.environ.get("HTTP_HOST")
    # HTTP/1.0 knew no Host (RFC 9112, 3.2).
    if right(sent) or (sent is None and request.environ.get("SERVER_PROTOCOL") == "HTTP/1.0"):
        return None
    return http_problem(400, _NEEDED)


def right(sent: str | None) -> bool:
    """Returns whether this is exactly one host, with or without a port.

    Example:
        >>> [right(sent) for sent in ("lots.example:8080", "[::1]", "192.0.2.7", "a, b", "a:b", "", None)]
        [True, True, True, False, False, False, False]
    """
    found = _HOST.fullmatch(sent or "")
    return found is not None and (found[1] is None or _is_ipv6(found[1])) and int(found[3] or 0) < 65_536


def shop_details() -> shop.Details:
    """Returns the details of the shop, with one query per request."""
    if "shop_details" not in g:
        g.shop_details = shop.details()
    found: shop.Details = g.shop_details
    return found


def place_here() -> Place:
    """Returns the date and number format of the site, with one query per request. Outside a request it is UTC with decimal points."""
    return shop_details().place if has_request_context() else Place()


def shop_address() -> str:
    """Returns the address of the shop for people, without a final slash.

    The setting `site` takes precedence over `site` in the shop details, and that over the address of this request.

    Notes:
        The client chooses Host, so this name is used only if it surely means this machine. Otherwise the local address of the
        request is used.
    """
    stated = stated_address()
    return stated or f"{request.scheme}://{_authority()}{request.script_root}"


def stated_address() -> str:
    """Returns the address in the settings or the shop details, without a final slash; "" if neither has one."""
    site: str = current_app.config["SITE"]
    return (site if site != "none" else shop_details().site or "").rstrip("/")


def address_for_phones() -> str:
    """Returns `shop_address` if other machines can reach it, "" otherwise.

    Example:
        A request to http://127.0.0.1:8080 of a shop that states no address gives "".
    """
    address = shop_address()
    return "" if not stated_address() and leads_back(urlsplit(address).hostname or "") else address


def leads_back(host: str) -> bool:
    """Returns whether a host means the local machine of its user (RFC 6761, 6.3; RFC 6890).

    Example:
        >>> [leads_back(host) for host in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "192.0.2.7", "lots.example")]
        [True, True, True, True, False, False]
    """
    name = host.lower().rstrip(".")
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        address = ip_address(name)
    except ValueError:
        return False
    return address.is_loopback or address.is_unspecified


def inside(error: HTTPException | None) -> None:
    """Changes the target of a router redirection to a path, without the host of the request."""
    if isinstance(error, RequestRedirect):
        path = re.sub(r"\A[^/]*//[^/?#]*", "", error.new_url)
        error.new_url = f"/{path.lstrip('/')}"


def _authority() -> str:
    sent = request.environ.get("HTTP_HOST")
    found = _HOST.fullmatch(sent or "")
    if sent and found and _is_ours(found[1] or found[2]):
        return str(sent)
    name, port = request.environ["SERVER_NAME"].partition("%")[0], request.environ["SERVER_PORT"]
    shown = f"[{name}]" if ":" in name else name
    return str(shown if port == _DEFAULT_PORTS.get(request.scheme) else f"{shown}:{port}")


def _is_ours(name: str) -> bool:
    plain = name.lower().rstrip(".")
    if _is_ipv6(plain) or _is_ipv4(plain) or plain in ("localhost", current_app.config["LISTENS_AT"].lower()):
        return True
    return plain in _names()


@functools.cache
def _names() -> frozenset[str]:
    """Returns the host names of this machine: short, full and on the local network (RFC 6762)."""
    own = socket.gethostname().lower()
    return frozenset({own, socket.getfqdn().lower(), f"{own.partition('.')[0]}.local"}) - {"", ".local"}


def _is_ipv6(text: str) -> bool:
    try:
        IPv6Address(text)
    except AddressValueError:
        return False
    return True


def _is_ipv4(text: str) -> bool:
    try:
        IPv4Address(text)
    except AddressValueError:
        return False
    return True
