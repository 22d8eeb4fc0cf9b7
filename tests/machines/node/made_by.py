"""A journal as a program of an earlier version made it."""

from __future__ import annotations

from machines.node.store.journal_versions import SCHEMA_VERSION, VERSIONS


def made_by(version: int = SCHEMA_VERSION) -> str:
    """The statements that make one."""
    return "".join(VERSIONS[one] for one in sorted(VERSIONS) if one <= version) + f"PRAGMA user_version = {version};"
