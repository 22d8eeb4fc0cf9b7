"""The machine that prints, of the console's tests."""

from tests.server.console.conftest import printing

__all__ = ["printing"]
