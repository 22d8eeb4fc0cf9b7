"""`dayroll log`: verify the log, fold the views again, guard it, and carry it elsewhere."""

from __future__ import annotations

import os
import time
from argparse import ArgumentParser
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connections

from machines.errors import InputError
from scheduling.log import seal
from scheduling.log.archive import close_streams
from scheduling.log.canonical import canonical
from scheduling.log.folds import VIEWS
from scheduling.log.held_against import hold_against, read_statement, state
from scheduling.log.rebuild import Rebuilt, rebuild
from scheduling.log.remarks import blot_out, remarks
from scheduling.log.role import prepare
from scheduling.log.statement import BadStatement, Statement, check_signature, public_key, public_pem, studio_key
from scheduling.log.store import Attribution, last_position
from scheduling.log.transfer import check_file, export_log, import_log
from scheduling.log.verify import BrokenLink, verify
from server import wiring

PROGRESS_EVERY_S = 1.0


class Command(BaseCommand):
    help = "Verify the log, fold the views again from it, guard it, or carry it elsewhere."
    requires_system_checks = ()  # it is the remedy for one of them

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        _add_checks(actions)
        _add_guards(actions)
        _add_ways_out_and_in(actions)

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        try:
            ACTIONS[action](self, options)
        except (BrokenLink, BadStatement, InputError, OSError) as error:
            raise CommandError(f"Broken: {error}." if isinstance(error, BrokenLink) else f"{error}.") from error

    def verify(self, options: dict[str, Any]) -> None:
        last, tell = last_position(), self.progress("verified")
        if options["against"] is not None:
            self.verify_against(options, lambda position: tell(position, last))
            return
        heads = verify(progress=lambda position: tell(position, last))
        self.stdout.write(f"{last} events in {len(heads)} streams, every link holds.")

    def verify_against(self, options: dict[str, Any], progress: Callable[[int], None]) -> None:
        signed, key = read_statement(options["against"]), _given_key(options)
        if key is not None:
            check_signature(signed, key)
        held = hold_against(signed.statement, archives=options["archive"], progress=progress)
        order = "in that order" if held.in_order else f"their order not checked: {held.why_not}"
        self.stdout.write(
            f"Every link holds. Stated at {signed.statement.made_at.isoformat()}, {_by_whom(key)}: all of its"
            f" {signed.statement.events} events are there, {order}; said since: {held.later}."
        )

    def head(self, options: dict[str, Any]) -> None:
        last, tell = last_position(), self.progress("verified")
        signed = state(
            wiring.now(),
            key=studio_key(settings.LOG_KEY),
            streams=options["streams"],
            progress=lambda position: tell(position, last),
        )
        self.stdout.write(canonical(signed.as_json()))

    def rebuild(self, options: dict[str, Any]) -> None:
        views = [view for view in VIEWS if options["view"] is None or view.name in options["view"]]
        results = rebuild(views=views, swap=not options["compare_only"], progress=self.progress("folded"))
        for result in results:
            self.stdout.write(f"{result.view:<10} {result.rows:>8} rows  {_judged(result)}")
        if not all(result.equal for result in results):
            raise CommandError("The live views were not what the log says.")

    def seal(self, options: dict[str, Any]) -> None:
        connection = connections["default"]
        missing = seal.missing(connection)
        seal.apply(connection)
        self.stdout.write(f"Sealed; {', '.join(missing)} had been missing." if missing else "It was sealed already.")

    def role(self, options: dict[str, Any]) -> None:
        variable = options["password_variable"]
        if variable is not None and variable not in os.environ:
            raise CommandError(f"{variable} is not in the environment; set it to the role's password.")
        file = options["password_file"]
        password = file.read_text().strip("\r\n") if file else os.environ[variable] if variable else None
        for statement in prepare(connections["default"], options["name"], password):
            self.stdout.write(f"{statement};")
        wanted = "" if password else f"it a password (\\password {options['name']} in psql) and "
        self.stdout.write(
            f"Give {wanted}the server its name in DAYROLL_DATABASE;"
            " run migrations, `log seal` and `log close` as the owner, as now."
        )

    def export(self, options: dict[str, Any]) -> None:
        last, tell = last_position(), self.progress("exported")
        key = None if options["unsigned"] else studio_key(settings.LOG_KEY)
        with options["file"].open("x", encoding="utf-8") as out:
            signed = export_log(out, made_at=wiring.now(), key=key, progress=lambda position: tell(position, last))
        self.stdout.write(f"{signed.statement.events} events in {len(signed.statement.heads)} streams written.")

    def import_(self, options: dict[str, Any]) -> None:
        tell, key = self.progress("imported"), _given_key(options)
        with options["file"].open(encoding="utf-8") as source:
            signed = import_log(source, key=key, progress=lambda position: tell(position, None))
        self.stdout.write(
            f"{signed.statement.events} events imported, {_by_whom(key)}, and the views folded from them. Plates and"
            " uploaded files are not among them: copy the uploads, then `dayroll redraw` draws the plates."
        )

    def check_file(self, options: dict[str, Any]) -> None:
        tell, key = self.progress("checked"), _given_key(options)
        with options["file"].open(encoding="utf-8") as source:
            signed = check_file(source, key=key, progress=lambda position: tell(position, None))
        self.stdout.write(
            f"{signed.statement.events} events in {len(signed.statement.heads)} streams, every link holds;"
            f" stated at {signed.statement.made_at.isoformat()}, {_by_whom(key)}{_uncovered(signed.statement)}."
        )

    def close(self, options: dict[str, Any]) -> None:
        by = Attribution(actor="terminal", request=None, said_at=wiring.now())
        signed = close_streams(options["stream"], options["file"], by, key=studio_key(settings.LOG_KEY))
        self.stdout.write(f"{signed.statement.events} events of {len(signed.statement.heads)} streams closed.")

    def remarks(self, options: dict[str, Any]) -> None:
        for one in remarks():
            words = "(blotted out)" if one.text is None else one.text
            self.stdout.write(
                f"{one.position:>8}  {one.said_at:%Y-%m-%d %H:%M} UTC  {one.stream}  {one.actor}  {words}"
            )

    def blot(self, options: dict[str, Any]) -> None:
        blot_out(options["position"], Attribution(actor="terminal", request=None, said_at=wiring.now()))
        self.stdout.write(
            "It is blotted out. Logs that were exported and backups that were made before still have it:"
            " delete them, too."
        )

    def key(self, options: dict[str, Any]) -> None:
        if settings.LOG_KEY.parent == settings.HOME:
            self.stderr.write(
                f"{settings.LOG_KEY} lies in the server's own folder: whoever takes the server can sign with it."
                " Move it where only this command reads it, and name the place in DAYROLL_LOG_KEY."
            )
        self.stdout.write(public_pem(studio_key(settings.LOG_KEY)), ending="")

    def progress(self, done: str) -> Callable[[int, int | None], None]:
        """Tells how far it is, no more often than people can read."""
        told_at = time.monotonic()

        def tell(position: int, last: int | None) -> None:
            nonlocal told_at
            if time.monotonic() - told_at >= PROGRESS_EVERY_S:
                told_at = time.monotonic()
                self.stderr.write(
                    f"{done} {position} events" if last is None else f"{done} {position} of {last} events"
                )

        return tell


