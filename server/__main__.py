"""`dayroll`: Django's own command runner with the project's commands added."""

from __future__ import annotations

import os
import sys

from django.core.management import execute_from_command_line


def with_underscores(arguments: list[str]) -> list[str]:
    """The arguments with a command such as ``studio-key`` under the name of its module, ``studio_key``."""
    command = [name if name.startswith("-") else name.replace("-", "_") for name in arguments[:1]]
    return command + arguments[1:]


def main() -> None:
    """Run the command that the arguments name."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")
    execute_from_command_line(["dayroll", *with_underscores(sys.argv[1:])])


if __name__ == "__main__":
    main()
