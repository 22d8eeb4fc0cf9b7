"""What queries of the API ask for: read, or refused by name."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TypeVar, get_args

from rest_framework.request import Request

from machines.errors import InputError
from machines.model.profile import Profile as MachineProfile
from machines.serialization import parse_instant
from scheduling.log.models import Profile, Venue
from scheduling.paper.proof import Faults, View
from scheduling.queries.runs import machine_profile
from scheduling.sky import cycles
from server import wiring

Row = TypeVar("Row", Profile, Venue)
Value = TypeVar("Value")
Otherwise = TypeVar("Otherwise")
Choice = TypeVar("Choice", bound=str)


def query_value(request: Request, name: str, read: Callable[[str], Value], otherwise: Otherwise) -> Value | Otherwise:
    """A value from a query, or what stands for it where it is not given."""
    text = request.query_params.get(name)
    return otherwise if text is None else read(text)


def instant_asked(request: Request) -> datetime:
    """The instant asked for; this one where none is."""
    return query_value(request, "at", lambda text: parse_instant(text, "at"), wiring.now())


def view_asked(request: Request) -> View:
    """How paper is to be shown."""
    views: tuple[View, ...] = get_args(View)
    return one_of("view", request.query_params.get("view", "rulers"), views, "is no view")


def one_of(name: str, text: str, choices: Sequence[Choice], problem: str) -> Choice:
    """The one of some choices that a query names.

    Raises:
        InputError: none of them.
    """
    found = next((choice for choice in choices if choice == text), None)
    if found is None:
        raise InputError(name, f"{text!r} {problem}", f"give one of: {', '.join(choices)}")
    return found


def read_dead(text: str) -> tuple[int, ...]:
    """Numbers of dead nozzles, separated by commas.

    Raises:
        InputError: not numbers.
    """
    parts = text.split(",") if text else []
    if not all(part.isascii() and part.isdigit() and len(part) < 8 for part in parts):
        raise InputError("dead", f"{text!r} are no nozzles", "give numbers separated by commas, such as 3,7")
    return tuple(int(part) for part in parts)


def read_column(text: str) -> int:
    """A running column.

    Raises:
        InputError: none.
    """
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise InputError("from_column", f"{text[:40]!r} is no running column", "give a whole number from 0")
    return int(text)


def number_reader(name: str) -> Callable[[str], float]:
    """A function that reads a finite number, and raises an InputError that names the field for anything else."""

    def read(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise InputError(name, f"{text!r} is not a number", "give a finite number, such as 0.01")
        return number

    return read


def whole_reader(name: str) -> Callable[[str], int]:
    """A function that reads a whole number, and raises an InputError that names the field for anything else."""

    def read(text: str) -> int:
        digits = text.removeprefix("-")
        if not (digits.isascii() and digits.isdigit() and len(digits) < 16):
            raise InputError(name, f"{text!r} is not a whole number", "give one, such as 12")
        return int(text)

    return read


read_slip = number_reader("slip")


def faults_asked(request: Request) -> Faults:
    """What is to go wrong."""
    return Faults(dead=query_value(request, "dead", read_dead, ()), slip=query_value(request, "slip", read_slip, 0.0))


def named(request: Request, name: str, model: type[Row]) -> Row | None:
    """The row that a query names; None where it names none."""
    id = request.query_params.get(name)
    if id is None:
        return None
    row = None if "\0" in id else model.objects.filter(id=id).first()
    if row is None:
        raise InputError(name, f"there is no {name} {id!r}", f"name a {name} that exists")
    return row


def profile_asked(request: Request) -> MachineProfile:
    """The profile that a query must name."""
    row = named(request, "profile", Profile)
    if row is None:
        raise InputError("profile", "missing", "name the profile to print on, such as profile=heron")
    return machine_profile(profile=row.id)


def cycle_asked(request: Request, usual: str) -> cycles.Cycle:
    """The cycle that a query names, of those that need no options."""
    name = request.query_params.get("cycle", usual)
    plain = [one for one in cycles.CYCLE_NAMES if one not in ("temporal-hours", "period")]
    if name not in plain:
        raise InputError("cycle", f"{name!r} cannot be given here", f"give one of: {', '.join(plain)}")
    return cycles.get(name)
