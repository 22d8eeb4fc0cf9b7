"""Fixtures of the server's tests: a clock that is held, a studio key, and a machine that is ready to print."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import django
import pytest

django.setup()  # pytest reads this file before its Django plugin is ready when this folder is named to it

from django.core.cache import cache  # noqa: E402

from scheduling.rendering.plate_store import PlateStore  # noqa: E402
from scheduling.rendering.upload_store import UploadStore  # noqa: E402
from server import jobs, wiring  # noqa: E402
from server.heavy import ANSWERS  # noqa: E402
from tests.server.keys import new_key  # noqa: E402
from tests.server.studio import IN_ORDER, Caller, HeldClock  # noqa: E402


@pytest.fixture(autouse=True)
def _no_wrong_tries() -> None:
    """What one test tried in vain is not held against the next."""
    cache.clear()


@pytest.fixture(autouse=True)
def _nothing_kept() -> None:
    """What was made for one test is not shown in the next."""
    ANSWERS.forget()


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> HeldClock:
    held = HeldClock()
    monkeypatch.setattr(wiring, "clock", lambda: held)
    return held


@pytest.fixture
def plates(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> PlateStore:
    store = PlateStore(tmp_path / "plates")
    monkeypatch.setattr(wiring, "plates", lambda: store)
    return store


@pytest.fixture
def uploads(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> UploadStore:
    store = UploadStore(tmp_path / "uploads")
    monkeypatch.setattr(wiring, "uploads", lambda: store)
    return store


@pytest.fixture
def studio(db: None, clock: HeldClock, plates: PlateStore, uploads: UploadStore) -> Caller:
    """Somebody of the studio."""
    return Caller(new_key("tests"))


@pytest.fixture
def furnished(studio: Caller) -> Caller:
    """The studio, with one of everything added and the plans extended."""
    for resource, body in IN_ORDER:
        studio.create(resource, body)
    assert jobs.extend() > 0
    return studio


@pytest.fixture
def node(furnished: Caller) -> Iterator[Caller]:
    """The node of the one machine, enrolled."""
    yield Caller(enrol(furnished)["token"])


def enrol(studio: Caller, machine: str = "wren-1") -> dict[str, object]:
    """Make a board the node of a machine, by a code, as a board does it."""
    code = studio.post(f"machines/{machine}/enrolment").json()["code"]
    response = Caller().post("node/enrol", {"code": code})
    assert response.status_code == 200, response.content
    return dict(response.json())
