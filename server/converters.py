"""What may stand in an address in place of an id or a digest. Anything else is no address."""

from __future__ import annotations


class Id:
    """What may be an id: of a thing that the studio named, or one made from such an id."""

    regex = "[a-z0-9-]{1,120}"

    def to_python(self, value: str) -> str:
        """As it stands."""
        return value

    def to_url(self, value: str) -> str:
        """As it stands."""
        return value


class Prefix(Id):
    """The visible part of a key."""

    regex = "[a-z]{1,20}_[0-9a-f]{1,40}"


class Digest(Id):
    """SHA-256 in hexadecimal."""

    regex = "[0-9a-f]{64}"
