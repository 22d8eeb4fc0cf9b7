"""Where a machine's panel is, for whoever stands beside it: what its board said, as text and as a QR code.

It is a board's word. It is shown, never called.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.safestring import SafeString

from machines.protocol.panel_address import told_panel_address
from scheduling.queries.machine_context import MachineContext
from server.console.qr_code import qr_svg


@dataclass(frozen=True)
class PanelPlace:
    """Where a panel is.

    Attributes:
        address: as one types it.
        code: the same as a QR code.
    """

    address: str
    code: SafeString


def panel_place(context: MachineContext) -> PanelPlace | None:
    """Of a machine; None where its board did not say, or says nothing that can be one."""
    heard = context.heartbeat
    said = None if heard is None else heard.status.get("panel")
    address = told_panel_address(said) if isinstance(said, str) else None
    return None if address is None else PanelPlace(address, qr_svg(address))