ACTIONS: dict[str, Callable[[Command, dict[str, Any]], None]] = {
    "verify": Command.verify,
    "head": Command.head,
    "rebuild": Command.rebuild,
    "seal": Command.seal,
    "role": Command.role,
    "export": Command.export,
    "import": Command.import_,
    "check": Command.check_file,
    "close": Command.close,
    "remarks": Command.remarks,
    "blot": Command.blot,
    "key": Command.key,
}


def _add_checks(actions: Any) -> None:
    """What walks the log as it lives."""
    links = actions.add_parser("verify", help="walk every stream's chain of digests and name the first broken link")
    links.add_argument(
        "--against",
        type=Path,
        metavar="FILE",
        help="and see that all is there that a statement speaks of: by `log head`, or of an exported log, however old",
    )
    links.add_argument("--key", type=Path, help="the public key of the studio that signed the statement")
    links.add_argument(
        "--archive",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="into which streams were closed since; may be given again",
    )
    again = actions.add_parser("rebuild", help="fold the views again beside the live ones, compare and put right")
    again.add_argument("--compare-only", action="store_true", help="change nothing")
    views = [view.name for view in VIEWS]
    again.add_argument("--view", action="append", choices=views, help="only this view; may be given again")


def _add_guards(actions: Any) -> None:
    """What keeps the past from being changed, or from being changed unseen."""
    actions.add_parser("seal", help="put back the triggers that refuse to change an event")
    role = actions.add_parser("role", help="PostgreSQL: make a role to serve as that cannot change an event")
    role.add_argument("name", help="such as dayroll_server; one that is there gets the same rights")
    password = role.add_mutually_exclusive_group()
    password.add_argument("--password-variable", metavar="NAME", help="of the environment, with the role's password")
    password.add_argument("--password-file", type=Path, metavar="FILE", help="with a password for the role")
    head = actions.add_parser("head", help="print a signed statement of the log as it is now, to be kept elsewhere")
    head.add_argument("--streams", action="store_true", help="with the end of each stream, so that one can be named")
    actions.add_parser("remarks", help="list what people wrote in their own words, with the positions of the events")
    blot = actions.add_parser("blot", help="delete for good what a person wrote at an event; the chain stays whole")
    blot.add_argument("position", type=int, help="as `log remarks` says")
    actions.add_parser("key", help="print the studio's public key, making the pair if there is none")


