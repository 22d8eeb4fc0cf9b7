"""`dayroll`: Django's own command runner with the project's commands added."""

from __future__ import annotations

import os
import sys

from django.core.management import execute_from_command_line
from django.db.utils import OperationalError, ProgrammingError


def with_underscores(arguments: list[str]) -> list[str]:
    """The arguments with a command such as ``studio-key`` under the name of its module, ``studio_key``."""
    command = [name if name.startswith("-") else name.replace("-", "_") for name in arguments[:1]]
    return command + arguments[1:]


def main() -> None:
    """Run the command that the arguments name."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")
    try:
        execute_from_command_line(["dayroll", *with_underscores(sys.argv[1:])])
    except (OperationalError, ProgrammingError) as error:
        sys.exit(f"dayroll: the database does not answer: {error}\nIf it was never set up: dayroll migrate")


if __name__ == "__main__":
    main()
