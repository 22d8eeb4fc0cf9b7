"""What a client is told when the database cannot write: why, whether it helps to wait, and nothing is written."""

from __future__ import annotations

import json

import psycopg
import pytest
from django.db import InternalError, ProgrammingError, connection, connections

from scheduling.log.integrity.verify import verify
from scheduling.log.store import last_position
from server.api.problem_kinds import DISK_FULL, OUR_MISTAKE, UNAVAILABLE, ProblemKind
from server.api.problems import Problem, describe
from tests.server.api.test_bad_input import problem
from tests.server.studio import VENUE, Caller


def pragma(text: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"PRAGMA {text}")
        (value,) = cursor.fetchone()
        return int(value)


@pytest.mark.django_db(transaction=True)
def test_a_full_disk(studio: Caller) -> None:
    pragma(f"max_page_count = {pragma('page_count')}")
    written, answer = 0, None
    try:
        for number in range(400):
            before = last_position()
            answer = studio.post("venues", VENUE | {"id": f"quay-{number}"})
            if answer.status_code != 201:
                break
            written += 1
        assert answer is not None
        told = problem(answer, 507)
        assert last_position() == before
        verify()
    finally:
        pragma("max_page_count = 1000000")
    assert told["type"] == DISK_FULL.type
    studio.create("venues", VENUE | {"id": f"quay-{written}"})


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
def test_a_standby() -> None:
    with pytest.raises(InternalError) as told, connections["postgres"].cursor() as cursor:
        cursor.execute("SET TRANSACTION READ ONLY")
        cursor.execute("CREATE TABLE never (id bigint)")
    found = describe(told.value)
    assert (found.type, found.status) == (UNAVAILABLE.type, 503)
    assert int(found.headers["Retry-After"]) > 0


@pytest.mark.parametrize(
    ("cause", "told"),
    [
        (psycopg.errors.UndefinedTable, UNAVAILABLE),
        (psycopg.errors.UndefinedColumn, UNAVAILABLE),
        (psycopg.errors.SyntaxError, OUR_MISTAKE),
    ],
)
def test_tables_that_are_not_there_yet(cause: type[Exception], told: ProblemKind) -> None:
    error = ProgrammingError("odd")
    error.__cause__ = cause("odd")
    found = describe(error)
    assert (found.type, found.status) == (told.type, told.status)
    assert ("Retry-After" in found.headers) == (told is UNAVAILABLE)


def test_another_error_of_the_databases_own_is_our_mistake() -> None:
    error = InternalError("odd")
    error.__cause__ = psycopg.errors.InternalError_("odd")
    found: Problem = describe(error)
    assert found.type == OUR_MISTAKE.type
    assert "odd" not in json.dumps(found.members) + found.detail
