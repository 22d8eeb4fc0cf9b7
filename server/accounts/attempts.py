"""How many wrong tries are borne: of passwords, of enrolment codes, of keys and tokens.

Wrong tries are counted for a quarter of an hour, from one address and, of passwords, for one account too; after as
many as `MOST_WRONG` says the next is answered by "wait", right or wrong. Keys and tokens are the exception: nobody
guesses 256 random bits, and a venue's nodes share one address, so a good one is never kept out by its neighbour's bad
one.

The counts stand in Django's cache, so each process of a web server counts for itself, and a restart forgets.
"""

from __future__ import annotations

import hashlib
import ipaddress
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Literal

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest

WINDOW_S = 900
IPV6_NETWORK_BITS = 64  # one household or venue has at least so many addresses (RFC 6177)

What = Literal["password", "account", "code", "key"]
MOST_WRONG: dict[What, int] = {"password": 10, "account": 100, "code": 10, "key": 100}


class TooManyTries(Exception):
    """There were too many wrong tries; ``wait_s`` is how long until another is looked at, whole seconds."""

    def __init__(self, wait_s: int) -> None:
        super().__init__(f"there were too many wrong tries; wait {wait_s} s")
        self.wait_s = wait_s


def address_of(request: HttpRequest) -> str:
    """Where a request comes from: an IPv4 address, or the network of an IPv6 one.

    Behind a proxy that speaks TLS for us (``DAYROLL_HTTPS``) it is the last of ``X-Forwarded-For``, which that proxy
    itself added; those before it are hearsay.
    """
    text = request.META.get("REMOTE_ADDR", "")
    if settings.SECURE_PROXY_SSL_HEADER:
        text = request.META.get("HTTP_X_FORWARDED_FOR", text).rpartition(",")[2].strip()
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return "unknown"
    if address.version == 4:
        return str(address)
    return str(ipaddress.ip_network((address, IPV6_NETWORK_BITS), strict=False))


def require_few(what: What, who: str, now: datetime) -> None:
    """See that another try may be made.

    Args:
        what: is tried.
        who: an address, or the name of an account.
        now: this instant.

    Raises:
        TooManyTries: there were as many wrong ones as are borne.
    """
    if cache.get(_key(what, who, now), 0) >= MOST_WRONG[what]:
        raise TooManyTries(WINDOW_S - int(now.timestamp()) % WINDOW_S)


def count_wrong(what: What, who: str, now: datetime) -> None:
    """Count a wrong try."""
    key = _key(what, who, now)
    if not cache.add(key, 1, WINDOW_S):
        cache.incr(key)


@contextmanager
def guarded(what: What, who: str, now: datetime, wrong: type[Exception]) -> Iterator[None]:
    """A try: not made after too many wrong ones, and counted as one if it raises ``wrong``.

    Raises:
        TooManyTries: there were as many wrong ones as are borne.
    """
    require_few(what, who, now)
    try:
        yield
    except wrong:
        count_wrong(what, who, now)
        raise


def _key(what: What, who: str, now: datetime) -> str:
    window = int(now.timestamp()) // WINDOW_S
    return hashlib.sha256(f"{what}\0{who}\0{window}".encode()).hexdigest()
