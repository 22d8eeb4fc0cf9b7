"""Putting a backup back, where no server runs."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.core.files.base import File
from django.core.management import call_command
from django.db import connections
from django.db.migrations.loader import MigrationLoader

from machines.errors import DayrollError, InputError
from scheduling.log.integrity.held_against import state
from scheduling.log.models import Event
from scheduling.log.rebuilding.comparing import Rebuilt
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import last_position
from scheduling.rendering.atomic_files import name_part, write_part
from scheduling.rendering.kept_files import KeptFiles
from server import wiring
from server.backups import postgresql, sqlite
from server.backups.manifest import DATABASE, PLATES, SECRET_KEY, UPLOADS, Manifest, Tell
from server.backups.postgresql import Programs
from server.backups.running import require_nobody, tables


class NotAsItWas(DayrollError):
    """What was put back is not what was backed up."""


@dataclass(frozen=True, kw_only=True)
class PutBack:
    """What came of it.

    Attributes:
        kept: where lies what was there before; None where nothing was.
        key_kept: likewise of the key of sessions.
        views: what came of folding each anew.
    """

    kept: str | None
    key_kept: str | None
    views: tuple[Rebuilt, ...]


def require_fits(manifest: Manifest) -> None:
    """See that this server can take a backup.

    Raises:
        InputError: it is of the other database, or of a newer program.
    """
    vendor = connections["default"].vendor
    if manifest.engine != vendor:
        names = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}
        problem = f"the backup is of {names[manifest.engine]}, and this server has {names[vendor]}"
        remedy = "set DAYROLL_DATABASE, or leave it away; from one to the other goes what `dayroll log export` writes"
        raise InputError("database", problem, remedy)
    known = {f"{app}.{name}" for app, name in MigrationLoader(None).graph.nodes}
    if newer := sorted(set(manifest.migrations) - known):
        problem = f"it was made by version {manifest.program}, which has changes of tables unknown here: {newer[0]}"
        raise InputError("program", problem, "put it back with that version or a newer one")


def require_may_replace(named: str | None) -> None:
    """See that nothing is replaced that nobody spoke of.

    Args:
        named: the database that may be; None for none.

    Raises:
        InputError: there is a log, and it was not named.
    """
    name = Path(connections["default"].settings_dict["NAME"]).name
    if named is not None and named != name:
        raise InputError("--replace", f"the database is {name}, and not {named}", "see where this command acts")
    if named is None and Event._meta.db_table in tables() and (last := last_position()):
        problem = f"{name} holds a log of {last} events already"
        raise InputError("database", problem, f"to have it replaced and kept beside, give --replace {name}")


def put_back(source: Path, manifest: Manifest, *, at: datetime, programs: Programs, tell: Tell) -> PutBack:
    """Put a backup back that was checked. Until the database is exchanged, in one step, there is the one of before.

    Args:
        source: its folder.
        manifest: of it.
        at: now, UTC; what was there before is named by it.
        programs: PostgreSQL's, where that is the database.
        tell: told of what is done.

    Raises:
        InputError: somebody is at the database, or a program is missing; nothing was replaced.
        ProgramFailed: PostgreSQL's own says why; nothing was replaced.
        OSError: the disk is full, or cannot be written; the database was not replaced.
        BrokenLink, NotAsItWas: it was put back, and is not what was backed up.
    """
    require_nobody()
    for name, files in ((UPLOADS, wiring.uploads().files), (PLATES, wiring.plates().files)):
        _put_files(source, manifest, name, files, tell)
    stamp = f"{at:%Y%m%d_%H%M%S}"
    key = _key_part(source, manifest)
    try:
        kept = _exchange(source, manifest, stamp, programs, tell)
        key_kept = _exchange_key(key, stamp, keep=kept is not None)
    finally:
        if key is not None:
            key.unlink(missing_ok=True)
    tell("bringing the tables up to this program")
    call_command("migrate", interactive=False, verbosity=0)
    _require_as_it_was(manifest, at, _told(tell, "verified"))
    views = rebuild(progress=lambda what, reached, last: tell(f"{what}: {reached} of {last}"))
    return PutBack(kept=kept, key_kept=key_kept, views=tuple(views))


def _put_files(source: Path, manifest: Manifest, name: str, there: KeptFiles, tell: Tell) -> None:
    """Those that are named by what they hold: none is taken away, and none is written that is there."""
    files, known = manifest.below(name), dict(there.sizes("")) if manifest.below(name) else {}
    for number, file in enumerate(files, 1):
        target = file.name.removeprefix(f"{name}/")
        if known.get(target) != file.octets:
            with (source / file.name).open("rb") as stream:
                there.save(target, File(stream))
        tell(f"put back {number} of {len(files)} files of {name}")


def _exchange(source: Path, manifest: Manifest, stamp: str, programs: Programs, tell: Tell) -> str | None:
    if manifest.engine == "postgresql":
        schema = f"before_{stamp}"
        kept = postgresql.put(source / DATABASE, manifest.schema, schema, programs, tell)
        return None if kept is None else f"the schema {kept}"
    connections.close_all()
    target = Path(connections["default"].settings_dict["NAME"])
    lies = sqlite.put(source / DATABASE, target, target.with_name(f"{target.name}.before_{stamp}"))
    return None if lies is None else str(lies)


def _key_part(source: Path, manifest: Manifest) -> Path | None:
    """The key of sessions beside its place; None where it is in nobody's file, or is the one that is there."""
    if manifest.file(SECRET_KEY) is None or os.environ.get("DAYROLL_SECRET_KEY"):
        return None
    content, there = (source / SECRET_KEY).read_bytes(), settings.HOME / SECRET_KEY
    if there.exists() and there.read_bytes() == content:
        return None
    return write_part(settings.HOME, [content])


def _exchange_key(part: Path | None, stamp: str, *, keep: bool) -> str | None:
    if part is None:
        return None
    target = settings.HOME / SECRET_KEY
    kept = target.with_name(f"{target.name}.before_{stamp}")
    if keep and target.exists():
        os.link(target, kept)
    name_part(part, target)
    return str(kept) if kept.exists() else None


def _require_as_it_was(manifest: Manifest, at: datetime, progress: Callable[[int], None]) -> None:
    is_there = state(at, key=None, streams=False, progress=progress).statement
    was = manifest.log
    if (is_there.events, is_there.through, is_there.order) != (was.events, was.through, was.order):
        raise NotAsItWas(
            f"the backup speaks of {was.events} events up to position {was.through}, and what was put back has"
            f" {is_there.events} up to {is_there.through}, or others: start no server on it, and take another backup"
        )


def _told(tell: Tell, done: str) -> Callable[[int], None]:
    return lambda position: tell(f"{done} {position} events")
