"""Fixtures of the server's tests: a clock that is held, a studio key, and a machine that is ready to print."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import django
import pytest
from pytest_django import DjangoDbBlocker

django.setup()  # pytest reads this file before its Django plugin is ready when this folder is named to it

from django.core.cache import cache  # noqa: E402

from scheduling.rendering.plate_store import PlateStore  # noqa: E402
from scheduling.rendering.upload_store import UploadStore  # noqa: E402
from server import wiring  # noqa: E402
from server.heavy import ANSWERS  # noqa: E402
from tests.server.furnished_once import FurnishedOnce, furnish_once, in_place_of_the_empty  # noqa: E402
from tests.server.keys import new_key  # noqa: E402
from tests.server.studio import Caller, HeldClock  # noqa: E402


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


@pytest.fixture(scope="session")
def furnished_once(
    django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory
) -> FurnishedOnce:
    with django_db_blocker.unblock():
        return furnish_once(tmp_path_factory.mktemp("furnished"))


@pytest.fixture(autouse=True)
def found(request: pytest.FixtureRequest) -> Iterator[FurnishedOnce | None]:
    """What stands in the database when the test begins: all that `furnished` says, where it is asked for. For every
    test, because such fixtures come first, and this must come before the transaction."""
    if "furnished" not in request.fixturenames:
        yield None
        return
    once: FurnishedOnce = request.getfixturevalue("furnished_once")
    with request.getfixturevalue("django_db_blocker").unblock(), in_place_of_the_empty(once.database):
        yield once


@pytest.fixture
def plates(found: FurnishedOnce | None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> PlateStore:
    store = PlateStore(tmp_path / "plates")
    if found:
        shutil.copytree(found.plates, tmp_path / "plates", dirs_exist_ok=True)
    monkeypatch.setattr(wiring, "plates", lambda: store)
    return store


@pytest.fixture
def uploads(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> UploadStore:
    store = UploadStore(tmp_path / "uploads")
    monkeypatch.setattr(wiring, "uploads", lambda: store)
    return store


@pytest.fixture
def studio(found: FurnishedOnce | None, db: None, clock: HeldClock, plates: PlateStore, uploads: UploadStore) -> Caller:
    """Somebody of the studio."""
    return Caller(found.key if found else new_key("tests"))


@pytest.fixture
def furnished(studio: Caller) -> Caller:
    """The studio, with one of everything added and the plans extended (`furnished_once.py`)."""
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
