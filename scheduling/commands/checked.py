"""What a command comes to once it was checked whole, and what of the check has to be made again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from machines.errors import InputError
from scheduling.commands.plan_run import (
    PlanRun,
    RunContext,
    plan_run,
    read_run_context,
    require_free,
    require_picture_fits,
)
from scheduling.log.events import Event
from scheduling.log.models import Machine, Source
from scheduling.log.store import Append
from scheduling.queries.runs import machine_models
from scheduling.queries.venue_context import place_of
from scheduling.rendering.upload_store import UploadStore


@dataclass(frozen=True, kw_only=True)
class Checked:
    """A command that was checked whole.

    A check once made stays true, but for what is said here and what is closed into an archive, and need not be made
    again where nobody else can append.

    Attributes:
        event: that it becomes.
        also: first events of other streams, said with it.
        stands_on: the streams that it was checked against.
        see: looks at a picture itself, with its file; it takes longer than the rest.
        recheck: checks once more what another command may have changed meanwhile.
        run: what a run is planned on; None where none is planned.
    """

    event: Event
    also: tuple[Append, ...] = ()
    stands_on: tuple[str, ...] = ()
    see: Callable[[UploadStore | None], None] = lambda _: None
    recheck: Callable[[], None] = lambda: None
    run: RunContext | None = None


def check_plan_run(command: PlanRun, *, after: str | None = None) -> Checked:
    """A run, checked against its machine, its picture and the sky; ``after`` names one that ends for it."""
    context = read_run_context(command)
    return Checked(
        event=plan_run(command, context, after=after),
        stands_on=context.streams,
        see=lambda uploads: require_picture_fits(command, context, uploads),
        recheck=lambda: _recheck_run(command, context, after),
        run=context,
    )


def _recheck_run(command: PlanRun, context: RunContext, after: str | None) -> None:
    """That the machine is free, and that all is still so that its columns were counted for."""
    require_free(command, after=after)
    machine = Machine.objects.select_related("venue").filter(id=command.machine).first()
    source = Source.objects.filter(id=command.source).first()
    model = None if machine is None else machine_models([machine.profile_id]).get(machine.profile_id)
    if machine is None or source is None or model is None:
        return  # something of it was closed into an archive, which is told where the run is written
    if (_of_machine(machine), model) != (_of_machine(context.machine), context.model):
        raise InputError("machine", f"{machine.name} was changed in this moment", "look at it, and plan the run again")
    if _of_source(source) != _of_source(context.source):
        raise InputError("source", f"{source.name} was changed in this moment", "look at it, and plan the run again")


def _of_machine(machine: Machine) -> tuple[object, ...]:
    return machine.venue_id, machine.profile_id, machine.retired_at, place_of(machine.venue)


def _of_source(source: Source) -> tuple[object, ...]:
    return source.version, source.picture, source.upload, source.method, source.curve, source.retired_at
