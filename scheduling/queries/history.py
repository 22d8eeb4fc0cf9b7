"""What people made of one thing, step by step: who said it, when, what was so before and after, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, TypeVar, get_args

from django.db.models import Model

from machines.serialization import format_instant
from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.plans import SegmentsPlanned
from scheduling.log.events.studio import StudioEvent
from scheduling.log.projections import VIEWS, Fold
from scheduling.log.remarks import remark_in, text_of
from scheduling.log.rows.row_cache import Rows

Row = TypeVar("Row", bound=Model)
# What people say: of a machine its board tells far more, which changes nothing that is shown here.
SAID = get_args(StudioEvent)
Shown = Callable[[Any], dict[str, Any]]
# What the planner does on people's behalf, thousands of times in a run's stream.
OF_NOBODY = (SegmentsPlanned,)


@dataclass(frozen=True, kw_only=True)
class FieldChange:
    """A field as it was and as it is then, as JSON; null where it was not, or is not."""

    field: str
    before: Any
    after: Any


@dataclass(frozen=True, kw_only=True)
class HistoryStep:
    """One thing that was said of a resource.

    Attributes:
        version: place in the resource's stream, from 1; what is not of people's making is left out.
        kind: of event.
        said_at: UTC.
        actor: who said it: an account's or a key's id, or a job of the server.
        fields: what it changed; of the first step, all.
        reason: in the person's own words; null where none were written, or they were blotted out.
        machine_knows: of a run, whether the machine's board has heard of it, as `board` of the run tells; null of
            anything else.
    """

    version: int
    kind: str
    said_at: datetime
    actor: str
    fields: tuple[FieldChange, ...]
    reason: str | None = None
    machine_knows: bool | None = None


def shown_by(*names: str) -> Shown:
    """What makes JSON of some columns of a row."""

    def shown(row: Any) -> dict[str, Any]:
        return {name.removesuffix("_id"): _json(getattr(row, name)) for name in names}

    return shown


def _json(value: Any) -> Any:
    return format_instant(value) if isinstance(value, datetime) else value


def differences(before: dict[str, Any], after: dict[str, Any]) -> tuple[FieldChange, ...]:
    """The fields that differ, in the order of what is shown."""
    return tuple(
        FieldChange(field=name, before=before.get(name), after=value)
        for name, value in after.items()
        if before.get(name) != value
    )


def history(model: type[Model], stream: str, shown: Shown, *, using: str = "default") -> tuple[HistoryStep, ...]:
    """Every step of a resource that changed what is shown of it, the oldest first; none where there is no such one.

    Args:
        model: its table.
        stream: what is said of it.
        shown: what of its row is looked at; see `shown_by`.
        using: alias of the database.
    """
    return tuple(step for step, _ in states(model, stream, shown, using=using))


def states(
    model: type[Model], stream: str, shown: Shown, *, using: str = "default"
) -> Iterator[tuple[HistoryStep, Any]]:
    """Each step, and the row after it, which is as it is only until the next is asked for."""
    rows, folds = Rows(using, complete=True), _folds_of(model)
    before: dict[str, Any] = {}
    subject = stream.partition("/")[2]
    for fact in facts(stream=stream, kinds={EVENT_KINDS[kind] for kind in folds}, using=using):
        folds[type(fact.event)](rows, fact, fact.event)
        row = rows.find(model, subject)
        after = {} if row is None else dict(shown(row))
        if not (changed := differences(before, after)):
            continue
        before, digest = after, remark_in(fact.event)
        stood = getattr(fact.event, "reason", None)  # in the event itself, where it was said before there were remarks
        step = HistoryStep(
            version=fact.version,
            kind=fact.kind,
            said_at=fact.said_at,
            actor=fact.actor,
            fields=changed,
            reason=text_of(digest, using=using) if stood is None else stood,
        )
        yield step, row


@dataclass(frozen=True, kw_only=True)
class VersionStep:
    """A version of a resource.

    Attributes:
        version: its number, from 1.
        since: when it was said, UTC.
        actor: who said it.
        said: what it is, as the resource's history tells it; its name is the last that it had.
        reason: in the person's own words; null where none were written, or they were blotted out.
    """

    version: int
    since: datetime
    actor: str
    said: dict[str, Any]
    reason: str | None = None


def versions(model: type[Model], stream: str, shown: Shown, *, using: str = "default") -> tuple[VersionStep, ...]:
    """Every version of a resource that has any, the oldest first. See `history`."""
    found: dict[int, VersionStep] = {}
    for step, row in states(model, stream, shown, using=using):
        was = found.get(row.version)
        found[row.version] = (
            VersionStep(
                version=row.version, since=step.said_at, actor=step.actor, said=dict(shown(row)), reason=step.reason
            )
            if was is None
            else replace(was, said=dict(shown(row)))
        )
    return tuple(found.values())


def _folds_of(model: type[Model]) -> dict[type[Any], Fold]:
    folds = {kind: fold for view in VIEWS if model in view.tables for kind, fold in view.folds.items() if kind in SAID}
    return {kind: fold for kind, fold in folds.items() if kind not in OF_NOBODY}
