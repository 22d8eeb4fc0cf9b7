"""Who gives a command at the server's own terminal, as the log names them."""

from __future__ import annotations

from scheduling.log.store import Attribution
from server import wiring


def at_the_terminal() -> Attribution:
    """Whoever may run commands there, now."""
    return Attribution(actor="terminal", request=None, said_at=wiring.now())
