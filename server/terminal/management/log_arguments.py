"""What `dayroll log` is given at the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from scheduling.log.projections import VIEWS


def add_checks(actions: Any) -> None:
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
    again = actions.add_parser(
        "rebuild", help="fold the views again while the server goes on, compare, and put right what differs"
    )
    again.add_argument("--compare-only", action="store_true", help="change nothing")
    views = [view.name for view in VIEWS]
    again.add_argument("--view", action="append", choices=views, help="only this view; may be given again")


def add_guards(actions: Any) -> None:
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
    blot = actions.add_parser(
        "blot",
        help="delete for good what a person wrote at an event, as the owner of the tables; the chain stays whole",
    )
    blot.add_argument("position", type=int, help="as `log remarks` says")
    actions.add_parser("key", help="print the studio's public key, making the pair if there is none")


def add_ways_out_and_in(actions: Any) -> None:
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
