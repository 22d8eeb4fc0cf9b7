"""A person's word on an outage while it is open, in place of the run's policy; for that outage only."""

from __future__ import annotations

from django.db import transaction

from machines.chance import Chance
from machines.errors import DayrollError, InputError
from machines.recovery import Override, Rule
from scheduling.log.events.server import OutageOverridden
from scheduling.log.models import Machine, Outage, Run
from scheduling.log.models import Override as Word
from scheduling.log.projecting.projector import require_views
from scheduling.log.remarks import keep, require_length
from scheduling.log.retry import retry_on_conflict
from scheduling.log.store import Append, Attribution, append, stream_version
from scheduling.outages.open_outage import OpenOutage, next_due, open_outage
from scheduling.outages.rule_checks import require_rule_fits
from scheduling.queries.machine_context import machine_context
from scheduling.venues.local_time_text import instant_at_machine


class NothingOpen(DayrollError):
    """There is nothing to decide: what was missing is settled, and the machine is true to the sky."""


def override_outage(outage: Outage, rule: Rule, reason: str | None, by: Attribution, chance: Chance) -> Word:
    """Say otherwise how an outage is to be settled whose columns are still being printed late.

    Raises:
        NothingOpen: it is over; or a later one took over from it.
        InputError: the rule cannot be kept.
        VersionConflict: the machine told something in the same moment, again and again.
    """
    if outage.true_again_at is not None:
        raise NothingOpen(
            f"outage {outage.id!r} is settled, and the machine was true to the sky again at "
            f"{instant_at_machine(outage.true_again_at, outage.machine_id)}; nothing of it is left to decide"
        )
    return override_run(Run.objects.get(id=outage.run_id), rule, reason, by, chance)


def override_run(run: Run, rule: Rule, reason: str | None, by: Attribution, chance: Chance) -> Word:
    """Say how what is open on a run is to be settled: after a silence, while its machine is held, or while columns are
    printed late. Said again before the node has settled, the newest word counts.

    A lost race means that the machine told something in the same moment: whether anything is open is looked at again.

    Raises:
        NothingOpen: nothing is.
        InputError: the rule cannot be kept, or the reason is too long.
        ViewsSetAside: what is open cannot be told.
        VersionConflict: again and again.
    """
    return retry_on_conflict(lambda: _override_once(run, rule, reason, by, chance))


def _override_once(run: Run, rule: Rule, reason: str | None, by: Attribution, chance: Chance) -> Word:
    stream = f"machine/{run.machine_id}"
    version = stream_version(stream)
    require_views("machines", "outages", "runs")
    found = _require_open(run, by)
    require_length(reason)
    try:
        require_rule_fits(rule, found.rule_context)
    except InputError as error:
        raise error.within("rule") from None
    word = Override(id=f"{run.machine_id}-{version + 1}", rule=rule, given_at=by.said_at)
    with transaction.atomic():
        event = OutageOverridden(
            run=run.id,
            override=word,
            because=found.because,
            outage=None if found.outage is None else found.outage.id,
            remark=keep(reason, chance),
        )
        append([Append(stream, version, [event])], by)
    return Word.objects.get(id=word.id)


def _require_open(run: Run, by: Attribution) -> OpenOutage:
    found = open_outage(machine_context(Machine.objects.get(id=run.machine_id), by.said_at))
    if found is None:
        raise NothingOpen(
            f"nothing is open on machine {run.machine_id!r}: it was heard, nothing holds it, and nothing is being "
            "printed late; a decision can be made once one of these is so"
        )
    if found.run.id != run.id:
        raise NothingOpen(
            f"machine {run.machine_id!r} is not on run {run.id!r} but on {found.run.id!r}; decide on that"
        )
    due = next_due(found)
    if found.outage is None and due > by.said_at:  # the node takes a word for one on an earlier outage
        raise NothingOpen(
            f"nothing is missing on machine {run.machine_id!r} yet: its next column is due at "
            f"{instant_at_machine(due, run.machine_id)}; a decision can be made from then on"
        )
    return found
