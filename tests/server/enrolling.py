"""A board becomes the node of a machine, as a person does it while no agent runs."""

from __future__ import annotations

from pathlib import Path

from machines.node.store.journal import open_journal
from machines.node.sync.client import Client
from machines.node.work import takeover


def enrol(home: Path, server: str, code: str) -> None:
    """By a code, with a journal in a folder, new or not."""
    client, journal = Client(server), open_journal(home, create=True)
    enrolled = client.enrol(code)
    with journal.transaction() as db:
        takeover.enrol(db, enrolled.at(server), enrolled.earlier)
    journal.close()
    client.close()
