"""`dayroll`: the project's commands, run by Django's own command runner beside its own."""

from __future__ import annotations

import os
import sys

import django
from django.core.exceptions import ImproperlyConfigured
from django.core.management import execute_from_command_line
from django.db.utils import OperationalError, ProgrammingError

from server.terminal.own_commands import overview


def with_underscores(arguments: list[str]) -> list[str]:
    """The arguments with a command such as ``studio-key`` under the name of its module, ``studio_key``."""
    command = [name if name.startswith("-") else name.replace("-", "_") for name in arguments[:1]]
    return command + arguments[1:]


def main() -> None:
    """Run the command that the arguments name, or say which there are."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")
    arguments = with_underscores(sys.argv[1:])
    try:
        if arguments in ([], ["help"], ["--help"], ["-h"]):
            django.setup()
            sys.stdout.write(f"{overview()}\n")
        else:
            execute_from_command_line(["dayroll", *(arguments[1:] if arguments[0] == "django" else arguments)])
    except ImproperlyConfigured as error:
        sys.exit(f"dayroll: {error}")
    except (OperationalError, ProgrammingError) as error:
        sys.exit(f"dayroll: the database does not answer: {error}\nIf it was never set up: dayroll migrate")


if __name__ == "__main__":
    main()
