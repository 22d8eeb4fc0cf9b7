"""Fixtures: a studio that is asked over real connections, and a journal with something to tell."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from machines.node.store import outbox
from machines.node.store.journal import Journal, open_journal
from machines.protocol.journal_entries import KnifeArmed
from tests.machines.node.relay import Studio, serving
from tests.machines.node.rig import HandClock, make_studio

AT = datetime(2026, 9, 21, tzinfo=UTC)


@pytest.fixture(scope="module")
def studio() -> Studio:
    return make_studio(HandClock())


@pytest.fixture(scope="module")
def url(studio: Studio) -> Iterator[str]:
    with serving(studio) as url:
        yield url


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        outbox.append(db, KnifeArmed(seq=1, at=AT))
    yield journal
    journal.close()
