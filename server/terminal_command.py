"""What commands at the server's terminal have in common: a failure is said in a sentence, and not as a traceback."""

from __future__ import annotations

from typing import Any, ClassVar

from django.core.management.base import BaseCommand, CommandError

from machines.errors import DayrollError


class TerminalCommand(BaseCommand):
    """A command of ours.

    Attributes:
        names_fields: whether it says of bad input where it stands; not where that is plain from what was typed.
    """

    names_fields: ClassVar[bool] = True

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
