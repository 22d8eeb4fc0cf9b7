"""What is open, what each way to settle it would mean, and a person's word on it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.protocol.journal_entries import ConditionsChanged, GapSettled, NodeStarted, OperatorActed, TrueAgain
from machines.protocol.messages import pace
from machines.recovery import Columns, Decision, Gap, Limit, Pace, Policy, Rule, Span, settle
from scheduling.background.extend_plans import extend_plans
from scheduling.commands.override import NothingOpen, override_outage, override_run
from scheduling.log.events.server import SilenceBegan, SilenceEnded
from scheduling.log.models import Event, Machine, Notice, Outage, Override, Run, Segment
from scheduling.log.remarks import text_of
from scheduling.log.store import Append, append
from scheduling.nodes.reports import take
from scheduling.outages.open_outage import OpenOutage, gap_now, next_column, open_outage
from scheduling.outages.options import RuleOptions, Seam, choices, parts_of, seams
from scheduling.outages.overrides import active_override
from scheduling.outages.words_passed_over import words_passed_over
from scheduling.planning.days_spans import DAYS
from scheduling.planning.opening_hours import DateHours, Hours, OpenSpan, Week
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import run_work
from scheduling.rendering.plate_store import PlateStore
from tests.scheduling.house import NOON, batch, by, long_after, plan, printed, ready, set_hours, small_profile, started

pytestmark = pytest.mark.django_db
SKIP, REPLAY = Rule(kind="skip"), Rule(kind="replay")
LIMIT = Limit(value=1.0, unit="hours")


def at(hours: float) -> datetime:
    return NOON + timedelta(hours=hours)


def later(hours: float) -> Any:
    return by(at=at(hours))


def first_columns(count: int) -> tuple[int, int]:
    run = Run.objects.get()
    return run.first_column, run.first_column + count


def lay(seq: int, count: int, hours: float = 0.0) -> Any:
    """The first columns of the run, as many as its first segment holds."""
    segment = Segment.objects.order_by("number")[0]
    first, end = first_columns(count)
    end = min(end, segment.end_column)
    return replace(printed(seq, segment.number, first, end, end - first), at=at(hours))


def silent(hours: float = 2.0) -> None:
    append([Append("machine/one", None, [SilenceBegan(last_heard_at=at(hours - 1))])], later(hours))


def settled(seq: int, hours: float, rule: Rule = REPLAY, **facts: Any) -> GapSettled:
    run = Run.objects.get()
    first = next_column(run)
    gap = Gap(first=first, unknown_end=first, end=first + 40, cause="power", noticed_at=at(hours), **facts)
    decision = settle(Policy(**vars(rule)), gap, pace(small_profile(), run_work(run)))
    return GapSettled(
        seq=seq, at=at(hours), run="first", gap=gap, policy=Policy(**vars(rule)), decision=decision, paper_position=9
    )


def outage_at(hours: float) -> OpenOutage | None:
    return open_outage(machine_context(Machine.objects.get(id="one"), at(hours)))


def is_open(hours: float = 3.0) -> OpenOutage:
    found = outage_at(hours)
    assert found is not None
    return found


# What is open.


def test_nothing_is_open_while_all_is_well(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), lay(2, 4)), long_after())
    assert outage_at(3) is None


def test_a_silence_is_open_until_the_machine_is_heard(tmp_path: Path) -> None:
    ready(tmp_path)
    silent(2.0)
    assert (is_open().because, is_open().since, is_open().outage) == ("silence", at(1), None)
    append([Append("machine/one", None, [SilenceEnded(silent_s=60.0)])], later(3))
    assert outage_at(3) is None


@pytest.mark.parametrize("action", ["stop", "pause", "park"])
def test_a_hold_is_open_until_the_machine_goes_on(tmp_path: Path, action: Any) -> None:
    ready(tmp_path)
    take("one", batch(started(), OperatorActed(seq=2, at=at(1), action=action)), long_after())
    assert (is_open().because, is_open().since) == ("hold", at(1))
    take("one", batch(OperatorActed(seq=3, at=at(2), action="resume")), long_after())
    assert outage_at(3) is None


def test_an_unplanned_stop_is_open_until_the_gap_is_settled(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(NodeStarted(seq=1, at=at(1), unplanned_stop=True)), long_after())
    assert is_open().because == "hold"
    take("one", batch(settled(2, 2.0, SKIP)), long_after())
    assert outage_at(3) is None


def test_a_machine_that_goes_on_by_itself_can_be_decided_on_until_it_settles_what_it_missed(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(NodeStarted(seq=1, at=at(1), unplanned_stop=True, goes_on=True)), long_after())
    assert (is_open().because, is_open().since) == ("settling", at(1))
    assert override_run(Run.objects.get(), SKIP, None, later(2), SYSTEM).because == "settling"
    take("one", batch(settled(2, 2.5, SKIP)), long_after())
    assert outage_at(3) is None


def test_a_machine_that_goes_on_by_itself_and_missed_nothing_has_nothing_to_decide(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(NodeStarted(seq=1, at=at(-1), unplanned_stop=True, goes_on=True)), long_after())
    assert outage_at(0) is None


def test_a_replay_is_open_until_the_machine_is_true_again(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    take("one", batch(started(), settled(2, 2.0)), long_after())
    assert (is_open().because, is_open().since) == ("replay", at(2))
    assert is_open().outage == Outage.objects.get()
    take("one", batch(TrueAgain(seq=3, at=at(9), run="first", column=first_columns(90)[1])), long_after())
    assert outage_at(9) is None


def test_a_machine_on_no_run_has_nothing_to_decide(tmp_path: Path) -> None:
    ready(tmp_path)
    Run.objects.update(printed=10_000_000)
    silent()
    assert outage_at(3) is None


# What is missing, as far as is known.


def test_the_gap_reaches_from_what_was_reported_to_what_is_due(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    clipped, whole = Segment.objects.order_by("number")[:2]
    half = printed(3, whole.number, whole.first_column, whole.first_column + 3, 3)
    take("one", batch(started(), lay(2, 5), half), long_after())
    silent(2.0)
    gap, run = gap_now(is_open(), at(2.0), plates), Run.objects.get()
    assert clipped.end_column == whole.first_column
    assert (gap.first, gap.unknown_end) == (whole.first_column + 3, whole.first_column + 3)
    assert gap.end % 4 == 0
    assert 20 <= gap.end - run.first_column <= 24  # two hours of ten columns, up to a whole burst
    assert gap.missing_since is not None
    assert abs(gap.missing_since - at((gap.first - run.first_column) / 10)) < timedelta(minutes=8)
    assert gap.segment == Columns(first=whole.first_column, end=whole.end_column)
    assert gap.dots_per_column is not None
    assert 0 < gap.dots_per_column < small_profile().dots_across


def test_a_timeline_that_waited_is_due_less(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    silent(2.0)
    before = gap_now(is_open(), at(2.0), plates)
    Run.objects.update(shift_s=3600.0, shifts=[[0, 3600.0]])
    after = gap_now(is_open(), at(2.0), plates)
    assert before.end - after.end in (8, 12)  # an hour is ten columns, and a burst is four
    assert after.missing_since is not None and before.missing_since is not None
    assert after.missing_since - before.missing_since == timedelta(hours=1)


def test_what_is_to_be_printed_again_is_missing_too(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    take("one", batch(started(), lay(2, 4)), long_after())
    first = Run.objects.get().first_column
    Segment.objects.filter(first_column=first).update(again=[[first + 1, first + 4]])
    silent()
    assert gap_now(is_open(), at(2), plates).first == first + 1


def test_the_cause_is_what_the_node_will_name(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    silent()
    assert gap_now(is_open(), at(3), plates).cause == "power"
    take("one", batch(started(), OperatorActed(seq=2, at=at(2), action="park")), long_after())
    assert gap_now(is_open(), at(3), plates).cause == "service"
    jam = ConditionsChanged(seq=3, at=at(2.5), keywords=("media-jam-error",))
    take("one", batch(jam), long_after())
    assert gap_now(is_open(), at(3), plates).cause == "jam"


def test_a_jam_is_open_until_a_person_lets_the_machine_go_on(tmp_path: Path) -> None:
    ready(tmp_path)
    jam, cleared = (ConditionsChanged(seq=s, at=at(s - 1), keywords=k) for s, k in ((2, ("media-jam-error",)), (3, ())))
    take("one", batch(started(), jam), long_after())
    assert (is_open().because, is_open().since) == ("hold", at(1))
    take("one", batch(cleared), long_after())
    assert is_open().because == "hold"
    take("one", batch(OperatorActed(seq=4, at=at(2.5), action="resume")), long_after())
    assert outage_at(3) is None


def test_closed_hours_are_told_whole(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    silent()
    assert gap_now(is_open(), at(3), plates).closed == ()
    set_hours("shed", Hours(week=Week()), by())
    (span,) = gap_now(is_open(), at(3), plates).closed
    assert span.starts_at <= at(3) < span.ends_at


@pytest.mark.parametrize(("days", "known"), [(30, True), (32, False)])
def test_closed_hours_are_looked_for_a_month_ahead(tmp_path: Path, days: int, known: bool) -> None:
    """A venue that never closes but on one day: known while that is no more than 31 days from now."""
    plates = ready(tmp_path)
    silent()
    always = (OpenSpan(opens="00:00", closes="24:00"),)
    closed = DateHours(date=(at(3) + timedelta(days=days)).date().isoformat())
    set_hours("shed", Hours(week=Week(**dict.fromkeys(DAYS, always)), dates=(closed,)), by())
    assert bool(gap_now(is_open(), at(3), plates).closed) == known


# The choices.


def test_every_choice_says_what_it_would_mean(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    take("one", batch(started(), lay(2, 3)), long_after())
    silent()
    found = choices(is_open(), at(8), plates, RuleOptions(within=LIMIT))
    by_kind = {None if one.rule is None else one.rule.kind: one for one in found.choices}
    assert list(by_kind) == [None, "skip", "blank", "replay", "replay-within"]  # the sky waits for nobody: no shift
    missing = found.gap.end - found.gap.first
    decided: dict[Any, Decision] = {kind: one.decision for kind, one in by_kind.items()}  # type: ignore[misc]
    assert decided[None] == decided["skip"]
    assert (decided["skip"].paper_mm, decided["skip"].ink_ml, decided["skip"].hours_until_true) == (0.0, 0.0, 0.0)
    assert decided["blank"].paper_mm == decided["replay"].paper_mm == pytest.approx(missing * 0.5)
    assert decided["replay"].hours_until_true == pytest.approx(missing / 30, rel=1e-3)  # 40 columns an hour and 10
    assert decided["replay-within"].paper_mm == pytest.approx(len(decided["replay-within"].replayed) * 0.5)
    assert 0 < len(decided["replay-within"].replayed) <= 10
    assert (decided["replay"].ink_ml or 0) > (decided["replay-within"].ink_ml or 0) > 0


def test_a_choice_that_cannot_be_kept_says_why(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    silent()
    found = choices(is_open(), at(8), plates, RuleOptions(within=LIMIT, only_while_closed=True))
    replay = found.choices[3]
    assert (replay.decision, "nobody knows when The shed is closed" in replay.problem) == (None, True)
    assert found.choices[1].decision is not None  # nothing is printed late there


def test_a_plain_period_may_also_wait(tmp_path: Path) -> None:
    plates = ready(tmp_path, cycle="period", cycle_options={"seconds": 86400, "epoch": NOON.isoformat()})
    silent()
    waits = choices(is_open(), at(8), plates, RuleOptions(within=LIMIT)).choices[-1]
    assert waits.rule == Rule(kind="shift")
    assert waits.decision is not None
    assert waits.decision.shift_s == pytest.approx(8 * 3600, abs=1500)
    assert waits.seams == ()
    assert waits.runs_into is None


@pytest.mark.parametrize(("begins_h", "by_h"), [(31, 7), (37, 1), (39, None)])
def test_a_timeline_that_waits_into_the_next_run_is_seen(tmp_path: Path, begins_h: int, by_h: int | None) -> None:
    period = {"cycle": "period", "cycle_options": {"seconds": 86400, "epoch": NOON.isoformat()}}
    plates = ready(tmp_path, **period)
    plan(id="second", starts_at=at(begins_h).isoformat(), ends_at=at(begins_h + 9).isoformat(), **period)
    silent()
    found = {
        one.rule and one.rule.kind: one for one in choices(is_open(), at(8), plates, RuleOptions(within=LIMIT)).choices
    }
    into = found["shift"].runs_into
    assert (None if into is None else round(into.by / timedelta(hours=1))) == by_h
    assert into is None or (into.run, into.starts_at) == ("second", at(begins_h))
    assert found["replay"].runs_into is None, "catching up moves nothing that follows"


@pytest.mark.parametrize(("begins_h", "by_h"), [(31, 7), (37, 1), (39, None)])
def test_what_a_timeline_has_waited_before_counts_once(tmp_path: Path, begins_h: int, by_h: int | None) -> None:
    """Two hours before, and so six now: whether it ran into the next run by these two already, or not."""
    period = {"cycle": "period", "cycle_options": {"seconds": 86400, "epoch": NOON.isoformat()}}
    plates = ready(tmp_path, **period)
    plan(id="second", starts_at=at(begins_h).isoformat(), ends_at=at(begins_h + 9).isoformat(), **period)
    first = Run.objects.filter(id="first")
    first.update(shift_s=7200.0, shifts=[[first.get().first_column, 7200.0]], ends_at=at(32))
    silent()
    waits = choices(is_open(), at(8), plates, RuleOptions(within=LIMIT)).choices[-1]
    assert waits.decision is not None and waits.decision.shift_s == pytest.approx(6 * 3600, abs=1500)
    into = waits.runs_into
    assert (None if into is None else round(into.by / timedelta(hours=1))) == by_h
    assert into is None or (into.run, into.starts_at) == ("second", at(begins_h))


def columns(first: int, end: int) -> Columns:
    return Columns(first=first, end=end)


def decided(rule: Rule, segment: Columns | None = None, unknown: int = 0) -> tuple[Gap, Decision]:
    gap = Gap(
        first=10, unknown_end=10 + unknown, end=100, cause="power", noticed_at=NOON, segment=segment, missing_since=NOON
    )
    its_pace = Pace(nominal_columns_per_s=1 / 360, highest_columns_per_s=4 / 360, columns_per_burst=4)
    return gap, settle(Policy(**vars(rule)), gap, its_pace)


@pytest.mark.parametrize(
    ("rule", "unknown", "expected"),
    [
        (SKIP, 0, [Seam(9, 100, 0)]),
        (SKIP, 3, [Seam(12, 100, 3)]),
        (REPLAY, 0, []),
        (Rule(kind="blank"), 0, []),
        (Rule(kind="replay-within", within=Limit(value=2, unit="hours")), 0, [Seam(9, 80, 0)]),
        (Rule(kind="skip", half_printed="finish"), 0, [Seam(49, 100, 40)]),
        (Rule(kind="replay", half_printed="abandon"), 0, [Seam(9, 50, 0)]),
        (Rule(kind="replay", half_printed="again"), 2, [Seam(11, 0, 2)]),
    ],
)
def test_where_the_seams_fall(rule: Rule, unknown: int, expected: list[Seam]) -> None:
    gap, decision = decided(rule, segment=columns(0, 50), unknown=unknown)
    assert list(seams(parts_of(decision), gap)) == expected


@given(
    kind=st.sampled_from(["skip", "blank", "replay", "replay-within", "shift"]),
    half_printed=st.sampled_from(["as-the-rest", "finish", "abandon", "again"]),
    unknown=st.integers(0, 60),
    hours=st.floats(0.1, 20),
)
def test_the_paper_is_what_the_parts_take(kind: Any, half_printed: Any, unknown: int, hours: float) -> None:
    limit = Limit(value=hours, unit="hours") if kind == "replay-within" else None
    segment = columns(0, max(50, 10 + unknown))
    gap, decision = decided(Rule(kind=kind, half_printed=half_printed, within=limit), segment, unknown)
    parts = parts_of(decision)
    on_paper = sum(len(part.columns) for part in parts)
    left_out = 0 if decision.action == "blank" else len(decision.skipped)
    assert on_paper + left_out == gap.end - gap.first + len(decision.again)
    for seam in seams(parts, gap):
        assert seam.before + 1 != seam.after
        assert 0 <= seam.place <= on_paper


# A person's word.


def said_to_be_passed_over() -> list[str]:
    told = Notice.objects.filter(kind="word-passed-over", cleared_at=None).values_list("said", flat=True)
    word = Override.objects.order_by("-given_at")[0]
    assert bool(told) == (word.passed_over_at is not None)
    return list(told)


def test_a_replay_is_over_with_its_run(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    take("one", batch(started(), settled(2, 2.0)), long_after())
    take("one", batch(TrueAgain(seq=3, at=at(31), run="first", column=Run.objects.get().end_column)), long_after())
    assert Outage.objects.get().true_again_at == at(31)
    assert outage_at(31) is None
    assert not Notice.objects.filter(cleared_at=None).exists()


def test_a_word_is_kept_and_waits_for_the_node(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    word = override_run(Run.objects.get(), Rule(kind="blank"), "the paper is torn", later(3), SYSTEM)
    assert (word.because, text_of(word.remark), word.rule["kind"], word.given_at) == (
        "silence",
        "the paper is torn",
        "blank",
        at(3),
    )
    standing = active_override(Run.objects.get())
    assert standing is not None
    assert (standing.id, standing.rule) == (word.id, Rule(kind="blank"))
    event = Event.objects.get(kind="outage-overridden")
    assert (event.stream, f"one-{event.version}", event.run) == ("machine/one", word.id, "first")


def test_the_newest_word_counts(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    second = override_run(Run.objects.get(), REPLAY, None, later(4), SYSTEM)
    standing = active_override(Run.objects.get())
    assert standing is not None
    assert standing.id == second.id != Override.objects.order_by("given_at")[0].id


def test_nothing_open_is_nothing_to_decide(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), lay(2, 4)), long_after())
    with pytest.raises(NothingOpen, match="nothing is open on machine 'one'"):
        override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    assert not Event.objects.filter(kind="outage-overridden").exists()


def test_a_hold_in_which_nothing_is_missing_yet_is_not_decided(tmp_path: Path) -> None:
    """A board that is told of a gap takes a word that was given before the gap for one on an earlier outage."""
    ready(tmp_path)
    take("one", batch(started(), lay(2, 4), OperatorActed(seq=3, at=at(0.1), action="pause")), long_after())
    with pytest.raises(NothingOpen, match=r"nothing is missing on machine 'one' yet: .* due at .* 13:1"):
        override_run(Run.objects.get(), SKIP, None, later(0.1), SYSTEM)
    assert override_run(Run.objects.get(), SKIP, None, later(0.5), SYSTEM).because == "hold"


def test_an_outage_that_is_over_is_not_decided_again(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), settled(2, 2.0, SKIP)), long_after())
    with pytest.raises(
        NothingOpen, match=r"outage 'one-\d+' is settled, and the machine was true .* 15:00 \(Europe/Lisbon\)"
    ):
        override_outage(Outage.objects.get(), REPLAY, None, later(3), SYSTEM)


def test_a_replay_may_be_broken_off(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    take("one", batch(started(), settled(2, 2.0)), long_after())
    outage = Outage.objects.get()
    word = override_outage(outage, SKIP, "the opening is tonight", later(3), SYSTEM)
    assert (word.because, word.outage) == ("replay", outage.id)


def test_a_run_that_the_machine_is_not_on_is_not_decided(tmp_path: Path) -> None:
    ready(tmp_path)
    plan(id="second", starts_at=at(40).isoformat(), ends_at=at(50).isoformat())
    silent()
    with pytest.raises(NothingOpen, match="not on run 'second' but on 'first'"):
        override_run(Run.objects.get(id="second"), SKIP, None, later(3), SYSTEM)


@pytest.mark.parametrize(
    ("rule", "reason", "field"),
    [
        (Rule(kind="shift"), None, "rule.kind"),
        (Rule(kind="replay", only_while_closed=True), None, "rule.only_while_closed"),
        (SKIP, "x" * 501, "reason"),
    ],
)
def test_a_word_that_cannot_be_kept_names_the_field(tmp_path: Path, rule: Rule, reason: Any, field: str) -> None:
    ready(tmp_path)
    silent()
    with pytest.raises(InputError) as refused:
        override_run(Run.objects.get(), rule, reason, later(3), SYSTEM)
    assert refused.value.field == field
    assert not Override.objects.exists()


def test_a_word_stands_until_a_gap_is_settled_by_it(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    word = active_override(Run.objects.get())
    take("one", batch(started(), settled(2, 4.0, SKIP, override=word)), long_after())
    assert active_override(Run.objects.get()) is None
    assert not said_to_be_passed_over()
    outage = Outage.objects.get()
    assert (outage.override, Override.objects.get().used_by) == (word.id if word else None, outage.id)


def test_a_word_lapses_when_the_machine_printed_on_all_the_while(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    take("one", batch(started(), lay(2, 2, hours=2.9)), long_after())
    assert active_override(Run.objects.get()) is not None  # laid before the word
    assert not said_to_be_passed_over()
    take("one", batch(lay(3, 4, hours=3.1)), long_after())
    assert active_override(Run.objects.get()) is None
    assert said_to_be_passed_over() == [
        "the decision of 2026-10-24 15:00:00 UTC on run first was passed over: nothing was missing, as the machine had"
        " printed on"
    ]


def test_a_word_still_counts_where_columns_were_laid_in_the_very_moment_in_which_it_was_given(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    take("one", batch(started(), lay(2, 2, hours=3.0)), long_after())
    assert active_override(Run.objects.get()) is not None
    assert not said_to_be_passed_over()


@pytest.mark.parametrize(("settled_h", "stands"), [(3.0, True), (3.0 + 1 / 3600, False)])
def test_a_word_is_not_about_what_was_settled_in_the_very_moment_in_which_it_was_given(
    tmp_path: Path, settled_h: float, stands: bool
) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    take("one", batch(started(), settled(2, settled_h, SKIP)), long_after())
    assert (active_override(Run.objects.get()) is not None) == stands
    assert bool(said_to_be_passed_over()) != stands


def test_a_word_on_a_replay_stands_while_columns_are_printed_late_and_lapses_when_it_is_over(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    take("one", batch(started(), settled(2, 2.0)), long_after())
    override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    take("one", batch(lay(3, 4, hours=3.5)), long_after())
    assert active_override(Run.objects.get()) is not None
    assert not said_to_be_passed_over()
    take("one", batch(TrueAgain(seq=4, at=at(4), run="first", column=first_columns(90)[1])), long_after())
    assert active_override(Run.objects.get()) is None
    (said,) = said_to_be_passed_over()
    assert said.endswith(
        "passed over: the outage had been settled at 2026-10-24 14:00:00 UTC, and nothing was left of it to decide when"
        " the board could have followed"
    )


def test_a_word_lapses_when_the_node_settled_without_it(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    take("one", batch(started(), settled(2, 4.0, SKIP)), long_after())
    assert active_override(Run.objects.get()) is None
    (said,) = said_to_be_passed_over()
    assert said.endswith(
        "passed over: the outage was settled at 2026-10-24 16:00:00 UTC, and the board had not fetched it by then"
    )
    assert Override.objects.get().passed_over_at == at(4)


@pytest.mark.parametrize("at_once", [True, False])
def test_a_word_on_an_outage_that_was_settled_before_it_and_is_told_after_it_is_passed_over(
    tmp_path: Path, at_once: bool
) -> None:
    """The board came back, settled, and printed on, all or some of it out of reach."""
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    on = Run.objects.get().first_column + 40
    number = next(one.number for one in Segment.objects.order_by("number") if one.first_column <= on < one.end_column)
    laid = replace(printed(3, number, on, on + 1, 1), at=at(4.0))
    told = (started(), settled(2, 2.5, SKIP), laid)
    for some in [told] if at_once else [told[:2], told[2:]]:
        assert not said_to_be_passed_over()
        take("one", batch(*some), long_after())
    (said,) = said_to_be_passed_over()
    assert "passed over: the outage had been settled at 2026-10-24 14:30:00 UTC, and nothing was left of it" in said


def test_a_word_on_a_replay_that_was_over_before_it_names_what_was_settled(tmp_path: Path) -> None:
    """That it was over is told after the word, and only then what was laid next."""
    ready(tmp_path, policy={"kind": "replay"})
    take("one", batch(started(), settled(2, 2.0)), long_after())
    override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    segment = Segment.objects.order_by("number")[9]
    over = TrueAgain(seq=3, at=at(2.9), run="first", column=segment.first_column)
    take("one", batch(over), long_after())
    assert not said_to_be_passed_over()
    laid = printed(4, segment.number, segment.first_column, segment.first_column + 1, 1)
    take("one", batch(replace(laid, at=at(4.0))), long_after())
    (said,) = said_to_be_passed_over()
    assert "passed over: the outage had been settled at 2026-10-24 14:00:00 UTC, and nothing was left of it" in said


@pytest.mark.parametrize(("laid_h", "is_over"), [(4.5, True), (3.0, False)])
def test_a_word_on_a_run_that_the_machine_has_left_for_a_later_one_is_passed_over(
    tmp_path: Path, laid_h: float, is_over: bool
) -> None:
    """Nobody heard that the run was printed to its end, and a word was given on it all the same."""
    plates = ready(tmp_path, ends_at=at(4).isoformat())
    plan(id="second", starts_at=at(4).isoformat(), ends_at=at(20).isoformat())
    extend_plans(NOON, timedelta(hours=192), plates)
    silent()
    override_run(Run.objects.get(id="first"), REPLAY, None, later(3), SYSTEM)
    second = Segment.objects.filter(run_id="second").order_by("number")[0]
    of_it = printed(2, second.number, second.first_column, second.first_column + 1, 1)
    laid = replace(of_it, run="second", at=at(laid_h))
    take("one", batch(started(), laid), long_after())
    assert bool(said_to_be_passed_over()) == is_over
    if is_over:
        assert said_to_be_passed_over()[0].endswith(
            "on run first was passed over: nothing was missing, as the machine had printed on"
        )
        assert Override.objects.get().passed_over_at == at(laid_h)


def test_a_word_on_a_replay_that_the_run_s_end_breaks_off_is_passed_over(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    take("one", batch(started(), settled(2, 2.0)), long_after())
    override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    last = Segment.objects.order_by("-number")[0]
    Run.objects.update(end_column=last.end_column)
    take(
        "one", batch(replace(printed(3, last.number, last.end_column - 1, last.end_column, 1), at=at(40))), long_after()
    )
    assert len(said_to_be_passed_over()) == 1


def test_a_word_on_a_run_that_was_over_when_it_was_given_is_passed_over(tmp_path: Path) -> None:
    ready(tmp_path, ends_at=at(4).isoformat())
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    last = Segment.objects.order_by("-number")[0]
    for end, is_over in ((last.end_column - 1, False), (last.end_column, True)):
        laid = printed(Event.objects.filter(kind="columns-printed").count() + 2, last.number, end - 1, end, 1)
        take("one", batch(*(() if is_over else (started(),)), replace(laid, at=at(2.5))), long_after())
        assert bool(said_to_be_passed_over()) == is_over
    assert Override.objects.get().passed_over_at == at(2.5)


def test_a_word_on_a_run_of_which_the_rest_was_left_out_before_it_is_passed_over(tmp_path: Path) -> None:
    """A segment was finished late, and nothing was laid after it: all of it before the word, and told after it."""
    ready(tmp_path, ends_at=at(4).isoformat())
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    run, segment = Run.objects.get(), Segment.objects.order_by("number")[0]
    half, policy = segment.first_column + 1, Policy(kind="skip", half_printed="finish")
    gap = Gap(
        first=half,
        unknown_end=half,
        end=run.end_column,
        cause="power",
        noticed_at=at(2.5),
        segment=Columns(first=segment.first_column, end=segment.end_column),
    )
    decision = settle(policy, gap, pace(small_profile(), run_work(run)))
    assert decision.late > 0 and decision.true_again == run.end_column
    finished = replace(printed(3, segment.number, half, segment.end_column, segment.end_column - half), at=at(2.6))
    told = GapSettled(seq=2, at=at(2.5), run="first", gap=gap, policy=policy, decision=decision, paper_position=9)
    over = TrueAgain(seq=4, at=at(2.6), run="first", column=run.end_column)
    take("one", batch(started(), told, finished), long_after())
    assert not said_to_be_passed_over()
    take("one", batch(over), long_after())
    assert len(said_to_be_passed_over()) == 1


def test_a_word_that_came_through_in_the_end_was_not_passed_over(tmp_path: Path) -> None:
    """Two gaps are told at once, and the second was settled by it."""
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    word = active_override(Run.objects.get())
    first = settled(2, 3.1, SKIP)
    gap = replace(first.gap, first=first.gap.end, unknown_end=first.gap.end, end=first.gap.end + 4, override=word)
    gap = replace(gap, noticed_at=at(3.5))
    decision = settle(Policy(kind="skip"), gap, pace(small_profile(), run_work(Run.objects.get())))
    second = replace(first, seq=3, at=at(3.5), gap=gap, decision=decision)
    take("one", batch(started(), first, second), long_after())
    assert not said_to_be_passed_over()
    assert Override.objects.get().used_by is not None


def test_of_a_run_whose_newest_word_came_through_nothing_more_is_asked(tmp_path: Path) -> None:
    """Every report asks, for as long as the machine stands."""
    ready(tmp_path)
    silent()
    for hours in (3.0, 3.5):
        override_run(Run.objects.get(), REPLAY, None, later(hours), SYSTEM)
    take("one", batch(started(), settled(2, 4.0, SKIP, override=active_override(Run.objects.get()))), long_after())
    assert Override.objects.filter(used_by=None, passed_over_at=None).count() == 1, "the one before it"
    with CaptureQueriesContext(connection) as asked:
        assert list(words_passed_over("one", {}, {})) == []
    assert len(asked) == 1


def test_the_next_word_ends_the_notice(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    take("one", batch(started(), settled(2, 4.0, SKIP)), long_after())
    take("one", batch(OperatorActed(seq=3, at=at(5), action="pause")), long_after())
    override_run(Run.objects.get(), REPLAY, None, later(12), SYSTEM)
    assert not Notice.objects.filter(kind="word-passed-over", cleared_at=None).exists()


def test_a_hold_in_the_middle_of_a_replay_is_what_is_open(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    take("one", batch(started(), settled(2, 2.0)), long_after())
    take("one", batch(NodeStarted(seq=3, at=at(2.5), unplanned_stop=True)), long_after())
    assert (is_open().because, is_open().since, is_open().outage) == ("hold", at(2.5), Outage.objects.get())
    word = override_run(Run.objects.get(), SKIP, None, later(3), SYSTEM)
    assert (word.because, word.outage) == ("hold", Outage.objects.get().id)


def test_a_run_planned_anew_has_no_word(tmp_path: Path) -> None:
    plates = PlateStore(tmp_path)
    ready(tmp_path)
    extend_plans(NOON, timedelta(days=8), plates)
    assert active_override(Run.objects.get()) is None


def test_a_gap_that_was_settled_by_a_word_is_what_the_server_would_have_done(tmp_path: Path) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), Rule(kind="replay", half_printed="finish"), None, later(3), SYSTEM)
    word = active_override(Run.objects.get())
    assert word is not None
    take("one", batch(started(), settled(2, 4.0, SKIP, override=word)), long_after())
    outage = Outage.objects.get()
    assert (outage.decision["action"], outage.differs) == ("replay", None)


@pytest.mark.parametrize("what", ["id", "rule", "run"])
def test_a_gap_that_was_settled_by_a_word_that_nobody_gave_differs(tmp_path: Path, what: str) -> None:
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), REPLAY, None, later(3), SYSTEM)
    word = active_override(Run.objects.get())
    assert word is not None
    if what == "run":
        Override.objects.update(run_id="another")
    else:
        word = replace(word, **{"id": "one-99"} if what == "id" else {"rule": Rule(kind="blank")})
    take("one", batch(started(), settled(2, 4.0, SKIP, override=word)), long_after())
    outage = Outage.objects.get()
    assert outage.differs is not None
    assert outage.differs["action"] == "skip"


def test_closed_hours_that_the_node_went_by_are_facts(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    set_hours("shed", Hours(week=Week()), by())
    rule = Rule(kind="replay", only_while_closed=True)
    silent()
    override_run(Run.objects.get(), rule, None, later(3), SYSTEM)
    word = active_override(Run.objects.get())
    closed = (Span(starts_at=at(6), ends_at=at(60)),)
    take("one", batch(started(), settled(2, 4.0, REPLAY, override=word, closed=closed)), long_after())
    outage = Outage.objects.get()
    assert outage.differs is None
    assert outage.decision["hours_until_true"] > 2.0
