"""Client data from reverse proxies, trusted only from the proxies in the settings."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

# Name for a proxy on a unix socket, which has no address.
UNIX = "unix"
# Remote addresses that servers give for a unix socket.
_OF_UNIX = frozenset({"", "localhost"})
_ORIGINAL = "werkzeug.proxy_fix.orig"
_SAID = ("HTTP_FORWARDED", *(f"HTTP_X_FORWARDED_{name}" for name in ("FOR", "PROTO", "HOST", "PREFIX", "PORT")))
# Further headers of proxies. Their values are ignored, but they reveal a proxy.
_SIGNS = (*_SAID, "HTTP_X_REAL_IP", "HTTP_VIA")
# Environment key: True if the request may come from another machine.
_PASSED_ON = "lots.passed_on"
# Segments of unreserved characters (RFC 3986, 2.3), none of them "." or "..".
_PREFIX = re.compile(r"(?:/(?!\.{1,2}(?:/|\Z))[A-Za-z0-9._~-]+){1,8}")


def register(app: Flask, named: str) -> None:
    """Replaces the client data of the connection by those of the proxy. Register it after all paths.

    Args:
        app: Application behind a proxy.
        named: Setting `proxy`: "none", or addresses and "unix", comma-separated.

    Notes:
        X-Forwarded-For, -Proto, -Host and -Prefix are used, with the last value of each. From untrusted senders they are dropped.
    """
    app.wsgi_app = _ProxysWord(app, named)  # type: ignore[method-assign]  # the place that Flask provides for middleware


def addresses(named: str) -> list[str]:
    """Returns the proxy addresses in the setting.

    Example:
        >>> addresses("192.0.2.7, unix"), addresses("none")
        (['192.0.2.7'], [])
    """
    return [part for part in _parts(named) if part != UNIX]


def _parts(named: str) -> list[str]:
    return [part.strip() for part in named.split(",")] if named != "none" else []


class _ProxysWord:
    """The application behind reverse proxies."""

    def __init__(self, app: Flask, named: str) -> None:
        self._unix = UNIX in _parts(named)
        self._addresses = {ipaddress.ip_address(part) for part in addresses(named)}
        self._inner: WSGIApplication = app.wsgi_app
        self._fixed = ProxyFix(self._checked, x_for=1, x_proto=1, x_host=1, x_prefix=1)
        # First segments of the program's own paths. A prefix equal to one of them is ambiguous.
        self._own = {rule.rule.split("/")[1] for rule in app.url_map.iter_rules()}

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answers a request."""
        if self._is_proxy(environ.get("REMOTE_ADDR") or ""):
            return self._fixed(environ, start_response)
        environ[_PASSED_ON] = _is_passed_on(environ)
        for name in _SAID:
            environ.pop(name, None)
        return self._inner(environ, start_response)

    def _is_proxy(self, address: str) -> bool:
        if address in _OF_UNIX:
            return self._unix
        return bool(self._addresses) and _plain(address) in self._addresses

    def _checked(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answers with the data of the proxy, or with those of the connection where the former are invalid."""
        before = environ[_ORIGINAL]
        client = _plain(environ.get("REMOTE_ADDR") or "")
        clients = environ.get("HTTP_X_FORWARDED_FOR")
        environ[_PASSED_ON] = _is_passed_on(environ) if clients is None else not _are_here(clients)
        environ["REMOTE_ADDR"] = before["REMOTE_ADDR"] if client is None else str(client)
        if environ["wsgi.url_scheme"] not in ("http", "https"):
            environ["wsgi.url_scheme"] = before["wsgi.url_scheme"]
        if environ.get("HTTP_X_FORWARDED_HOST") and environ["SERVER_NAME"] == environ["HTTP_HOST"]:
            # A host without a port means the default port of the scheme, not the port of this server.
            environ["SERVER_PORT"] = "443" if environ["wsgi.url_scheme"] == "https" else "80"
        if "HTTP_X_FORWARDED_PREFIX" in environ:
            self._set_prefix(environ, before["SCRIPT_NAME"] or "")
        return self._inner(environ, start_response)

    def _set_prefix(self, environ: WSGIEnvironment, before: str) -> None:
        prefix = environ.get("SCRIPT_NAME", "").rstrip("/")
        if not _PREFIX.fullmatch(prefix):
            environ["SCRIPT_NAME"] = before
            return
        environ["SCRIPT_NAME"] = prefix
        path = environ.get("PATH_INFO", "")
        # Some proxies strip the prefix from the path, others keep it.
        if f"{path}/".startswith(f"{prefix}/") and prefix.split("/")[1] not in self._own:
            environ["PATH_INFO"] = path[len(prefix) :]


def from_this_machine(environ: WSGIEnvironment) -> bool:
    """Returns whether a request comes from this machine, from a loopback address without signs of another client.

    Notes:
        Behind a trusted proxy, all forwarded clients must be on this machine. A request with headers of an untrusted proxy never
        counts as local.
    """
    address = _plain(environ.get("REMOTE_ADDR") or "")
    return address is not None and address.is_loopback and not environ.get(_PASSED_ON, True)


def _is_passed_on(environ: WSGIEnvironment) -> bool:
    return any(name in environ for name in _SIGNS)


def _are_here(forwarded_for: str) -> bool:
    clients = [_plain(part) for part in forwarded_for.split(",")]
    return all(client is not None and client.is_loopback for client in clients)


def _plain(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Returns an IP address without port and brackets, and a mapped IPv4 address as IPv4; None for anything else.

    Example:
        >>> [str(_plain(text)) for text in ("192.0.2.7:4711", "[2001:db8::1]:80", "::ffff:192.0.2.7", "unknown")]
        ['192.0.2.7', '2001:db8::1', '192.0.2.7', 'None']
    """
    bare = text.strip()
    if bare.startswith("["):
        bare = bare[1:].partition("]")[0]
    elif bare.count(":") == 1:
        bare = bare.partition(":")[0]
    try:
        found = ipaddress.ip_address(bare)
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found
