"""Where people find a machine's panel, as its board tells the server: an address to be read, typed or photographed.

The server never calls it. It is a word of a board, so it is bounded: plain http or https, a host, a port and nothing
behind them, in which nothing can be hidden.
"""

from __future__ import annotations

import ipaddress
import re
from urllib.parse import urlsplit

from machines.errors import InputError

LONGEST_PANEL_ADDRESS = 120
_ADDRESS = re.compile(
    r"https?://(?:[a-z0-9](?:[a-z0-9.-]*[a-z0-9])?|\[[0-9a-f:.]+\])(?::(?P<port>[1-9][0-9]{0,4}))?/?",
    re.ASCII | re.IGNORECASE,
)


def panel_address(text: str) -> str:
    """An address as people and boards say it.

    Raises:
        InputError: it is no address of a panel.
    """
    remedy = "give such as http://machine-7.local:8370"
    if len(text) > LONGEST_PANEL_ADDRESS:
        raise InputError("panel", f"{len(text)} characters", remedy)
    found = _ADDRESS.fullmatch(text)
    if found is None or int(found["port"] or 1) > 65535:
        raise InputError("panel", f"{text!r} is no address of a page with nothing behind it", remedy)
    return text


def told_panel_address(text: str | None) -> str | None:
    """What a board said, where it is one; else None."""
    try:
        return None if text is None else panel_address(text)
    except InputError:
        return None


def host_of(address: str) -> str:
    """The host that an address names, as a browser says it."""
    return (urlsplit(address).hostname or "").rstrip(".")


def served_at(address: tuple[str, int] | None) -> str | None:
    """Where a panel can be called that is served at an address and port; None where that does not tell it: all
    addresses of a board, the board alone, or whatever port is free."""
    if address is None or address[1] == 0:
        return None
    host, port = address
    try:
        number = ipaddress.ip_address(host)
    except ValueError:
        return None if host.lower() == "localhost" else told_panel_address(f"http://{host}:{port}")
    if number.is_unspecified or number.is_loopback:
        return None
    return f"http://{f'[{number}]' if number.version == 6 else number}:{port}"
