"""What a person may set of a running node."""

from __future__ import annotations

from dataclasses import dataclass

from machines.errors import InputError
from machines.protocol.panel_address import panel_address, served_at


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a person may set.

    Attributes:
        horizon: how far ahead work is held, an ISO 8601 duration.
        columns_per_commit, resume_unattended: see `machines.node.printing.loop.Printer`.
        panel: address and port of the panel; None for no panel.
        panel_called: where people find it, where that is another address; None for that one.
        stop_without_pin: whether anybody in the panel's network may stop and pause the machine.
        battery_clock_ppm: how wrong the board's battery clock runs at most; None where it has none to be believed.
    """

    horizon: str = "PT168H"
    columns_per_commit: int = 1
    resume_unattended: bool = False
    panel: tuple[str, int] | None = None
    panel_called: str | None = None
    stop_without_pin: bool = False
    battery_clock_ppm: float | None = None

    def __post_init__(self) -> None:
        if self.columns_per_commit < 1:
            raise InputError("columns_per_commit", f"{self.columns_per_commit} columns", "give at least 1")
        if self.panel_called is not None:
            if self.panel is None:
                raise InputError("panel-called", "no panel is served", "give --panel, too")
            panel_address(self.panel_called)

    @property
    def panel_found_at(self) -> str | None:
        """Where people find the panel; None where that is not known."""
        return None if self.panel is None else self.panel_called or served_at(self.panel)
