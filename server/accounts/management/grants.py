"""What the commands that give somebody a role have in common."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from server.accounts.principals import ROLES, Grant
from server.accounts.roles import checked_standing

WHAT_ROLES_ARE = (
    "The studio changes everything. A curator fixes openings and service windows, sets hours and decides on open "
    "outages, at every venue or at those named only. A reader changes nothing."
)


def add_grant(parser: ArgumentParser) -> None:
    """The options for a role and its venues."""
    parser.add_argument("--role", choices=ROLES, required=True, help="what they may change")
    parser.add_argument(
        "--venue", action="append", default=[], metavar="ID", help="of a curator: only there; may be given again"
    )


def granted(options: dict[str, Any]) -> Grant:
    """What the options say.

    Raises:
        InputError: venues for another than a curator, or one that does not exist.
    """
    return checked_standing(options["role"], options["venue"])
