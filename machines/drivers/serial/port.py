"""The wire to a microcontroller: a serial device of this computer."""

from __future__ import annotations

from typing import Protocol

import serial


class Port(Protocol):
    """A wire for octets. Failures are `OSError`."""

    def read(self, timeout_s: float) -> bytes:
        """What has arrived; waits for the first octet, at most so long. Empty if none came."""

    def write(self, octets: bytes) -> None:
        """Send."""

    def close(self) -> None:
        """Give the wire back."""


class SerialPort:
    """A serial device of this computer, for this process alone."""

    def __init__(self, device: str, baud: int, write_limit_s: float = 1.0) -> None:
        """Open it, 8 data bits, no parity, 1 stop bit.

        Raises:
            OSError: it is not there, or another process has it.
        """
        self._serial = serial.Serial(device, baud, exclusive=True, write_timeout=write_limit_s)
        self._serial.reset_input_buffer()

    def read(self, timeout_s: float) -> bytes:
        """What has arrived."""
        self._serial.timeout = timeout_s
        return bytes(self._serial.read(max(1, self._serial.in_waiting)))

    def write(self, octets: bytes) -> None:
        """Send."""
        self._serial.write(octets)

    def close(self) -> None:
        """Close the device."""
        self._serial.close()
