"""What commands at the server's terminal have in common: a failure is said in a sentence, and not as a traceback."""

from __future__ import annotations

from typing import Any, ClassVar

from django.core.management.base import BaseCommand, CommandError, CommandParser

from machines.errors import DayrollError


class TerminalCommand(BaseCommand):
    """A command of ours. Its help has an example, and none of the options that the framework gives each.

    Attributes:
        example: of how it is given, without ``dayroll`` before it.
        names_fields: whether it says of bad input where it stands; not where that is plain from what was typed.
    """

    example: ClassVar[str]
    names_fields: ClassVar[bool] = True
    suppressed_base_arguments: set[str] = {  # noqa: RUF012 - as the framework declares it
        "--version",
        "--verbosity",
        "--settings",
        "--pythonpath",
        "--traceback",
        "--no-color",
        "--force-color",
        "--skip-checks",
    }

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        """As people give it: with a hyphen, where Python's file has a line below."""
        parser = super().create_parser(prog_name, subcommand.replace("_", "-"), **kwargs)
        parser.epilog = f"For example: dayroll {self.example}"
        return parser

    def execute(self, *args: Any, **options: Any) -> str | None:
        """Carry it out.

        Raises:
            CommandError: it cannot be done, or a file cannot be read or written.
        """
        try:
            return super().execute(*args, **options)
        except DayrollError as error:
            raise CommandError(str(error) if self.names_fields else error.said) from error
        except OSError as error:
            raise CommandError(f"{error.filename}: {error.strerror}" if error.filename else str(error)) from error
