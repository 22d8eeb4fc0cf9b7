"""`dayroll log`: verify the log, fold the views again, guard it, and carry it elsewhere."""

from __future__ import annotations

import os
import time
from argparse import ArgumentParser
from collections.abc import Callable
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from django.conf import settings
from django.core.management.base import CommandError
from django.db import connections

from machines.errors import InputError
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.integrity import append_only
from scheduling.log.integrity.archive import TABLES, close_streams
from scheduling.log.integrity.held_against import hold_against, read_statement, state
from scheduling.log.integrity.remarks_checked import missing_remarks
from scheduling.log.integrity.role import prepare
from scheduling.log.integrity.signed_head import (
    Statement,
    check_signature,
    make_key,
    public_key,
    public_pem,
    studio_key,
)
from scheduling.log.integrity.transfer import check_file, export_log, import_log
from scheduling.log.integrity.verify import BrokenLink, verify
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding.comparing import Rebuilt
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.remarks import blot_out, remarks
from scheduling.log.store import last_position
from scheduling.log.wiping import wipe
from scheduling.sky.civil import instant_in_words
from server import wiring
from server.accounts.at_terminal import at_the_terminal
from server.environment import password_in
from server.terminal.closable import require_closable
from server.terminal.management.log_arguments import add_checks, add_guards, add_ways_out_and_in
from server.terminal_command import TerminalCommand

PROGRESS_EVERY_S = 1.0
# Where the studio's key lies as long as DAYROLL_LOG_KEY names no other place.
USUAL_KEY = "log-key.pem"


