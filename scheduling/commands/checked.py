"""What a command comes to once it was checked whole, and what of the check has to be made again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from scheduling.commands.plan_run import (
    PlanRun,
    RunContext,
    plan_run,
    read_run_context,
    require_free,
    require_picture_fits,
)
from scheduling.log.events import Event
from scheduling.rendering.upload_store import UploadStore


@dataclass(frozen=True, kw_only=True)
class Checked:
    """A command that was checked whole.

    What was added is neither changed nor taken away again, unless it is closed into an archive. So a check once made
    stays true, but for what is said here, and need not be made again where nobody else can append.

    Attributes:
        event: that it becomes.
        stands_on: the streams that it was checked against.
        see: looks at a picture itself, with its file; it takes longer than the rest.
        recheck: checks once more what another command may have changed meanwhile.
        run: what a run is planned on; None where none is planned.
    """

    event: Event
    stands_on: tuple[str, ...] = ()
    see: Callable[[UploadStore | None], None] = lambda _: None
    recheck: Callable[[], None] = lambda: None
    run: RunContext | None = None


def check_plan_run(command: PlanRun) -> Checked:
    """A run, checked against its machine, its picture and the sky."""
    context = read_run_context(command)
    return Checked(
        event=plan_run(command, context),
        stands_on=context.streams,
        see=lambda uploads: require_picture_fits(command, context, uploads),
        recheck=lambda: require_free(command),
        run=context,
    )
