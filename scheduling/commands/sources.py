"""Sources: adding one, and then naming it otherwise, giving it another version, retiring it, and taking that back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any

from machines.errors import InputError
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pictures import Picture
from machines.serialization import structure, unstructure
from scheduling.commands.additions import AddSource
from scheduling.commands.changes import Change, Preview, change_of
from scheduling.log.events.equipment import SourceAdded, SourceChanged, SourceRetired, SourceTakenBack
from scheduling.log.models import Run, Source
from scheduling.log.projecting.foreseen import foreseen
from scheduling.queries.history import differences, shown_by
from scheduling.queries.runs import has_columns_to_come
from scheduling.rendering.sources import check_upload
from scheduling.rendering.upload_store import UploadStore

# What of a source a change tells of, and its history.
SHOWN = shown_by("name", "picture", "upload", "method", "curve", "version", "retired_at")
NEVER_CHANGED = ("id",)


def add_source(command: AddSource) -> SourceAdded:
    """The log keeps the picture with every default filled in, so that a later default does not change it."""
    return SourceAdded(
        name=command.name,
        picture=unstructure(command.picture),
        upload=command.upload,
        method=command.method,
        curve=command.curve,
    )


def preview_source(command: AddSource, now: datetime) -> Preview:
    """What adding a source would do; nothing is written."""
    row = foreseen(Source(id=command.id), f"source/{command.id}", add_source(command), now)
    words = f"{row.name} is added, as version {row.version}: new runs can print it."
    return Preview(fields=differences({}, SHOWN(row)), in_words=(words,), warnings=())


def as_ordered(row: Source) -> AddSource:
    """The order by which a source would be what it is."""
    return AddSource(
        id=row.id,
        name=row.name,
        picture=structure(row.picture, Picture),
        upload=row.upload,
        method=row.method,  # type: ignore[arg-type]  # a text of the table, which took no other
        curve=structure(row.curve, ToneCurve | None),
    )


def see_picture(row: Source, command: AddSource, uploads: UploadStore | None) -> None:
    """Look at a picture with its file, where it is another. See `check_upload`."""
    if (command.picture, command.upload) != (as_ordered(row).picture, row.upload):
        check_upload(command.picture, command.upload, uploads)


def change_source(row: Source, command: AddSource, now: datetime, version: int) -> Change:
    """A source is named otherwise; or it is another picture from now on, or other dots are made of it: a version of its
    own. Runs go on with the version that they were planned with. See `see_picture`.

    Args:
        row: as it stands.
        command: what it is to be.
        now: this instant, UTC.
        version: of its stream, read before the row.

    Raises:
        InputError: it was retired.
    """
    if row.retired_at is not None:
        raise InputError("retired_at", "it was retired", "take that back first")
    event = _changed(row, command)
    return _change(row, event, now, version, _in_words(row, event))


def retire_source(row: Source, now: datetime, version: int) -> Change:
    """A source takes no new run: it stays in the API's list, marked. Runs that print it go on. Retired already, nothing
    is changed. See `change_source`."""
    event = None if row.retired_at else SourceRetired()
    words = (f"No new run prints {row.name}; those that do go on.",)
    return _change(row, event, now, version, words)


def take_back_source(row: Source, now: datetime, version: int) -> Change:
    """A source that was retired can be printed again. While it can, nothing is changed. See `change_source`."""
    event = SourceTakenBack() if row.retired_at else None
    return _change(row, event, now, version, (f"{row.name} can be printed again.",))


def _changed(row: Source, command: AddSource) -> SourceChanged:
    """What is the same stays as it is kept, so that no default of today gets into it."""
    was = as_ordered(row)
    return SourceChanged(
        name=command.name,
        picture=row.picture if command.picture == was.picture else unstructure(command.picture),
        upload=command.upload,
        method=command.method,
        curve=command.curve,
        version=row.version + (replace(command, name=row.name) != was),
    )


def _change(row: Source, event: Any, now: datetime, version: int, words: Iterable[str]) -> Change:
    stream = f"source/{row.id}"
    after = foreseen(row, stream, event, now)
    return change_of(row, after, event, stream=stream, version=version, shown=SHOWN, in_words=words)


def _in_words(row: Source, event: SourceChanged) -> Iterator[str]:
    if row.name != event.name:
        yield f"{row.name} is called {event.name} from now on, also of what was printed."
    if (row.picture, row.upload) != (event.picture, event.upload):
        yield f"{event.name} is another picture from now on."
    if row.method != event.method or unstructure(event.curve) != row.curve:
        yield "Its tones become dots otherwise."
    if row.version == event.version:
        return
    yield f"This is version {event.version} of {event.name}: new runs print it."
    runs = Run.objects.filter(source_id=row.id, withdrawn_at=None).order_by("starts_at", "id")
    for run in filter(has_columns_to_come, runs):
        yield f"Run {run.id} goes on with version {run.source_version}, until it is over."
