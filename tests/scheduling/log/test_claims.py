"""Claims on work: one at a time, let go of at the end, however it ends."""

from __future__ import annotations

import threading

import pytest
from django.db import ProgrammingError, connections

from scheduling.log.claims import claimed

BOTH = pytest.mark.parametrize("using", ["default", pytest.param("postgres", marks=pytest.mark.postgres)])
pytestmark = pytest.mark.django_db(databases=["default", "postgres"], transaction=True)


def is_free(what: str, using: str) -> bool:
    """Whether somebody with a connection of their own could claim it now."""
    found: list[bool] = []

    def ask() -> None:
        try:
            with claimed(what, using) as ours:
                found.append(ours)
        finally:
            connections.close_all()

    other = threading.Thread(target=ask)
    other.start()
    other.join()
    return found[0]


@BOTH
def test_what_is_claimed_is_nobody_elses_until_it_is_let_go(using: str) -> None:
    assert is_free("plan first", using)
    with claimed("plan first", using) as ours:
        assert ours
        assert not is_free("plan first", using)
        assert is_free("plan second", using)
    assert is_free("plan first", using)


@BOTH
def test_a_claim_ends_with_work_that_fails(using: str) -> None:
    with pytest.raises(RuntimeError), claimed("plan first", using):
        raise RuntimeError
    assert is_free("plan first", using)


@pytest.mark.postgres
def test_a_claim_ends_with_its_connection() -> None:
    """As of a process that is killed."""
    with claimed("plan first", "postgres") as ours:
        assert ours
        connections["postgres"].close()
        assert is_free("plan first", "postgres")
    assert is_free("plan first", "postgres")


@pytest.mark.postgres
def test_a_session_that_does_not_hold_its_claim_is_said_and_closed(caplog: pytest.LogCaptureFixture) -> None:
    """As where something in between hands sessions on: a claim left behind would keep its work from everybody."""
    with claimed("plan first", "postgres") as ours:
        assert ours
        with connections["postgres"].cursor() as cursor:
            cursor.execute("SELECT pg_advisory_unlock_all()")
    assert "claim on 'plan first' could not be let go of" in caplog.text
    assert connections["postgres"].connection is None


@pytest.mark.postgres
def test_a_connection_that_cannot_let_go_is_said_and_closed_and_so_lets_go(caplog: pytest.LogCaptureFixture) -> None:
    with claimed("plan first", "postgres") as ours:
        assert ours
        connections["postgres"].set_autocommit(False)
        with pytest.raises(ProgrammingError), connections["postgres"].cursor() as cursor:
            cursor.execute("SELECT nothing_like_it()")  # whatever is asked in this transaction now is refused
        assert not is_free("plan first", "postgres")
    assert "claim on 'plan first' could not be let go of" in caplog.text
    assert connections["postgres"].connection is None
    assert is_free("plan first", "postgres")


@BOTH
def test_what_is_let_go_of_is_no_news(using: str, caplog: pytest.LogCaptureFixture) -> None:
    with claimed("plan first", using):
        pass
    assert caplog.text == ""
