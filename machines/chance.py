"""Where comes from what nobody may foresee: tokens, codes, PINs and numbers of requests; and what keeps nodes apart.

A process takes it where it is put together and hands it on; nothing else asks the system for chance, but for a call of
a controller, which is nobody's secret, and for the server's own key, which is made before all else. It is the operating
system's, and nothing from outside can make it another.
"""

from __future__ import annotations

import base64
import secrets
import uuid
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Chance:
    """A source of chance.

    Attributes:
        octets: so many of them, each as likely as any other and none to be told from those before.
    """

    octets: Callable[[int], bytes]

    def in_hex(self, octets: int) -> str:
        """So many octets, in hexadecimal."""
        return self.octets(octets).hex()

    def in_text(self, octets: int) -> str:
        """So many octets, in letters that may stand in a header, an address and a name (RFC 4648 section 5)."""
        return base64.urlsafe_b64encode(self.octets(octets)).rstrip(b"=").decode()

    def letters(self, count: int, alphabet: str) -> str:
        """So many letters of an alphabet of at most 256, each as likely as any other."""
        fair = 256 - 256 % len(alphabet)  # an octet from here on would make the first letters likelier
        drawn = ""
        while len(drawn) < count:
            (octet,) = self.octets(1)
            drawn += alphabet[octet % len(alphabet)] if octet < fair else ""
        return drawn

    def number(self) -> str:
        """A number that nobody else draws, a UUID (RFC 9562 section 5.4)."""
        return str(uuid.UUID(bytes=self.octets(16), version=4))

    def share(self) -> float:
        """Anything from 0 up to but not including 1."""
        return (int.from_bytes(self.octets(7), "big") >> 3) / 2.0**53


SYSTEM = Chance(secrets.token_bytes)
