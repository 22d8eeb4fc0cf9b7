"""Copying a PostgreSQL database with its own programs, and putting a copy in its place.

They are told where the database is in a file of their own, and the password in another, both of which nobody else can
read: neither stands in a list of processes or of variables.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from django.db import connections, transaction

from machines.errors import DayrollError, InputError
from server.backups.manifest import Tell, in_mb
from server.environment import PLACES

# Of a dump that is under way, how often it is told how long it is.
LOOK_EVERY_S = 1.0
_SERVICE = "dayroll"
_SCHEMA = re.compile(r"[a-z_][a-z0-9_]{0,62}")


class ProgramFailed(DayrollError):
    """A program of PostgreSQL did not do what it was to do; nothing was changed."""


@dataclass(frozen=True)
class Snapshot:
    """The database as it is for one transaction, and for whoever is told of it.

    Attributes:
        name: by which another session sees the same.
        schema: in which our tables lie.
    """

    name: str
    schema: str


@contextmanager
def held_still() -> Iterator[Snapshot]:
    """Within, this connection reads the database as it was at the beginning, and others can."""
    with transaction.atomic(), connections["default"].cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        cursor.execute("SELECT pg_export_snapshot(), current_schema()")
        yield Snapshot(*cursor.fetchone())


@dataclass(frozen=True)
class Programs:
    """PostgreSQL's own programs.

    Attributes:
        folder: where they lie; None for those that the shell finds.
    """

    folder: Path | None = None

    def path(self, name: str) -> str:
        """Where one lies.

        Raises:
            InputError: it is not there, or is older than the database, which such a one cannot read.
        """
        remedy = (
            f"install PostgreSQL's client programs, such as postgresql-client-{_major()}, or give --programs FOLDER"
        )
        found = shutil.which(name, path=None if self.folder is None else str(self.folder))
        if found is None:
            where = "where the shell looks" if self.folder is None else f"in {self.folder}"
            raise InputError(name, f"it is not {where}", remedy)
        said = subprocess.run([found, "--version"], capture_output=True, text=True, check=False).stdout
        version = re.search(r" (\d+)[.a-z]", said)
        if version is None or int(version[1]) < _major():
            raise InputError(name, f"{found} is {said.strip()!r}, and the database is of {_major()}", remedy)
        return found


def dump(target: Path, snapshot: Snapshot, programs: Programs, tell: Tell) -> None:
    """Have the database written into a file as it is in a snapshot, by whatever role may read it.

    Raises:
        InputError: there is no such program.
        ProgramFailed: it says why.
    """
    _require_plain(snapshot.schema)
    said = (f"--snapshot={snapshot.name}", f"--schema={snapshot.schema}", "--no-owner", "--no-privileges")
    command = [programs.path("pg_dump"), f"--dbname=service={_SERVICE}", "--format=custom", *said, f"--file={target}"]
    with _told_where() as environment, tempfile.TemporaryFile("w+") as errors:
        child = subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL, stderr=errors)
        try:
            while _runs(child):
                tell(f"written {in_mb(target.stat().st_size if target.exists() else 0)} MB of the database")
        finally:
            _end(child)
        _require_done("pg_dump", child.returncode, errors)


def put(source: Path, schema: str, kept: str, programs: Programs, tell: Tell) -> str | None:
    """Put a copy in the place of what is in the database, in one transaction: it is all there, or nothing changed.

    Args:
        source: the copy.
        schema: in which its tables lie.
        kept: a new name for the schema with what was there.
        programs: PostgreSQL's.
        tell: told of what is done.

    Returns:
        that name; None where nothing was there.

    Raises:
        InputError: there are no such programs; or the tables would lie where this server does not look for them.
        ProgramFailed: one says why.
    """
    _require_plain(schema)
    psql, restore = programs.path("psql"), programs.path("pg_restore")
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_class WHERE relnamespace = to_regnamespace(%s)", [schema])
        was_there = cursor.fetchone()[0] > 0
    connections["default"].close()
    # The copy makes the schema. What is in the way moves aside; an empty one goes.
    makes_room = f"ALTER SCHEMA {schema} RENAME TO {kept};" if was_there else f"DROP SCHEMA IF EXISTS {schema};"
    begins, ends = f"BEGIN;\n{makes_room}\n", f"GRANT USAGE ON SCHEMA {schema} TO PUBLIC;\nCOMMIT;\n"
    tell("putting the database back")
    with _told_where() as environment, tempfile.TemporaryFile("w+") as errors:
        order = [psql, f"--dbname=service={_SERVICE}", "--no-psqlrc", "--quiet", "--set=ON_ERROR_STOP=1", "--file=-"]
        child = subprocess.Popen(
            order, env=environment, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=errors
        )
        assert child.stdin is not None
        try:
            reads = [restore, "--no-owner", "--no-privileges", "--file=-", str(source)]
            _feed(child.stdin, begins, reads, ends, errors)
            while _runs(child):
                tell("putting the database back")
        except BrokenPipeError:  # it has ended, and said why
            child.wait()
        finally:
            _end(child)
        _require_done("psql", child.returncode, errors)
    return kept if was_there else None


def _feed(to: IO[bytes], begins: str, restore: list[str], ends: str, errors: IO[str]) -> None:
    """Hand on what makes the tables, and the word that keeps them only when all of it went through."""
    to.write(begins.encode())
    to.flush()
    done = subprocess.run(restore, stdin=subprocess.DEVNULL, stdout=to, stderr=errors, check=False)
    _require_done("pg_restore", done.returncode, errors)
    to.write(ends.encode())
    to.close()


def _runs(child: subprocess.Popen[bytes]) -> bool:
    """Whether it still does, after a while."""
    try:
        child.wait(LOOK_EVERY_S)
    except subprocess.TimeoutExpired:
        return True
    return False


def _end(child: subprocess.Popen[bytes]) -> None:
    """Whatever went wrong here, it does not go on alone."""
    if child.poll() is None:
        child.kill()
        child.wait()


def _require_done(name: str, status: int, errors: IO[str]) -> None:
    if status != 0:
        errors.seek(0)
        said = errors.read().strip()
        raise ProgramFailed(f"{name} ended with {status} and changed nothing:\n{said[-2000:]}")


def _require_plain(schema: str) -> None:
    if _SCHEMA.fullmatch(schema) is None:
        raise InputError("schema", f"{schema!r} is no plain name", "have the tables in one of a to z, digits and _")


def _major() -> int:
    connection = connections["default"]
    connection.ensure_connection()
    return int(connection.connection.info.server_version) // 10_000


@contextmanager
def _told_where() -> Iterator[Mapping[str, str]]:
    """The variables of a program that is to find our database, with files that are gone afterwards."""
    said = connections["default"].settings_dict
    places = {PLACES[name]: str(said[name]) for name in PLACES if said.get(name)}
    password = places.pop("password", "")
    places |= {name: str(value) for name, value in said["OPTIONS"].items() if isinstance(value, str | int)}
    with tempfile.TemporaryDirectory(prefix="dayroll-") as folder:  # of mode 0700
        service, secret = Path(folder, "service"), Path(folder, "password")
        service.write_text("\n".join([f"[{_SERVICE}]", *(f"{name}={value}" for name, value in places.items()), ""]))
        own = {"PGSERVICEFILE": str(service), "LC_ALL": "C"}
        if password:
            escaped = password.replace("\\", r"\\").replace(":", r"\:")
            secret.touch(0o600)
            secret.write_text(f"*:*:*:*:{escaped}\n")
            own["PGPASSFILE"] = str(secret)
        dropped = {"PGPASSWORD", "PGSERVICE"} if password else {"PGSERVICE"}
        yield {name: value for name, value in os.environ.items() if name not in dropped} | own
