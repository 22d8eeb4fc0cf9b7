"""A request to the API as whoever stands at the server makes it; what is refused is said as a command says it."""

from __future__ import annotations

from typing import Any

from django.http import Http404
from django.urls import Resolver404
from rest_framework.exceptions import APIException

from machines.errors import DayrollError
from scheduling.log.store import VersionConflict
from server import wiring
from server.accounts.principals import STUDIO, KeyHolder
from server.api import in_process
from server.api.in_process import Answer, Caller
from server.api.problems import MovedOn

AGAIN = "look at it again, then say it once more"
# Whoever may run commands here may do all that the studio may, and is named as by the other commands.
AT_TERMINAL = KeyHolder(key="terminal", name="the server's terminal", standing=STUDIO)


def ask(method: str, address: str, body: Any = None, *, tag: str | None = None, **query: str) -> Answer:
    """Ask the API, see `server.api.in_process.ask`.

    Raises:
        DayrollError: it is refused; says what, where and what to do.
    """
    try:
        caller = Caller(AT_TERMINAL, wiring.chance().number())
        return in_process.ask(caller, method, address, body, tag=tag, **query)
    except Resolver404:
        raise DayrollError(f"nothing is called {address!r}", "give an id as `dayroll list` shows it") from None
    except Http404:
        kind, _, one = address.partition("/")
        raise DayrollError(
            f"{one.split('/')[0]!r} is not among the {kind}", f"`dayroll list {kind}` shows all"
        ) from None
    except MovedOn as error:
        raise DayrollError(f"somebody changed it meanwhile{_changes(error)}", AGAIN) from error
    except VersionConflict as error:
        raise DayrollError(f"somebody changed it meanwhile ({error.problem})", AGAIN) from error
    except APIException as error:
        raise DayrollError(str(error.detail)) from error


def _changes(error: MovedOn) -> str:
    steps = error.changes or []
    said = [
        f"{step['actor']} at {step['said_at']}: {', '.join(one['field'] for one in step['fields'])}" for step in steps
    ]
    return f" ({'; '.join(said)})" if said else ""