class Command(TerminalCommand):
    help = "Verify the log, fold the views again from it, guard it, or carry it elsewhere."
    example = "log verify"
    requires_system_checks = ()  # it is the remedy for one of them

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        add_checks(actions)
        add_guards(actions)
        add_ways_out_and_in(actions)

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        try:
            ACTIONS[action](self, options)
        except BrokenLink as error:
            raise CommandError(f"Broken: {error}.") from error

    def verify(self, options: dict[str, Any]) -> None:
        last, tell = last_position(), self.progress("verified")
        if options["against"] is not None:
            self.verify_against(options, lambda position: tell(position, last))
            return
        heads = verify(progress=lambda position: tell(position, last))
        self.stdout.write(f"{last} events in {len(heads)} streams, every link holds.")
        self.tell_missing_remarks()

    def verify_against(self, options: dict[str, Any], progress: Callable[[int], None]) -> None:
        signed, key = read_statement(options["against"]), _given_key(options)
        if key is not None:
            check_signature(signed, key)
        held = hold_against(signed.statement, archives=options["archive"], progress=progress)
        order = "in that order" if held.in_order else f"their order not checked: {held.why_not}"
        self.stdout.write(
            f"Every link holds. Stated at {instant_in_words(signed.statement.made_at)}, {_by_whom(key)}: all of its"
            f" {signed.statement.events} events are there, {order}; said since: {held.later}."
        )
        self.tell_missing_remarks()

    def tell_missing_remarks(self) -> None:
        """No event says that they were blotted out; an imported log may be without them."""
        if missing := missing_remarks():
            self.stdout.write(
                "What people wrote is missing, and no event says that it was blotted out, at these events:"
                f" {', '.join(map(str, missing))}. It was deleted past the program, or left out of a file that was"
                " imported."
            )

    def head(self, options: dict[str, Any]) -> None:
        last, tell = last_position(), self.progress("verified")
        signed = state(
            wiring.now(),
            key=_signing_key(),
            streams=options["streams"],
            progress=lambda position: tell(position, last),
        )
        self.stdout.write(canonical(signed.as_json()))

    def rebuild(self, options: dict[str, Any]) -> None:
        views = [view for view in VIEWS if options["view"] is None or view.name in options["view"]]
        results = rebuild(views=views, swap=not options["compare_only"], progress=self.doing())
        for result in results:
            self.stdout.write(f"{result.view:<10} {result.rows:>8} rows  {_judged(result)}")
        if not all(result.equal for result in results):
            raise CommandError("The live views were not what the log says.")

    def seal(self, options: dict[str, Any]) -> None:
        connection = connections["default"]
        missing = append_only.missing(connection)
        append_only.apply(connection)
        self.stdout.write(f"Sealed; {', '.join(missing)} had been missing." if missing else "It was sealed already.")

    def role(self, options: dict[str, Any]) -> None:
        variable = options["password_variable"]
        if variable is not None and variable not in os.environ:
            raise CommandError(f"{variable} is not in the environment; set it to the role's password.")
        file = options["password_file"]
        password = password_in(file) if file else os.environ[variable] if variable else None
        for statement in prepare(connections["default"], options["name"], password):
            self.stdout.write(f"{statement};")
        wanted = "" if password else f"it a password (\\password {options['name']} in psql) and "
        self.stdout.write(
            f"Give {wanted}the server its name in DAYROLL_DATABASE;"
            " run migrations, `log seal`, `log close`, `log blot`, and `log rebuild` where views differ, as the owner,"
            " as now."
        )

    def export(self, options: dict[str, Any]) -> None:
        last, tell = last_position(), self.progress("exported")
        key = None if options["unsigned"] else _signing_key()
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
            f" stated at {instant_in_words(signed.statement.made_at)}, {_by_whom(key)}{_uncovered(signed.statement)}."
        )

    def close(self, options: dict[str, Any]) -> None:
        key = _signing_key()
        signed = close_streams(options["stream"], options["file"], at_the_terminal(), key=key, require=require_closable)
        events, streams = signed.statement.events, len(signed.statement.heads)
        said = f"{events} event{'s' * (events > 1)} of {streams} stream{'s' * (streams > 1)} closed."
        self.stdout.write(said)
        self.tell_left(wipe(TABLES))

    def remarks(self, options: dict[str, Any]) -> None:
        for one in remarks():
            words = one.text or ("(blotted out)" if one.blotted_out else "(missing)")
            self.stdout.write(
                f"{one.position:>8}  {one.said_at:%Y-%m-%d %H:%M} UTC  {one.stream}  {one.actor}  {words}"
            )

    def blot(self, options: dict[str, Any]) -> None:
        blot_out(options["position"], at_the_terminal())
        self.stdout.write(
            "It is blotted out. Logs that were exported and backups that were made before still have it:"
            " delete them, too."
        )
        self.tell_left(wipe())

    def tell_left(self, left: str) -> None:
        """What still holds what was deleted, if anything does."""
        if left:
            self.stdout.write(left)

    def key(self, options: dict[str, Any]) -> None:
        if settings.LOG_KEY.parent == settings.HOME:
            self.stderr.write(
                f"{settings.LOG_KEY} lies in the server's own folder: whoever takes the server can sign with it."
                " Move it where only this command reads it, and name the place in DAYROLL_LOG_KEY."
            )
        _require_not_elsewhere()
        key = studio_key(settings.LOG_KEY) if settings.LOG_KEY.exists() else make_key(settings.LOG_KEY)
        self.stdout.write(public_pem(key), ending="")

    def progress(self, done: str) -> Callable[[int, int | None], None]:
        """Tells how far it is, no more often than people can read."""
        tell = self.now_and_then()
        return lambda position, last: tell(
            f"{done} {position} events" if last is None else f"{done} {position} of {last} events"
        )

    def doing(self) -> Callable[[str, int, int], None]:
        """Tells what is being done and how far it is, no more often than people can read."""
        tell = self.now_and_then()
        return lambda doing, done, of: tell(f"{doing}: {done} of {of}")

    def now_and_then(self) -> Callable[[str], None]:
        """Says a line, unless it said one just now."""
        told_at = time.monotonic()

        def tell(line: str) -> None:
            nonlocal told_at
            if time.monotonic() - told_at >= PROGRESS_EVERY_S:
                told_at = time.monotonic()
                self.stderr.write(line)

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


def _signing_key() -> Ed25519PrivateKey:
    """The studio's, which is never made on the way."""
    _require_not_elsewhere()
    return studio_key(settings.LOG_KEY)


def _require_not_elsewhere() -> None:
    """A log that was signed with a key in the server's folder is not gone on with by another unasked."""
    usual = settings.HOME / USUAL_KEY
    if not settings.LOG_KEY.exists() and usual.exists():
        problem = f"there is no key there, and the one that signed so far lies in {usual}"
        raise InputError(str(settings.LOG_KEY), problem, "move that file there; or away, if it never signed anything")


def _given_key(options: dict[str, Any]) -> Ed25519PublicKey | None:
    return None if options["key"] is None else public_key(options["key"].read_bytes())


def _by_whom(key: Ed25519PublicKey | None) -> str:
    return "not checked against any key" if key is None else "signed by the holder of the key"


def _uncovered(statement: Statement) -> str:
    """What a statement of before positions were stated does not vouch for."""
    return "" if statement.order is not None else "; their order in the whole log is not covered by that"


def _judged(result: Rebuilt) -> str:
    if result.failure is not None:
        return f"failed: {result.failure}"
    if result.equal:
        return "equal" + (
            f", without {result.entries_passed_over} entries that it cannot take" if result.entries_passed_over else ""
        )
    differing = "; ".join(
        f"{one.rows} rows of {one.table} differ, such as {', '.join(map(str, one.keys))}" for one in result.differences
    )
    return f"differ: {differing}"
