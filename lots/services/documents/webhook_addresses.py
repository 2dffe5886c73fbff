"""The addresses that webhooks may use: public addresses, and internal networks that a setting allows.

A webhook must not reach services that only this server can reach, such as a router's page or a cloud's metadata service.

Reference:
    OWASP, "Server-Side Request Forgery Prevention Cheat Sheet"; IANA special-purpose address registries (RFC 6890).
"""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from urllib.parse import urlsplit

Network = IPv4Network | IPv6Network
_Address = IPv4Address | IPv6Address

_PORTS = {"http": 80, "https": 443}
_UNICAST = IPv6Network("2000::/3")
# IPv4 addresses embedded for translation (RFC 6052).
_NAT64 = IPv6Network("64:ff9b::/96")


class NotAllowed(Exception):
    """A URL that webhooks may not use. The message gives the address and the reason, but never the path."""


@dataclass(frozen=True, slots=True)
class Target:
    """The destination of a message: the parts of a URL."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def named(self) -> str:
        """The host and port. The path is left out, because it may hold a secret."""
        return f"{f'[{self.host}]' if ':' in self.host else self.host}:{self.port}"


def target_of(url: str) -> Target:
    """Returns the parts of a URL.

    Raises:
        NotAllowed: the URL is not http or https, holds a user name, a password or a fragment, or a character that must be encoded.
    """
    if not url.isascii() or not url.isprintable() or " " in url or "\\" in url:
        raise NotAllowed(
            "The URL contains a character that must be encoded, such as a space or a letter with an accent."
        )
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise NotAllowed("The URL is malformed.") from None
    if parts.scheme not in _PORTS or not parts.hostname:
        raise NotAllowed("The URL must begin with https:// or http:// and name a host.")
    if parts.username is not None or parts.password is not None:
        raise NotAllowed("The URL contains a user name or password.")
    if parts.fragment:
        raise NotAllowed("The URL contains a fragment (#), which is never sent.")
    path = f"{parts.path or '/'}{f'?{parts.query}' if parts.query else ''}"
    return Target(parts.scheme, parts.hostname, port or _PORTS[parts.scheme], path)


def allowed(address: _Address, networks: Sequence[Network]) -> bool:
    """Returns whether a message may go to an address. Public addresses and addresses in the given networks are allowed.

    An IPv6 address that embeds an IPv4 address is checked as that IPv4 address.

    Example:
        >>> allowed(IPv6Address("::ffff:10.0.0.7"), ()), allowed(IPv4Address("10.0.0.7"), (IPv4Network("10.0.0.0/24"),))
        (False, True)
    """
    if isinstance(address, IPv6Address):
        inner = _inner(address)
        if inner is not None:
            return all(allowed(one, networks) for one in inner)
    if any(address in network for network in networks):
        return True
    public = address.is_global and not (address.is_multicast or address.is_reserved or address.is_unspecified)
    return public and (isinstance(address, IPv4Address) or address in _UNICAST)


def _inner(address: IPv6Address) -> tuple[IPv4Address, ...] | None:
    if address.ipv4_mapped is not None:
        return (address.ipv4_mapped,)
    if address.sixtofour is not None:
        return (address.sixtofour,)
    if address.teredo is not None:
        return address.teredo
    return (IPv4Address(int(address) & 0xFFFFFFFF),) if address in _NAT64 else None


def check_written(target: Target, networks: Sequence[Network]) -> None:
    """Checks a host given as an IP address, in any notation, or as localhost. Makes no DNS query.

    Raises:
        NotAllowed: the address is internal.
    """
    if target.host == "localhost" or target.host.endswith(".localhost"):
        _check([IPv4Address("127.0.0.1"), IPv6Address("::1")], target, networks)
        return
    try:
        found = socket.getaddrinfo(target.host, target.port, type=socket.SOCK_STREAM, flags=socket.AI_NUMERICHOST)
    except (OSError, UnicodeError):
        return
    _check([_address(str(one[4][0])) for one in found], target, networks)


def resolve(target: Target, networks: Sequence[Network], patience_s: float) -> list[str]:
    """Returns the addresses of a host, all of them allowed.

    The caller connects to one of these. A second DNS query could return another address (DNS rebinding).

    Args:
        patience_s: timeout of the DNS query, s.

    Raises:
        NotAllowed: one of its addresses is internal.
        OSError: the host has no address, or the query timed out.
    """
    told: list[str] | OSError = TimeoutError(f"no address of {target.host} within {patience_s:.0f} s")

    def ask() -> None:
        nonlocal told
        try:
            found = socket.getaddrinfo(target.host, target.port, type=socket.SOCK_STREAM)
            told = list(dict.fromkeys(str(one[4][0]) for one in found))
        except OSError as error:
            told = error
        except UnicodeError:
            told = OSError(f"{target.host} is not a host name")

    # The system's own resolver takes no deadline.
    asking = threading.Thread(target=ask, daemon=True, name="lots name lookup")
    asking.start()
    asking.join(patience_s)
    if isinstance(told, OSError):
        raise told
    _check([_address(one) for one in told], target, networks)
    return told


def _address(text: str) -> _Address:
    return ipaddress.ip_address(text)


def _check(addresses: Sequence[_Address], target: Target, networks: Sequence[Network]) -> None:
    if inside := [one for one in addresses if not allowed(one, networks)]:
        raise NotAllowed(
            f"{target.host} has the internal address {inside[0]}, which LOTS_WEBHOOK_NETWORKS does not allow."
        )
