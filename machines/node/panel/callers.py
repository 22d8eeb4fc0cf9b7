"""Which requests a panel answers: those of a browser that was pointed at this board, and forms of its own pages.

A page from anywhere, open in any browser of the venue, can send forms to the panel; and one whose name is made to point
at the board (DNS rebinding) can read it, too. Both are told by what a browser says of itself and no page can change.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Collection
from email.message import Message
from urllib.parse import urlsplit


def own_names(address: str) -> frozenset[str]:
    """Names by which this board may be called, besides any number of its own.

    Args:
        address: at which the panel is served, a number or a name.
    """
    name = socket.gethostname().lower().rstrip(".")
    return frozenset({"localhost", address.lower(), name, name.partition(".")[0] + ".local"})


def is_for_us(headers: Message, names: Collection[str]) -> bool:
    """Whether ``Host`` is a number or a name of our own; a foreign name that points here is none."""
    name = _host_of("//" + headers.get("Host", ""))
    if name in names:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def is_from_our_page(headers: Message) -> bool:
    """Whether a form came from a page of ours, as far as the browser says where it came from; a program says nothing.

    Over plain http a browser leaves ``Sec-Fetch-Site`` away, and says ``Origin`` all the same.
    """
    if headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("Origin")
    return origin is None or origin.partition("://")[2] == headers.get("Host")


def _host_of(address: str) -> str:
    try:
        return (urlsplit(address).hostname or "").rstrip(".")
    except ValueError:
        return ""
