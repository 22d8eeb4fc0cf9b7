"""A change of what was said before: worked out whole, so that it can be looked at, and then made or left.

Each kind of change is a function that answers with a `Change`. What cannot be is refused there; what should be meant
is told as a warning, and needs a yes. Making a change writes one event. Undo is another change.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db import transaction

from machines.chance import Chance
from machines.errors import DayrollError, InputError
from machines.serialization import unstructure
from scheduling.log.beside import keep_command
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.ends import lock
from scheduling.log.events import Event
from scheduling.log.models import GivenCommand
from scheduling.log.remarks import keep, require_length
from scheduling.log.store import Append, Attribution, append
from scheduling.queries.history import FieldChange, Shown, differences


@dataclass(frozen=True, kw_only=True)
class ChangeWarning:
    """What should be meant before a change is made.

    Attributes:
        kind: what it is; stays the same whatever the words.
        in_words: for people; times are by the venue's clock, whose zone is named.
    """

    kind: str
    in_words: str


@dataclass(frozen=True, kw_only=True)
class Figures:
    """By how much a change has more of something printed; below 0 by how much less.

    Attributes:
        columns: running columns.
        paper_m: metres fed.
        cuts: strokes of the knife.
        ink_ml: millilitres, of the dots; null where no plate tells. Columns without a plate yet are taken to be as dark
            as the run's others.
    """

    columns: int
    paper_m: float
    cuts: int
    ink_ml: float | None


@dataclass(frozen=True, kw_only=True)
class Preview:
    """What a change would do. Nothing was written.

    Attributes:
        fields: what would differ; none where all is so already, and nothing would be written.
        in_words: each thing that would follow, a sentence each.
        warnings: what should be meant; with any, a change is made only where they are accepted. Adding asks for no yes.
        figures: by how much more or less is printed; null where that is not changed.
    """

    fields: tuple[FieldChange, ...]
    in_words: tuple[str, ...]
    warnings: tuple[ChangeWarning, ...]
    figures: Figures | None = None


@dataclass(frozen=True, kw_only=True)
class Told:
    """What else is said with a change, of something that hangs on it.

    Attributes:
        stream: of what.
        version: of that stream, on which it was decided.
        event: without its reason, which is that of the change.
    """

    stream: str
    version: int
    event: Any


@dataclass(frozen=True, kw_only=True)
class Change:
    """A change that was worked out.

    Attributes:
        stream: of what is changed.
        version: of that stream, on which it was decided.
        event: that it becomes, without its reason; None where all is so already.
        also: what is said with it, in the same transaction.
        beside: keeps what stands beside the log, in the same transaction.
        begins: what of new streams is appended after it, found where nobody else can append; asked with when it is.
        stands_on: other streams that it was decided upon.
        recheck: looks once more, where nobody else can append, at what another command may have changed meanwhile.
        preview: what it would do.
    """

    stream: str
    version: int
    event: Any
    also: tuple[Told, ...] = ()
    beside: Callable[[], None] = lambda: None
    begins: Callable[[datetime], Sequence[Append]] = lambda _: ()
    stands_on: tuple[str, ...] = ()
    recheck: Callable[[], None] = lambda: None
    preview: Preview


def change_of(
    row: Any,
    after: Any,
    event: Any,
    *,
    stream: str,
    version: int,
    shown: Shown,
    in_words: Iterable[str],
    warnings: Iterable[ChangeWarning] = (),
    stands_on: tuple[str, ...] = (),
    also: tuple[Told, ...] = (),
    recheck: Callable[[], None] = lambda: None,
    figures: Callable[[], Figures] | None = None,
) -> Change:
    """What an event would do to a row; nothing, where all that is shown of it is so already.

    Args:
        row: as it stands.
        after: as it would be.
        event: that makes it so, without its reason; None for none.
        stream: of what is changed.
        version: of that stream, on which it was decided.
        shown: what of a row is looked at.
        in_words: what would follow, a sentence each; not asked for where nothing would.
        warnings: what should be meant; neither.
        stands_on: other streams that it was decided upon.
        also: what is said with it.
        recheck: see `Change`.
        figures: by how much more or less is printed; not asked for where nothing would be changed.
    """
    fields = differences(shown(row), shown(after))
    return Change(
        stream=stream,
        version=version,
        event=event if fields else None,
        also=also if fields else (),
        stands_on=stands_on,
        recheck=recheck,
        preview=Preview(
            fields=fields,
            in_words=tuple(in_words) if fields else (),
            warnings=tuple(warnings) if fields else (),
            figures=figures() if fields and figures is not None else None,
        ),
    )


# Which warnings are meant: whatever there are, none, or those of some kinds.
Accepted = bool | frozenset[str]


class NotAccepted(DayrollError):
    """A change has warnings, and whoever asked for it did not say that all of them are meant.

    Attributes:
        warnings: which.
    """

    def __init__(self, warnings: tuple[ChangeWarning, ...]) -> None:
        told = " ".join(one.in_words for one in warnings)
        super().__init__(f"This needs a yes. {told.rstrip('.')}", "accept the warnings, or change what they are about")
        self.warnings = warnings


class KeyUsed(DayrollError):
    """Another command was given with the same key."""


@dataclass(frozen=True)
class KeyedOrder:
    """A command that its client will know again, should the answer be lost.

    Attributes:
        key: that the client gave it.
        order: all that was asked for, as JSON.
    """

    key: str
    order: Any

    @property
    def digest(self) -> str:
        """SHA-256, in hexadecimal, of the order as canonical JSON: by it the very same order is told from another that
        is given with the same key."""
        return hashlib.sha256(canonical(self.order).encode()).hexdigest()

    def memory_of(self, stream: str) -> str:
        """Under what name it is remembered: no stream has a space in it."""
        return f"{stream} {self.key}"


def make(
    change: Change,
    reason: str | None,
    by: Attribution,
    chance: Chance,
    *,
    accepted: Accepted,
    once: KeyedOrder | None = None,
) -> None:
    """Make a change; nothing is written where all is so already.

    Args:
        change: what was worked out.
        reason: why, in the person's own words.
        by: who says so.
        chance: see `scheduling.log.remarks.keep`.
        accepted: which of its warnings are meant. Whoever has looked names the kinds that he saw, so that what came up
            since is no more meant than he could know.
        once: by which whoever asked will know it again; see `was_made`.

    Raises:
        NotAccepted: it has warnings that are not meant.
        InputError: the reason is too long, what it stands on was closed into an archive, or it cannot be any more.
        VersionConflict: somebody else changed it meanwhile.
        ViewsSetAside: it would not show.
    """
    require_length(reason)
    if not all(accepted if isinstance(accepted, bool) else one.kind in accepted for one in change.preview.warnings):
        raise NotAccepted(change.preview.warnings)
    with transaction.atomic():
        lock("default")
        if change.event is not None:
            change.recheck()
            said = (Told(stream=change.stream, version=change.version, event=change.event), *change.also)
            with_reasons = [_with_reason(one, reason, chance) for one in said]
            append([*with_reasons, *change.begins(by.said_at)], by, stands_on=change.stands_on)
            change.beside()
        if once is not None:
            keep_command(once.memory_of(change.stream), by.actor, once.digest)


def _with_reason(told: Told, reason: str | None, chance: Chance) -> Append:
    """Each event keeps the reason by itself, so that its stream can be closed by itself."""
    event: Event = replace(told.event, remark=keep(reason, chance))
    return Append(told.stream, told.version, [event])


def was_made(stream: str, once: KeyedOrder | None, actor: str) -> bool:
    """Whether this very command was carried out already.

    Args:
        stream: of what is changed.
        once: the command; without one nothing is known again.
        actor: who gives it.

    Raises:
        KeyUsed: another command was given with that key.
    """
    found = None if once is None else GivenCommand.objects.filter(stream=once.memory_of(stream)).first()
    if once is None or found is None:
        return False
    if (found.actor, found.digest) != (actor, once.digest):
        raise KeyUsed(f"the key {once.key!r} was used for another order", "give each order a key of its own")
    return True


def merged(target: Any, patch: Any) -> Any:
    """A JSON value after a merge patch: RFC 7396 section 2."""
    if not isinstance(patch, Mapping):
        return patch
    result = dict(target) if isinstance(target, Mapping) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merged(result.get(name), value)
    return result


def patched(command: Any, patch: Any, fixed: tuple[str, ...]) -> dict[str, Any]:
    """What a resource would be ordered as, after a merge patch.

    Args:
        command: that would add it as it stands.
        patch: JSON.
        fixed: fields that are never changed.

    Raises:
        InputError: it is no object, or changes what is fixed.
    """
    if not isinstance(patch, Mapping):
        raise InputError("", "a merge patch of this is an object", "give the fields that change, as in RFC 7396")
    stands = unstructure(command)
    after: dict[str, Any] = merged(stands, patch)
    for name in fixed:
        if name in patch and after.get(name) != stands[name]:
            raise InputError(name, "this is never changed", f"leave it out, or give {stands[name]!r}")
    return after
