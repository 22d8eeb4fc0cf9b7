"""What a node asks for when it asks for work."""

from __future__ import annotations

from datetime import timedelta

from machines.errors import InputError
from scheduling.nodes.pace import paced_s
from scheduling.nodes.work_tag import WorkQuery
from scheduling.sky.durations import parse_duration
from server import wiring
from server.accounts.principals import Node

LONGEST_HORIZON = timedelta(days=31)
CACHED = "private, no-cache"


def read_horizon(text: str) -> timedelta:
    """How far ahead a node wants to hold work, from ISO 8601.

    Raises:
        InputError: not a duration, or out of range.
    """
    remedy = f"give an ISO 8601 duration such as PT24H or P7D, at most P{LONGEST_HORIZON.days}D"
    try:
        horizon = parse_duration(text)
    except InputError as error:
        raise InputError("horizon", error.problem, remedy) from None
    if not timedelta(0) < horizon <= LONGEST_HORIZON:
        raise InputError("horizon", f"{text!r} is out of range", remedy)
    return horizon


def asked_of(node: Node, horizon: timedelta) -> WorkQuery:
    """The question of a node."""
    return WorkQuery(node.machine, horizon, paced_s(wiring.poll_after_s(), node.machine, node.epoch))
