"""The rates of what goes wrong, as a machine's own log tells them, with how long it has been printing."""

from __future__ import annotations

from collections import Counter, defaultdict
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
    """The typical rates, with what the log of a machine tells of power cuts, jams and failures. A cut of which it is
    not known when it began counts among them, and not in how long they last.

    Args:
        machine: its id.
        now: until when it is looked at, UTC.
        typical: what is taken of a machine without a log.
    """
    days = printing_days(machine, now)
    counts, lasted = Counter[str](), defaultdict[str, list[float]](list)
    rows = Outage.objects.filter(machine_id=machine, noticed_at__lt=now, cause__in=OF_CAUSE)
    for cause, told in rows.values_list("cause", "gap"):
        gap, name = structure(told, Gap), OF_CAUSE[cause]
        counts[name] += 1
        if gap.missing_since is not None:
            lasted[name].append(max(0.0, (gap.noticed_at - gap.missing_since).total_seconds() / HOUR_S))
    power = typical.power.seen(counts["power"], days, lasted["power"])
    others = {name: getattr(typical, name).seen(counts[name], days) for name in ("jam", "part")}
    return replace(typical, power=power, **others)
