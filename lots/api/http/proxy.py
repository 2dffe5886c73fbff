"""What a reverse proxy says of the client: believed from the proxies that the settings name, and from nobody else."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

# Stands for a proxy that connects through a unix socket: such a connection comes from no address.
UNIX = "unix"
# What servers give as the address of whoever connects through a unix socket.
_OF_UNIX = frozenset({"", "localhost"})
_ORIGINAL = "werkzeug.proxy_fix.orig"
_SAID = ("HTTP_FORWARDED", *(f"HTTP_X_FORWARDED_{name}" for name in ("FOR", "PROTO", "HOST", "PREFIX", "PORT")))
# What proxies say of a request beside that. Nothing of it counts, but it tells that somebody stands between.
_SIGNS = (*_SAID, "HTTP_X_REAL_IP", "HTTP_VIA")
# Set for each request: whether it may have been passed on for a client elsewhere.
_PASSED_ON = "lots.passed_on"
# Segments of unreserved characters (RFC 3986, 2.3), none of them "." or "..".
_PREFIX = re.compile(r"(?:/(?!\.{1,2}(?:/|\Z))[A-Za-z0-9._~-]+){1,8}")


def register(app: Flask, named: str) -> None:
    """Puts the proxy's word on the client in place of the connection's. Register it when every path is there.

    Args:
        app: whose requests come through a proxy, whichever server takes them in.
        named: the setting `proxy`: none, or addresses and "unix", with commas between them.

    Notes:
        X-Forwarded-For, -Proto, -Host and -Prefix count. Of several values in one of them only the last is the proxy's own.
        Each of these headers from anybody else is dropped.
    """
    app.wsgi_app = _ProxysWord(app, named)  # type: ignore[method-assign]  # the place that Flask provides for middleware


def addresses(named: str) -> list[str]:
    """Returns the addresses among the proxies that the setting names.

    Example:
        >>> addresses("192.0.2.7, unix"), addresses("none")
        (['192.0.2.7'], [])
    """
    return [part for part in _parts(named) if part != UNIX]


def _parts(named: str) -> list[str]:
    return [part.strip() for part in named.split(",")] if named != "none" else []


class _ProxysWord:
    """The application behind proxies."""

    def __init__(self, app: Flask, named: str) -> None:
        self._unix = UNIX in _parts(named)
        self._addresses = {ipaddress.ip_address(part) for part in addresses(named)}
        self._inner: WSGIApplication = app.wsgi_app
        self._fixed = ProxyFix(self._checked, x_for=1, x_proto=1, x_host=1, x_prefix=1)
        # First segments of the program's own paths. A prefix that is one of them could be the begin of such a path.
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
        """Goes on with what the proxy said, and with the connection's own where that makes no sense."""
        before = environ[_ORIGINAL]
        client = _plain(environ.get("REMOTE_ADDR") or "")
        clients = environ.get("HTTP_X_FORWARDED_FOR")
        environ[_PASSED_ON] = _is_passed_on(environ) if clients is None else not _are_here(clients)
        environ["REMOTE_ADDR"] = before["REMOTE_ADDR"] if client is None else str(client)
        if environ["wsgi.url_scheme"] not in ("http", "https"):
            environ["wsgi.url_scheme"] = before["wsgi.url_scheme"]
        if environ.get("HTTP_X_FORWARDED_HOST") and environ["SERVER_NAME"] == environ["HTTP_HOST"]:
            # Named without a port: then it is the scheme's, and not the one that this server listens at.
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
        # Some proxies take the prefix off the path, others leave it there.
        if f"{path}/".startswith(f"{prefix}/") and prefix.split("/")[1] not in self._own:
            environ["PATH_INFO"] = path[len(prefix) :]


def from_this_machine(environ: WSGIEnvironment) -> bool:
    """Returns whether a request comes from this machine: from a loopback address, and with no sign of another client behind it.

    Notes:
        Behind a proxy that the setting names, every client that it or a proxy before it tells of must be on this machine. The word of any
        other proxy is not believed, so that a request which one has passed on does not count as coming from here.
    """
    address = _plain(environ.get("REMOTE_ADDR") or "")
    return address is not None and address.is_loopback and not environ.get(_PASSED_ON, True)


def _is_passed_on(environ: WSGIEnvironment) -> bool:
    return any(name in environ for name in _SIGNS)


def _are_here(forwarded_for: str) -> bool:
    clients = [_plain(part) for part in forwarded_for.split(",")]
    return all(client is not None and client.is_loopback for client in clients)


def _plain(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Returns an address without its port or the brackets around it, IPv4 not as IPv6; None for anything else.

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
