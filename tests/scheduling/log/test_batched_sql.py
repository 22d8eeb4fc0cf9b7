"""Several statements in one trip give what they give one by one, on both engines."""

from __future__ import annotations

import pytest
from django.db import DatabaseError, connections, transaction
from django.test.utils import CaptureQueriesContext

from scheduling.log import batched_sql
from scheduling.log.models import BrokenView
from tests.scheduling.log.facts import a_run_on_a_machine, printed, say

BOTH = pytest.mark.parametrize("using", ["default", pytest.param("postgres", marks=pytest.mark.postgres)])
pytestmark = pytest.mark.django_db(databases=["default", "postgres"])

PUT: batched_sql.Statement = (
    "INSERT INTO log_brokenview (view, position, problem) VALUES (%s, %s, %s)",
    ("runs", 7, "50 %"),
)
HOW_MANY: batched_sql.Statement = ("SELECT count(*) FROM log_brokenview", ())


@BOTH
def test_each_sees_what_those_before_it_did(using: str) -> None:
    asked: list[batched_sql.Statement] = [
        HOW_MANY,
        PUT,
        ("SELECT view, problem FROM log_brokenview WHERE position = %s", (7,)),
    ]
    assert batched_sql.run([*asked, HOW_MANY], using=using) == [[(0,)], [], [("runs", "50 %")], [(1,)]]
    assert batched_sql.run([], using=using) == []


@BOTH
def test_many_of_one_text_are_as_many_answers(using: str) -> None:
    many = [(PUT[0], (name, 7, "")) for name in ("runs", "machines", "notices")]
    take: batched_sql.Statement = ("DELETE FROM log_brokenview WHERE view = %s", ("machines",))
    found = batched_sql.run([*many, HOW_MANY, HOW_MANY, take, take, HOW_MANY], using=using)
    assert found == [[], [], [], [(3,)], [(3,)], [], [], [(2,)]]


@BOTH
def test_after_one_that_fails_nothing_is_run(using: str) -> None:
    with pytest.raises(DatabaseError), transaction.atomic(using=using):
        batched_sql.run([PUT, ("SELECT nothing FROM nowhere", ()), PUT], using=using)
    assert not BrokenView.objects.using(using).exists()


@BOTH
def test_without_binding_in_the_driver_they_go_one_by_one(using: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections[using].features, "uses_server_side_binding", True, raising=False)
    assert batched_sql.run([PUT, HOW_MANY], using=using) == [[], [(1,)]]


@pytest.mark.postgres
def test_a_report_costs_postgresql_few_trips() -> None:
    a_run_on_a_machine(0, using="postgres")
    with CaptureQueriesContext(connections["postgres"]) as asked:
        say("machine/left", printed(1, 0, 10), using="postgres")
    # To begin, the event, the rows of machine, run and segment, all that changed; two are the savepoint of the test's.
    assert len(asked) <= 6 + 2
