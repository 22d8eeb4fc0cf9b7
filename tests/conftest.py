"""Fixtures of the whole suite.

Temporary files lie in memory where there is room, the server's folder among them. The databases of the tests are a real
SQLite file with the server's own options and, under the alias ``postgres``, a real PostgreSQL, started once for all
workers when a test asks for it with ``@pytest.mark.postgres`` or a fixture.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Generator, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import hypothesis
import pytest

# A node flushes each line of its journal and a server each fact. On a disk a third of the suite's time would be waiting
# for it, and nothing of the tests has to last. Whoever sets TMPDIR has their files there.
IN_MEMORY, ROOM = Path("/dev/shm"), 2**30
if "TMPDIR" not in os.environ and IN_MEMORY.is_dir() and shutil.disk_usage(IN_MEMORY).free >= ROOM:
    os.environ["TMPDIR"] = tempfile.tempdir = str(IN_MEMORY)

HOME = Path(tempfile.mkdtemp(prefix="dayroll-tests-"))
os.environ["DAYROLL_HOME"] = str(HOME)
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

from django.conf import settings  # noqa: E402
from django.db import connections  # noqa: E402
from django.test import TransactionTestCase  # noqa: E402
from whitenoise.middleware import WhiteNoiseMiddleware  # noqa: E402

from scheduling.log.integrity import append_only  # noqa: E402
from tests import services  # noqa: E402

# No test judges how fast this machine is just now; that is what tests/benchmarks is for.
hypothesis.settings.register_profile("suite", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("suite")

POSTGRES_VARIABLE = "DAYROLL_TEST_POSTGRESQL"
_running = ExitStack()


def pytest_configure(config: pytest.Config) -> None:
    """Point the server at the temporary folder; with several workers, start what they share."""
    settings.HOME = HOME
    settings.DATABASES["default"] |= {"NAME": HOME / "dayroll.sqlite3", "TEST": {"NAME": HOME / "test.sqlite3"}}
    _read_databases_anew()
    if getattr(config.option, "numprocesses", None):
        _start_postgresql()
    elif hasattr(config, "workerinput"):
        _name_postgresql()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes longest begins first: at the end of the suite one worker would be at it alone for minutes."""
    items.sort(key=lambda item: "simulated" not in item.path.relative_to(Path(__file__).parent).parts)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Without workers, start PostgreSQL only if a test that was chosen needs it."""
    if any(item.get_closest_marker("postgres") for item in session.items):
        _start_postgresql()


def pytest_unconfigure(config: pytest.Config) -> None:
    """Stop what was started and leave nothing behind."""
    _running.close()
    shutil.rmtree(HOME, ignore_errors=True)


def _start_postgresql() -> None:
    """Start PostgreSQL unless it was started already, here or by the process that started this worker."""
    if POSTGRES_VARIABLE not in os.environ:
        os.environ[POSTGRES_VARIABLE] = _running.enter_context(services.postgresql())
        _running.callback(os.environ.pop, POSTGRES_VARIABLE)
    _name_postgresql()


def _name_postgresql() -> None:
    """Give Django the alias ``postgres``."""
    port = os.environ[POSTGRES_VARIABLE].rpartition(":")[2].partition("/")[0]
    settings.DATABASES["postgres"] = {
        "ENGINE": "django.db.backends.postgresql",
        "NAME": "dayroll",
        "USER": "postgres",
        "HOST": "127.0.0.1",
        "PORT": port,
    }
    _read_databases_anew()


def _read_databases_anew() -> None:
    """Django reads the databases' settings once, and may have done so before we changed them."""
    vars(connections).pop("settings", None)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: Any) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """With CI=true a skipped test is a failed one: what is not run is not shown."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and services.in_continuous_integration():
        report.outcome = "failed"
        report.longrepr = f"skipped, and with CI=true nothing may skip: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: Any) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a whole file."""
    report = yield
    if report.skipped and services.in_continuous_integration():
        report.outcome = "failed"
        report.longrepr = f"skipped, and with CI=true nothing may skip: {report.longrepr}"
    return report


@pytest.fixture(autouse=True, scope="session")
def _emptying_allowed() -> Iterator[None]:
    """Between transactional tests Django empties the tables. The triggers refuse that, so they are lifted for the
    moment; what follows the emptying puts them back (`scheduling.log.apps`)."""
    empty = TransactionTestCase._fixture_teardown

    def lift_and_empty(case: TransactionTestCase) -> None:
        for alias in case._databases_names(include_mirrors=False):
            append_only.lift(connections[alias])
        empty(case)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", lift_and_empty)
        yield


@pytest.fixture(autouse=True, scope="session")
def _static_files_read_once() -> Iterator[None]:
    """Each of Django's test clients makes the middleware anew, and with it WhiteNoise looks through every static file:
    a third of what a call costs. No test changes those files, so that the first look stands for all."""
    look = WhiteNoiseMiddleware.add_files_from_finders
    found: dict[str, Any] = {}

    def look_once(middleware: WhiteNoiseMiddleware) -> None:
        if not found:
            look(middleware)
            found.update(middleware.files)
        middleware.files.update(found)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(WhiteNoiseMiddleware, "add_files_from_finders", look_once)
        yield


@pytest.fixture(scope="session")
def postgres_url() -> str:
    """The address of the suite's PostgreSQL, for a process of its own; for a test marked ``postgres``."""
    return os.environ[POSTGRES_VARIABLE]


@pytest.fixture(scope="session")
def objects_server() -> Iterator[services.Objects]:
    """A real store of objects; one for each worker."""
    with services.objects() as store:
        yield store


@pytest.fixture
def objects(objects_server: services.Objects) -> services.Objects:
    """The same, running and empty."""
    objects_server.empty()
    return objects_server


@pytest.fixture(scope="session")
def redis_url() -> Iterator[str]:
    """The address of a real, empty Redis; one for each worker."""
    with services.redis() as url:
        yield url
