"""Words to the service manager that started us: ready, alive, stopping; see sd_notify(3)."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable, Mapping

SOCKET_VARIABLE = "NOTIFY_SOCKET"
READY, ALIVE, STOPPING = "READY=1", "WATCHDOG=1", "STOPPING=1"

Tell = Callable[[str], None]


def teller(environ: Mapping[str, str]) -> Tell:
    """Says a word to the manager that the environment names; to nobody, if it names none.

    A manager that does not hear is no reason to stop printing.
    """
    address = environ.get(SOCKET_VARIABLE, "")
    if not address:
        return lambda word: None
    # A name that begins with @ is in the kernel's own name space, where it begins with a zero octet (unix(7)).
    name = "\0" + address[1:] if address.startswith("@") else address

    def tell(word: str) -> None:
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
            wire.sendto(word.encode(), name)

    return tell
