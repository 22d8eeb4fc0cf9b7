"""What the demonstration promises of telling people: each outage was told once, was over once, and was signed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from server.demo.acceptance import Promise
from server.demo.receiver import Hook


def told_of_outages(hooks: Sequence[Hook], stations: Iterable[str]) -> Promise:
    """Each machine that lost power was told of once as silent, and once as over. A message that came twice, as the
    server was killed before it had noted that it was taken, has one id.

    Args:
        hooks: all that came in, in order.
        stations: ids of the machines that lost power.
    """
    first = {hook.id: hook for hook in reversed(hooks)}
    times = Counter((one.said["data"].get("matter"), *_what(one)) for one in first.values())
    complaints = [f"{matter} was told {count} times as {what}" for (matter, *what), count in times.items() if count > 1]
    complaints += [f"{hook.id} is not signed" for hook in hooks if not hook.is_signed]
    counts: dict[str, int] = {}
    for station in stations:
        of = [one.said for one in first.values() if station in one.said["data"].get("machines", ())]
        told = {one["data"]["matter"] for one in of if _is_told_as_silent(one)}
        over = {one["data"]["matter"] for one in of if one["type"] == "matter.over"}
        counts[station] = len(told & over)
        if not told:
            complaints.append(f"nobody was told that {station} was silent")
        complaints += [f"{matter} of {station} was never over" for matter in sorted(told - over)]
    measured = {"received": len(hooks), "messages": len(first), "silences_told_and_over": counts}
    return Promise("told-of-outages", not complaints, measured | ({"complaints": complaints} if complaints else {}))


def _what(hook: Hook) -> tuple[str, str]:
    """As what it was told: a machine that stands again is told of again, from another instant on."""
    data = hook.said["data"]
    is_over = hook.said["type"] == "matter.over"
    return hook.said["type"], "" if is_over else f"{data.get('kind')} from {data.get('told_from')}"


def _is_told_as_silent(said: dict[str, object]) -> bool:
    data = said["data"]
    return said["type"] == "matter.told" and isinstance(data, dict) and data["kind"] == "silence"
