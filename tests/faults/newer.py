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


def without(told: dict[str, Any]) -> dict[str, Any]:
    """An entry as the node's journal has it, which is not newer in truth."""
    return {name: value for name, value in told.items() if name != FIELD}