def _add_ways_out_and_in(actions: Any) -> None:
    """What carries the log, or streams of it, elsewhere."""
    out = actions.add_parser("export", help="write the whole log, signed, as JSON lines")
    out.add_argument("file", type=Path, help="a new file")
    out.add_argument("--unsigned", action="store_true", help="without the studio's signature")
    into = actions.add_parser("import", help="take an exported file into an empty database")
    into.add_argument("file", type=Path)
    whose = into.add_mutually_exclusive_group(required=True)
    whose.add_argument("--key", type=Path, help="the public key of the studio that signed it")
    whose.add_argument("--without-key", action="store_true", help="take it, whoever signed it or did not")
    check = actions.add_parser("check", help="check an exported file, without any database")
    check.add_argument("file", type=Path)
    check.add_argument("--key", type=Path, help="the public key of the studio that signed it")
    close = actions.add_parser("close", help="move streams that are over into a new archive file, signed")
    close.add_argument("file", type=Path, help="a new file; keep it where backups are kept")
    close.add_argument("stream", nargs="+", help="such as run/spring")


def _given_key(options: dict[str, Any]) -> Ed25519PublicKey | None:
    return None if options["key"] is None else public_key(options["key"].read_text())


def _by_whom(key: Ed25519PublicKey | None) -> str:
    return "not checked against any key" if key is None else "signed by the holder of the key"


def _uncovered(statement: Statement) -> str:
    """What a statement of before positions were stated does not vouch for."""
    return "" if statement.order is not None else "; their order in the whole log is not covered by that"


def _judged(result: Rebuilt) -> str:
    if result.failure is not None:
        return f"failed: {result.failure}"
    if result.equal:
        return "equal" + (f", without {result.passed_over} entries that it cannot take" if result.passed_over else "")
    differing = "; ".join(
        f"{one.rows} rows of {one.table} differ, such as {', '.join(map(str, one.keys))}" for one in result.differences
    )
    return f"differ: {differing}"
