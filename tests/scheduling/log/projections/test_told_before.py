"""What a machine told of a run before it was planned counts when it is, as if it had been planned all along."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.recovery import Policy
from scheduling.log.events import Event
from scheduling.log.models import NO_RUN, Outage, PrintedStretch, Run, Segment, Strip
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import run_at
from scheduling.log.rebuilding.rebuild import rebuild
from tests.scheduling.log.facts import (
    a_run_on_a_machine,
    cut,
    gap_settled,
    printed,
    run,
    say,
    segments,
)

TABLES = (Run, Segment, PrintedStretch, Strip, Outage)
NUMBERS = range(8)
TOLD = st.lists(
    st.one_of(
        st.lists(st.integers(0, 400), min_size=2, max_size=2).map(lambda two: ("printed", *sorted(two))),
        st.lists(st.integers(0, 400), min_size=3, max_size=3).map(lambda three: ("gap", *sorted(three))),
        st.integers(0, 400).map(lambda column: ("cut", column)),
    ),
    min_size=1,
    max_size=8,
)


def entry(seq: int, kind: str, *columns: int, policy: str) -> Event:
    if kind == "printed":
        return printed(seq, *columns, run="autumn")
    if kind == "cut":
        return cut(seq, *columns, run="autumn")
    facts = {"missing_since": run().starts_at}
    return gap_settled(seq, *columns, run="autumn", policy=Policy(kind=policy), facts=facts)  # type: ignore[arg-type]


def everything(using: str) -> list[list[dict[str, Any]]]:
    return [list(table.objects.using(using).order_by("pk").values()) for table in TABLES]


class ToldBeforeContract:
    using: str

    def say(self, stream: str, *events: Event) -> None:
        say(stream, *events, using=self.using)

    def views_equal_those_folded_again(self) -> bool:
        return all(result.equal for result in rebuild(swap=False, using=self.using))

    @settings(
        suppress_health_check=(HealthCheck.function_scoped_fixture, HealthCheck.differing_executors),
        deadline=None,
        max_examples=30,
    )
    @given(told=TOLD, before=st.integers(0, 8), policy=st.sampled_from(("skip", "blank", "replay", "shift")))
    def test_it_comes_to_the_same_whenever_the_run_is_planned(self, told: Any, before: int, policy: str) -> None:
        entries = [entry(seq, *one, policy=policy) for seq, one in enumerate(told, 1)]
        found = []
        for count in (before, 0):
            with transaction.atomic(using=self.using):
                a_run_on_a_machine(using=self.using)
                self.say("machine/left", *entries[:count])
                self.say("run/autumn", run(nozzle_seed=9))
                self.say("machine/left", *entries[count:])
                self.say("run/autumn", segments(*NUMBERS))
                assert self.views_equal_those_folded_again()
                found.append(everything(self.using))
                transaction.set_rollback(True, using=self.using)
        assert found[0] == found[1]

    def test_a_run_that_was_over_before_it_was_planned_is_over(self) -> None:
        a_run_on_a_machine(using=self.using)
        self.say("machine/left", printed(1, 0, 30, run="autumn"), gap_settled(2, 30, 32, 40, run="autumn"))
        self.say(
            "machine/left", *(printed(3 + index, 40 + 10 * index, 50 + 10 * index, run="autumn") for index in range(6))
        )
        self.say("machine/left", cut(9, 50, run="autumn"))
        self.say("run/autumn", run(end_column=100), segments(0, 1))
        row = Run.objects.using(self.using).get(id="autumn")
        assert (row.printed, row.skipped, row.unknown, row.ahead) == (90, 8, 2, [])
        states = Segment.objects.using(self.using).filter(run_id="autumn").order_by("number").values_list("state")
        assert [state for (state,) in states] == [Segment.PARTLY, Segment.PRINTED]
        assert Strip.objects.using(self.using).get(run_id="autumn").boundary == 50
        assert self.views_equal_those_folded_again()
        then = run_at("autumn", AsOf(), using=self.using)
        assert then is not None and (then.run.printed, then.run.skipped, len(then.strips)) == (90, 8, 1)

    def test_what_cannot_be_of_it_is_of_no_run(self) -> None:
        a_run_on_a_machine(using=self.using)
        self.say("machine/left", printed(1, 0, 30, run="autumn"), gap_settled(2, 30, 32, 40, run="autumn"))
        self.say("machine/left", printed(3, 40, 50, run="autumn"))
        self.say("run/autumn", run(without=(3, 4)), segments(0))
        row = Run.objects.using(self.using).get(id="autumn")
        assert (row.printed, row.skipped, row.unknown) == (10, 0, 0)
        stretches = PrintedStretch.objects.using(self.using).order_by("version").values_list("run_id", flat=True)
        assert list(stretches) == [NO_RUN, "autumn"]
        assert Outage.objects.using(self.using).get().run_id == NO_RUN
        assert self.views_equal_those_folded_again()

    def test_a_waiting_that_a_run_by_the_sky_cannot_have_stops_no_view(self) -> None:
        """As a log may have it whose server did not look."""
        a_run_on_a_machine(using=self.using)
        waiting = entry(1, "gap", 0, 2, 20, policy="shift")
        self.say("machine/left", waiting, printed(2, 20, 30, run="autumn"))
        self.say("run/autumn", run(cycle="lunar-day"), segments(0))
        row = Run.objects.using(self.using).get(id="autumn")
        assert (row.printed, row.shift_s) == (10, 0.0)
        assert self.views_equal_those_folded_again()


@pytest.mark.django_db
class TestToldBeforeOnSQLite(ToldBeforeContract):
    using = "default"


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
class TestToldBeforeOnPostgreSQL(ToldBeforeContract):
    using = "postgres"
