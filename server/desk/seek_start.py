"""How the form by which a run is sought begins: for a machine, and for an opening that it is to be true at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.http import QueryDict

from scheduling.commands.run_wishes import WishKind
from scheduling.log.models import Machine, Opening, Run, Source
from scheduling.queries.runs import machine_profile
from server.desk.instants import parts_of
from server.desk.order_form import without_zeros

# Where nobody said: it begins within so long from now on, and lasts for so long.
SPAN, LENGTH = timedelta(days=7), timedelta(days=30)
# For an opening, a run goes on after it for so long.
AFTER = timedelta(days=7)
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Starting:
    """What the form says at first, and of which kind the first wish is, with what that says."""

    form: dict[str, Any]
    kind: WishKind
    wish: dict[str, Any]


def starting(data: QueryDict, now: datetime) -> Starting:
    """What an address asks for that names a machine, or an opening, or neither.

    Args:
        data: of the address.
        now: this instant, UTC.
    """
    opening, machine = opening_asked(data.get("opening", "")), _machine(data.get("machine", ""))
    if machine is None:
        return Starting({}, "place-at-head", {})
    clock = machine.venue.zone
    begins = now.replace(minute=0, second=0, microsecond=0) + HOUR
    is_coming = opening is not None and opening.opens_at > begins
    latest = opening.opens_at if opening is not None and is_coming else begins + SPAN
    ends = latest + AFTER if is_coming else begins + LENGTH
    times = {"earliest": begins, "latest": max(begins, latest), "ends": ends}
    form = {"machine": machine.id} | {name: parts_of(at, clock) for name, at in times.items()} | _as_before(machine)
    if opening is None:
        return Starting(form, "place-at-head", {})
    has_knife = machine_profile(profile=machine.profile_id).knife is not None
    wish = {"at": parts_of(opening.opens_at, clock)}
    return Starting(form, "place-in-sight" if has_knife else "place-at-head", wish)


def opening_asked(id: str) -> Opening | None:
    """The opening that a run is sought for; None for none."""
    return Opening.objects.filter(id=id, called_off_at=None).first()


def _machine(id: str) -> Machine | None:
    rows = Machine.objects.filter(retired_at=None).select_related("venue")
    only = list(rows[:2]) if not id else []
    return rows.filter(id=id).first() if id else only[0] if len(only) == 1 else None


def _as_before(machine: Machine) -> dict[str, Any]:
    """What the machine's newest run prints, and how."""
    run = Run.objects.filter(machine_id=machine.id).order_by("-starts_at", "id").first()
    if run is None:
        return {}
    said = {"cycle": run.cycle, "strips": run.strips_per_turn, "only_while_open": run.only_while_open}
    if Source.objects.filter(id=run.source_id, retired_at=None).exists():
        said["source"] = run.source_id
    if "seconds" in run.cycle_options:
        said["seconds"] = without_zeros(run.cycle_options["seconds"])
    return said
