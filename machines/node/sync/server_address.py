"""The address of a server, read alike by who is given it and who calls it."""

from __future__ import annotations

from urllib.parse import SplitResult, urlsplit

from machines.errors import InputError


def read_server(address: str) -> SplitResult:
    """An address in parts, its scheme in small letters.

    Raises:
        InputError: nothing can be called there.
    """
    try:
        parts = urlsplit(address)
        host, port = parts.hostname or "", parts.port
    except ValueError:  # brackets that nothing closes, or a port beyond all
        host, port = "", None
    if not host or port == 0 or parts.scheme not in ("http", "https") or any(map(str.isspace, address)):
        raise InputError("server", f"{address!r} is no address", "give one such as https://host")
    return parts
