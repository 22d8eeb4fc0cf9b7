"""`dayroll node`: which boards may come in, and the codes by which others could."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from scheduling.log.models import Machine
from server import wiring
from server.accounts.at_terminal import at_the_terminal
from server.accounts.boards import boards_of, revoke_node
from server.accounts.enrolment import cancel_codes, make_code
from server.named_rows import row_named
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    names_fields = False
    help = "List the boards of machines and their codes, make or cancel codes, or shut a board out."
    example = "node code heron-1"

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        listing = actions.add_parser("list", help="each machine's board, and the codes that are still good")
        listing.add_argument("machine", nargs="?", help="only this machine's, with codes that are good no more, too")
        for name, does in (
            ("code", "make a one-time code for a board, and print it this once"),
            ("cancel", "make every code of a machine useless that nobody used"),
            ("revoke", "shut a board out: it may come in no more, and is told to print no more; its codes go, too"),
        ):
            actions.add_parser(name, help=does).add_argument("machine", help="id of the machine")

    def handle(self, *args: Any, action: str, machine: str | None, **options: Any) -> None:
        if action == "list":
            rows = Machine.objects.order_by("id") if machine is None else [row_named(Machine, machine)]
            self.stdout.writelines(f"{line}\n" for row in rows for line in _lines(row, every=machine is not None))
        elif action == "code":
            made = make_code(_known(machine), at_the_terminal())
            self.stdout.write(made.code)
            self.stderr.write(f"Good once, until {made.expires_at:%Y-%m-%d %H:%M} UTC: dayroll-node enrol asks for it.")
        elif action == "cancel":
            count = cancel_codes(_known(machine), "ordered", at_the_terminal())
            self.stderr.write(f"{count} of its codes {'is' if count == 1 else 'are'} good for nothing now.")
        else:
            revoke_node(_known(machine), at_the_terminal())
            self.stderr.write("Its board comes in no more. Enrol one with a new code to print on.")


def _known(machine: str | None) -> str:
    return str(row_named(Machine, machine or "").id)


def _lines(machine: Machine, *, every: bool) -> list[str]:
    found = boards_of(machine, wiring.now())
    state = "no board was ever enrolled" if not found.epoch else f"epoch {found.epoch}"
    if found.enrolled_at is not None:
        state += f"  enrolled {found.enrolled_at:%Y-%m-%d %H:%M} UTC"
    if found.revoked_at is not None:
        state += f"  revoked {found.revoked_at:%Y-%m-%d %H:%M} UTC"
    return [
        f"{found.machine}  {state}",
        *(
            f"  code:{code.id}  made {code.made_at:%Y-%m-%d %H:%M} UTC by {code.made_by or 'nobody knows whom'}"
            f"  {code.state}  until {code.expires_at:%Y-%m-%d %H:%M} UTC"
            for code in found.codes
            if every or code.state == "good"
        ),
    ]
