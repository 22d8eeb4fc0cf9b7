"""`dayroll`: Django's own command runner with the project's commands added."""

from __future__ import annotations

import os
import sys

from django.core.management import execute_from_command_line


def main() -> None:
    """Run the command that the arguments name."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")
    execute_from_command_line(["dayroll", *sys.argv[1:]])


if __name__ == "__main__":
    main()
