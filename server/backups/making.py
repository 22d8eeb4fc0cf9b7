"""Making a backup beside a running server."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from django.conf import settings
from django.db import connections
from django.db.migrations.recorder import MigrationRecorder

from machines.disk import sync_folder
from machines.errors import InputError
from scheduling.log.integrity.held_against import state
from scheduling.log.integrity.signed_head import Statement
from server import wiring
from server.backups import postgresql, sqlite
from server.backups.files import copy_file, copy_kept, kept_file, kept_names
from server.backups.manifest import DATABASE, FORMAT, NAME, PLATES, SECRET_KEY, UPLOADS, KeptFile, Manifest, Tell
from server.backups.postgresql import Programs
from server.secret import OWN_FILE


@dataclass(frozen=True, kw_only=True)
class Made:
    """A backup that was made.

    Attributes:
        manifest: of it.
        damaged: names of uploaded files that no longer hold what they did, and are not in it.
    """

    manifest: Manifest
    damaged: tuple[str, ...]


@dataclass(frozen=True)
class _Database:
    """What a copy of the database is."""

    file: KeptFile
    schema: str
    migrations: tuple[str, ...]
    log: Statement


def make_backup(to: Path, *, made_at: datetime, programs: Programs, plates: bool, tell: Tell) -> Made:
    """Make a backup. Whoever writes meanwhile goes on; it has its name when it is whole and on the disk, and before
    that there is none.

    Args:
        to: a new folder, in one that is there.
        made_at: now, UTC.
        programs: PostgreSQL's, where that is the database.
        plates: whether they are to be in it, too.
        tell: told of what is done.

    Raises:
        InputError: there is such a folder; or a program is missing.
        BrokenLink: the log is not what was written.
        ProgramFailed: PostgreSQL's own says why.
        OSError: the disk is full, or cannot be written.
        StoreAway: the store of plates and uploads does not answer.
    """
    with _named_when_whole(to) as part:
        database = _sqlite(part, made_at, tell) if _is_sqlite() else _postgresql(part, made_at, programs, tell)
        # Files are written before the log speaks of them, and never changed: all that this copy speaks of is there.
        files, damaged = [database.file], []
        uploads = wiring.uploads().files
        for name in kept_names(uploads):
            file, digest = copy_kept(uploads, name, part, f"{UPLOADS}/{name}"), name.rpartition("/")[2]
            if file.sha256 == digest:
                files.append(file)
            else:
                damaged.append(digest)
                (part / file.name).unlink()
            tell(f"copied {len(files) - 1} uploaded files")
        if (settings.HOME / SECRET_KEY).exists():
            files.append(copy_file(settings.HOME / SECRET_KEY, part, SECRET_KEY))
        files += _plates(part, tell) if plates else ()
        manifest = Manifest(
            format=FORMAT,
            program=version("dayroll"),
            made_at=made_at,
            engine="sqlite" if _is_sqlite() else "postgresql",
            schema=database.schema,
            migrations=database.migrations,
            log=database.log,
            files=tuple(files),
        )
        (part / NAME).touch(OWN_FILE)
        (part / NAME).write_text(manifest.text(), encoding="utf-8")
        kept_file(part, NAME)
    return Made(manifest=manifest, damaged=tuple(damaged))


@contextmanager
def _named_when_whole(to: Path) -> Iterator[Path]:
    """A folder that gets its name when the block ends, and is removed where it does not."""
    if to.exists():
        raise InputError(str(to), "it is there already", "give a new name, such as one with the date")
    if not to.parent.is_dir():
        raise InputError(str(to.parent), "no such folder", "make it first, or see that its disk is there")
    part = Path(tempfile.mkdtemp(prefix=f"{to.name}-", suffix=".part", dir=to.parent))
    try:
        yield part
        sync_folder(part)
        part.rename(to)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    sync_folder(to.parent)


def _is_sqlite() -> bool:
    return connections["default"].vendor == "sqlite"


def _sqlite(part: Path, made_at: datetime, tell: Tell) -> _Database:
    sqlite.dump(Path(connections["default"].settings_dict["NAME"]), part / DATABASE, tell)
    with sqlite.opened(part / DATABASE) as alias:
        migrations, log = _migrations(alias), _log(alias, made_at, tell)
    return _Database(kept_file(part, DATABASE), "", migrations, log)


def _postgresql(part: Path, made_at: datetime, programs: Programs, tell: Tell) -> _Database:
    with postgresql.held_still() as snapshot:
        postgresql.dump(part / DATABASE, snapshot, programs, tell)
        migrations, log = _migrations("default"), _log("default", made_at, tell)
    return _Database(kept_file(part, DATABASE), snapshot.schema, migrations, log)


def _migrations(alias: str) -> tuple[str, ...]:
    applied = MigrationRecorder(connections[alias]).applied_migrations()
    return tuple(sorted(f"{app}.{name}" for app, name in applied))


def _log(alias: str, made_at: datetime, tell: Tell) -> Statement:
    """Of the copy itself, each event checked on the way."""

    def told(position: int) -> None:
        tell(f"verified {position} events")

    return state(made_at, key=None, streams=False, using=alias, progress=told).statement


def _plates(part: Path, tell: Tell) -> Iterator[KeptFile]:
    plates = wiring.plates().files
    for number, name in enumerate(kept_names(plates, ".png"), 1):
        with suppress(FileNotFoundError):  # tidied away meanwhile
            yield copy_kept(plates, name, part, f"{PLATES}/{name}")
        tell(f"copied {number} plates")
