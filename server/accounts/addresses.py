"""Where a request comes from, as far as it can be told: what wrong tries are counted by, and what stands in the log."""

from __future__ import annotations

import ipaddress
import logging
import re
import threading

from django.conf import settings
from django.http import HttpRequest

logger = logging.getLogger(__name__)

IPV6_NETWORK_BITS = 64  # one household or venue has at least so many addresses (RFC 6177)
LONGEST_SHOWN = 64
# ``192.0.2.7:4711``, ``[2001:db8::1]:4711`` and ``[2001:db8::1]``, as some proxies write an address.
WITH_PORT = re.compile(r"(?:(?P<four>[0-9.]+)|\[(?P<six>[0-9A-Fa-f:.]+)(?:%[^\]]*)?\])(?::[0-9]*)?")

_complained = threading.Event()


def address_of(request: HttpRequest) -> str:
    """Where a request comes from: an IPv4 address, or the network of an IPv6 one.

    Each proxy adds whom it heard to the end of ``X-Forwarded-For``. With so many proxies of our own as
    ``DAYROLL_PROXIES`` says, the outermost of them wrote the entry that is so many from the end; those before it are
    hearsay. A request that has fewer entries did not come through them all, and is its peer's.
    """
    peer = str(request.META.get("REMOTE_ADDR", ""))
    hops: int = settings.PROXIES
    if not hops:
        return bucket(peer)
    told = [part.strip() for part in str(request.META.get("HTTP_X_FORWARDED_FOR", "")).split(",") if part.strip()]
    return bucket(told[-hops] if len(told) >= hops else peer)


def bucket(text: str) -> str:
    """An address as it is counted; what cannot be read is counted by its own text, so that it is nobody else's."""
    found = WITH_PORT.fullmatch(text)
    plain = (found["four"] or found["six"]) if found else text.partition("%")[0]
    try:
        address = ipaddress.ip_address(plain)
    except ValueError:
        shown = "".join(letter for letter in text[:LONGEST_SHOWN] if letter.isprintable())
        _complain(shown)
        return f"what calls itself {shown!r}"
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is None:
            return str(ipaddress.ip_network((address, IPV6_NETWORK_BITS), strict=False))
        address = address.ipv4_mapped
    return str(address)


def _complain(shown: str) -> None:
    """Once a process: every request would say the same."""
    if not _complained.is_set():
        _complained.set()
        logger.warning(
            "a request says that it comes from %r, which is no address: wrong tries cannot be counted by where they"
            " come from. Set DAYROLL_PROXIES to the number of proxies in front, and have them write X-Forwarded-For",
            shown,
        )
