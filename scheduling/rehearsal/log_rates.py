"""The rates of what goes wrong, as a machine's own log tells them, with how long it has been printing."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime

from machines.recovery import Gap
from machines.serialization import structure
from scheduling.log.models import Outage
from scheduling.queries.runs import runs_standing
from scheduling.rehearsal.rates import DAY_S, HOUR_S, Rates

# The causes that nodes name, by what is assumed here. A network that is lost, and nozzles that die, no outage tells of.
OF_CAUSE = {"power": "power", "jam": "jam", "machine": "part"}


def printing_days(machine: str, now: datetime) -> float:
    """For how long runs of a machine have been under way until now, days."""
    spans = ((run.starts_at, min(run.ends_at, now)) for run in runs_standing(machine).filter(starts_at__lt=now))
    return sum(max(0.0, (end - begins).total_seconds()) for begins, end in spans) / DAY_S


def rates_of(machine: str, now: datetime, typical: Rates) -> Rates:
    """The typical rates, with what the log of a machine tells of power cuts, jams and failures.

    Args:
        machine: its id.
        now: until when it is looked at, UTC.
        typical: what is taken of a machine without a log.
    """
    days = printing_days(machine, now)
    counts, hours = Counter[str](), dict.fromkeys(OF_CAUSE.values(), 0.0)
    for cause, gap in Outage.objects.filter(machine_id=machine, noticed_at__lt=now).values_list("cause", "gap"):
        name = OF_CAUSE.get(cause)
        since = structure(gap, Gap).missing_since
        if name is not None:
            counts[name] += 1
            lasted = 0.0 if since is None else (structure(gap, Gap).noticed_at - since).total_seconds() / HOUR_S
            hours[name] += max(0.0, lasted)
    power = typical.power.seen(counts["power"], days, hours["power"])
    others = {name: getattr(typical, name).seen(counts[name], days) for name in ("jam", "part")}
    return replace(typical, power=power, **others)
