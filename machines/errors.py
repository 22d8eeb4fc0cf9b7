"""The error that every door of this floor raises for bad input."""

from __future__ import annotations

from typing import Self


class InputError(ValueError):
    """Something given from outside cannot be used.

    Attributes:
        field: where it stands, a dotted path such as ``head.nozzles`` or ``geometry.coordinates[3]``.
        problem: what is wrong with it.
        remedy: what would be right.
    """

    def __init__(self, field: str, problem: str, remedy: str) -> None:
        super().__init__(f"{field}: {problem}; {remedy}")
        self.field = field
        self.problem = problem
        self.remedy = remedy

    def within(self, parent: str) -> Self:
        """The same error, seen from one level further out: the field's path begins with the parent's."""
        self.field = f"{parent}.{self.field}" if self.field else parent
        self.args = (f"{self.field}: {self.problem}; {self.remedy}",)
        return self


class UnknownChoice(InputError):
    """A text where one of some texts was wanted, and it is none of those known here: a newer program may know it."""
