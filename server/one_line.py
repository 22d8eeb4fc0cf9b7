"""Log lines of what strangers do, which must fill no disk."""

from __future__ import annotations

import logging

LONGEST = 300


class OneLine(logging.Formatter):
    """A line, without a traceback, and no longer than a line."""

    def __init__(self, format: str) -> None:
        super().__init__(format)

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        message = record.getMessage()[:LONGEST]
        return super().format(
            logging.makeLogRecord(
                record.__dict__ | {"msg": message, "args": None, "exc_info": None, "exc_text": None, "stack_info": None}
            )
        )
