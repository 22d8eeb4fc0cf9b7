"""Random histories: anything that may be said about one machine and two runs, in any order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, get_args

from hypothesis import strategies as st

from machines.protocol.journal_entries import Action
from machines.recovery import Columns, HalfPrinted, Limit, Override, Policy, Rule, RuleKind
from scheduling.log.events import Event
from scheduling.log.events.server import (
    NeverHeard,
    NodeEnrolled,
    OpeningDoubted,
    OpeningNotDoubted,
    OutageOverridden,
    SilenceBegan,
    SilenceEnded,
)
from scheduling.log.events.visits import ServiceWindowCalledOff
from scheduling.log.store import Append
from tests.scheduling.log.facts import (
    acted,
    armed,
    at,
    calibrated,
    conditions,
    corrected,
    cut,
    differed,
    disarmed,
    gap_settled,
    hours_set,
    machine,
    passed_over,
    printed,
    quiet_hours_set,
    run,
    segments,
    service_once,
    service_weekly,
    slipped,
    started,
    stopped,
    true_again,
    venue,
)

RUNS = ("spring", "summer")
COLUMNS = 400
NODE = "machine/left"
WORDS = ("left-7", "left-9")
WINDOWS = ("roll", "rounds")
CHARACTERS = st.characters(exclude_characters="\0", exclude_categories=("Cs",))  # the log keeps no zero character

# (stream, what is said there; a node's entry gets its number when it is said)
Saying = tuple[str, Callable[[int], Event]]


def _sorted_columns(count: int) -> st.SearchStrategy[list[int]]:
    return st.lists(st.integers(0, COLUMNS), min_size=count, max_size=count).map(sorted)


@st.composite
def _printed(draw: st.DrawFn) -> Saying:
    whole = st.integers(0, 7).map(lambda number: [50 * number, 50 * number + 50])
    first, end = draw(_sorted_columns(2) | whole)
    run_id, place = draw(st.sampled_from(RUNS)), draw(st.integers(0, 2 * COLUMNS))
    number = draw(st.just(first // 50) | st.integers(0, 9))
    miss_s = draw(st.floats(-5, 5))
    return NODE, lambda seq: printed(
        seq, first, end, run=run_id, segment=number, paper_position=place, worst_miss_s=miss_s
    )


@st.composite
def _gap(draw: st.DrawFn) -> Saying:
    first, unknown_end, end = draw(_sorted_columns(3))
    run_id, word = draw(st.sampled_from(RUNS)), draw(st.none() | st.tuples(st.sampled_from(WORDS), _rules()))
    told: dict[str, Any] = {"missing_since": at(unknown_end - draw(st.integers(0, 90)))}
    if unknown_end and draw(st.booleans()):
        segment_first = draw(st.integers(max(0, unknown_end - 50), unknown_end - 1))
        told["segment"] = Columns(first=segment_first, end=segment_first + 50)
    if word is not None:
        told["override"] = Override(id=word[0], rule=word[1], given_at=at(first))
    policy = Policy(**vars(draw(_rules())))
    return NODE, lambda seq: gap_settled(seq, first, unknown_end, end, policy=policy, run=run_id, facts=told)


@st.composite
def _rules(draw: st.DrawFn) -> Rule:
    kind, half_printed = draw(st.sampled_from(get_args(RuleKind))), draw(st.sampled_from(get_args(HalfPrinted)))
    within = Limit(value=draw(st.floats(0.1, 9)), unit="hours") if kind == "replay-within" else None
    return Rule(kind=kind, half_printed=half_printed, within=within)


@st.composite
def _word(draw: st.DrawFn) -> Saying:
    override = Override(
        id=draw(st.sampled_from(WORDS)), rule=draw(_rules()), given_at=at(draw(st.integers(0, COLUMNS)))
    )
    run_id, because = draw(st.sampled_from(RUNS)), draw(st.sampled_from(("silence", "hold", "replay")))
    return NODE, lambda seq: OutageOverridden(run=run_id, override=override, because=because)  # type: ignore[arg-type]


@st.composite
def _segments(draw: st.DrawFn) -> Saying:
    first, count = draw(st.integers(0, 7)), draw(st.integers(1, 4))
    numbers = range(first, min(first + count, 8))
    known = st.lists(st.integers(0, 2000), min_size=len(numbers), max_size=len(numbers)).map(tuple)
    dots = draw(known | st.just(()))
    return f"run/{draw(st.sampled_from(RUNS))}", lambda seq: segments(*numbers, dots=dots)


@st.composite
def _other_entry(draw: st.DrawFn) -> Saying:
    column, truth = draw(st.integers(0, COLUMNS)), draw(st.booleans())
    action = draw(st.sampled_from(get_args(Action)))
    keywords = tuple(draw(st.lists(st.sampled_from(("media-low", "media-empty", "cover-open")), unique=True)))
    entry = draw(
        st.sampled_from(
            (
                lambda seq: true_again(seq, column),
                lambda seq: cut(
                    seq, column, made=truth, why=(None, "quiet", "passed")[column % 3] if not truth else None
                ),
                lambda seq: armed(seq, column),
                lambda seq: disarmed(seq, column),
                lambda seq: stopped(seq, column),
                lambda seq: started(seq, unplanned=truth, minutes=column),
                lambda seq: conditions(seq, *keywords, minutes=column),
                lambda seq: acted(seq, action, column),
                lambda seq: acted(seq, "feed", column, paper_position=column, paper_columns=7, seen_done=truth),
                lambda seq: slipped(seq, column / 50.0 - 4.0, column),
                lambda seq: corrected(seq, column),
                lambda seq: acted(seq, "roll-changed" if truth else "pause", minutes=column),
            )
        )
    )
    return NODE, entry


@st.composite
def _said_by_the_server(draw: st.DrawFn) -> Saying:
    number, minutes = draw(st.integers(1, 9)), draw(st.integers(0, COLUMNS))
    event = draw(
        st.sampled_from(
            (
                NodeEnrolled(epoch=number),
                SilenceBegan(last_heard_at=at(minutes)),
                SilenceEnded(silent_s=float(minutes)),
                NeverHeard(due_since=at(minutes), is_enrolled=bool(number % 2)),
                OpeningDoubted(opening=f"door-{number % 3}", kinds=("late",), said=f"late by {minutes}"),
                OpeningNotDoubted(opening=f"door-{number % 3}"),
                passed_over(f"left-{number}", minutes),
                differed(number),
                machine(),
                calibrated(dead_nozzles=(number,)),
            )
        )
    )
    return NODE, lambda seq: event


@st.composite
def _hours(draw: st.DrawFn) -> Saying:
    opens, closes = draw(st.integers(0, 22)), draw(st.integers(23, 24))
    if draw(st.booleans()):
        return "venue/boathouse", lambda seq: quiet_hours_set("23:00", f"{opens:02}:00")
    return "venue/boathouse", lambda seq: hours_set(f"{opens:02}:00", f"{closes:02}:00")


@st.composite
def _service(draw: st.DrawFn) -> Saying:
    window, minutes = draw(st.sampled_from(WINDOWS)), draw(st.integers(0, COLUMNS))
    event = draw(
        st.sampled_from(
            (
                service_once(minutes),
                service_weekly(f"{minutes // 60:02}:15", "23:00"),
                ServiceWindowCalledOff(reason=draw(st.none() | st.text(CHARACTERS, max_size=3))),
                ServiceWindowCalledOff(date=draw(st.sampled_from(("2026-04-07", "2026-03-31", "2026-04-14")))),
            )
        )
    )
    return f"service/{window}", lambda seq: event


SAYINGS: st.SearchStrategy[Saying] = st.one_of(
    _printed(), _printed(), _gap(), _segments(), _other_entry(), _said_by_the_server(), _word(), _hours(), _service()
)


@dataclass(frozen=True)
class History:
    """What was said, in batches that are appended together."""

    batches: tuple[tuple[Saying, ...], ...]
    opening: tuple[Append, ...] = field(
        default=(
            Append("venue/boathouse", None, (venue(),)),
            Append(NODE, None, (machine(), NodeEnrolled(epoch=1))),
            Append("run/spring", None, (run(),)),
            Append("run/summer", None, (run(nozzle_seed=9),)),
        )
    )

    def appends(self) -> Iterator[list[Append]]:
        """The batches with the node's entries numbered through."""
        yield list(self.opening)
        seq = 0
        for batch in self.batches:
            appends = []
            for stream, saying in batch:
                seq += 1
                appends.append(Append(stream, None, (saying(seq),)))
            yield appends


HISTORIES = st.lists(st.lists(SAYINGS, min_size=1, max_size=5).map(tuple), max_size=10).map(
    lambda batches: History(tuple(batches))
)
