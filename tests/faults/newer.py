"""What a node that is newer than its server would tell: fields that the server does not know."""

from __future__ import annotations

import json
from typing import Any

FIELD = "draught_in_the_hall_m_per_s"
DRAUGHT = 0.25


def with_more(body: bytes) -> bytes:
    """A report whose entries and status have a field more."""
    report: dict[str, Any] = json.loads(body)
    for entry in report["entries"]:
        entry[FIELD] = DRAUGHT
    if report.get("status") is not None:
        report["status"][FIELD] = DRAUGHT
    return json.dumps(report).encode()


def as_before(fact: dict[str, Any]) -> dict[str, Any]:
    """A fact of the server's log as if the node had not been newer, which in truth it is not: its journal has no more
    than others."""
    data = without(fact["data"])
    return fact | {"data": data | {"entry": without(data["entry"])} if "entry" in data else data}


def without(told: dict[str, Any]) -> dict[str, Any]:
    """An entry without the field that nobody knows."""
    return {name: value for name, value in told.items() if name != FIELD}
