"""To which addresses this server asks by itself, as somebody typed them: to none of a private network, unless that is
allowed, so that nobody reaches through it what they do not reach themselves (OWASP API7:2023).

A name is looked up once, every address that it has must be allowed, and the first is connected to: it cannot come
to mean another place in between.
"""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

from server.telling.failures import NotSent

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

# Addresses of IPv6 that stand for one of IPv4 behind a translator (RFC 6052 section 2.1, RFC 8215).
_TRANSLATED = (ipaddress.IPv6Network("64:ff9b::/96"), ipaddress.IPv6Network("64:ff9b:1::/48"))


@dataclass(frozen=True)
class Destination:
    """Where a webhook is sent.

    Attributes:
        scheme: http or https.
        host: as it was named; it is what a certificate must be for.
        port: of it.
        connects_to: the address that was looked up.
        target: path and query.
    """

    scheme: str
    host: str
    port: int
    connects_to: str
    target: str

    @property
    def named(self) -> str:
        """As the request names it: with the port where it is not the usual one (RFC 9110 section 7.2)."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        usual = {"http": 80, "https": 443}[self.scheme]
        return host if self.port == usual else f"{host}:{self.port}"


def destination(address: str, *, private: bool) -> Destination:
    """Where an address leads now.

    Args:
        address: that `scheduling.telling.recipients` took.
        private: whether private networks are allowed, and plain http with them.

    Raises:
        NotSent: it leads where it must not, or nowhere now.
    """
    parts = urlsplit(address)
    assert parts.hostname is not None
    if parts.scheme != "https" and not private:
        raise NotSent("plain http: what is told could be read and changed on the way", for_good=True)
    port = parts.port or {"http": 80, "https": 443}[parts.scheme]
    found = looked_up(parts.hostname, port)
    for one in found:
        if not (private or is_public(one)):
            raise NotSent(f"{parts.hostname} is in a private network, which is not asked", for_good=True)
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Destination(parts.scheme, parts.hostname, port, str(found[0]), target)


def looked_up(host: str, port: int) -> list[Address]:
    """The addresses that a name has, the one first that is connected to. The others are not tried: where it does not
    answer, the next try looks the name up anew.

    Raises:
        NotSent: it has none now.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise NotSent(f"{host} was not found ({error})", for_good=False) from None
    return [ipaddress.ip_address(str(where[0]).partition("%")[0]) for _, _, _, _, where in found]


def is_public(address: Address) -> bool:
    """Whether an address is one that everybody may reach. One within another is judged, too: IPv4 as IPv6 maps it, as
    6to4 and Teredo carry it, and as a translator stands for it."""
    if isinstance(address, ipaddress.IPv4Address):
        return address.is_global and not address.is_multicast
    if address.ipv4_mapped is not None:
        return is_public(address.ipv4_mapped)
    if any(address in network for network in _TRANSLATED):
        return is_public(ipaddress.IPv4Address(int(address) & 0xFFFF_FFFF))
    within = [address.sixtofour, *(address.teredo or ())]
    if any(one is not None and not is_public(one) for one in within):
        return False
    return address.is_global and not (address.is_multicast or address.is_reserved)
