"""The errors of this project: what is wrong, and what helps.

Whoever stands at a door (a command at a terminal, the API, a page) catches `DayrollError` and says it; all else that
comes there is a mistake of this program.
"""

from __future__ import annotations

from typing import Self


class DayrollError(Exception):
    """Something that this project refuses or cannot do, as it says so to people.

    Attributes:
        problem: what is wrong.
        remedy: what would be right, or what to do; empty where nobody can tell.
    """

    def __init__(self, problem: str, remedy: str = "") -> None:
        self.problem = problem
        self.remedy = remedy

    @property
    def said(self) -> str:
        """Both, as a sentence without its full stop."""
        return f"{self.problem}; {self.remedy}" if self.remedy else self.problem

    def __str__(self) -> str:
        return self.said


class InputError(DayrollError, ValueError):
    """Something given from outside cannot be used.

    Attributes:
        field: where it stands, a dotted path such as ``head.nozzles`` or ``geometry.coordinates[3]``.
        problem: what is wrong with it.
        remedy: what would be right.
    """

    def __init__(self, field: str, problem: str, remedy: str) -> None:
        super().__init__(problem, remedy)
        self.field = field

    def __str__(self) -> str:
        return f"{self.field}: {self.said}"

    def within(self, parent: str) -> Self:
        """The same error, seen from one level further out: the field's path begins with the parent's."""
        self.field = f"{parent}.{self.field}" if self.field else parent
        return self


class UnknownChoice(InputError):
    """A text where one of some texts was wanted, and it is none of those known here: a newer program may know it."""


def require(holds: bool, field: str, problem: str, remedy: str) -> None:
    """Raise an InputError unless it holds."""
    if not holds:
        raise InputError(field, problem, remedy)
