"""A machine's paper at an instant, as it is told to whoever asks: by any clocks, with how certain it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from scheduling.answers.paper_at import BurstAt, PaperAt, Source, when_due
from scheduling.answers.paper_certainty import PaperCertainty, paper_certainty
from scheduling.answers.strips_cut import CutStrip
from scheduling.paper.next_passage import OnRun, longitudes_of
from scheduling.venues.local_time_text import moment_in_words, span_in_words


@dataclass(frozen=True, kw_only=True)
class InWords:
    """A time by a clock that was asked for.

    Attributes:
        zone: IANA name of the clock.
        in_words: such as ``between 14:02 and 14:32 on 2026-03-21``.
    """

    zone: str
    in_words: str


@dataclass(frozen=True, kw_only=True)
class MomentTold:
    """An instant, UTC; in words by the venue's clock, and by those that were asked for, in their order."""

    at: datetime
    in_words: str
    by_clocks: tuple[InWords, ...]


@dataclass(frozen=True, kw_only=True)
class SpanTold:
    """From one instant to another, UTC; in words as of a moment."""

    begins_at: datetime
    ends_at: datetime
    in_words: str
    by_clocks: tuple[InWords, ...]


@dataclass(frozen=True, kw_only=True)
class ColumnsTold:
    """Columns of a run.

    Attributes:
        run: which.
        turn: of the first of them.
        first_column, end_column: running columns; the end is excluded.
        first_phase, end_phase: of the turn, from 0 to below 1.
        first_longitude, end_longitude: degrees, east positive; None where the picture and its cycle have none.
        stands: what these are of, such as ``under the Sun``; None likewise.
        turns: how many turns of the picture they are, or a part of one.
        length_mm: along the paper.
        due: from when to when they belong under the head, as their bursts do.
    """

    run: str
    turn: int
    first_column: int
    end_column: int
    first_phase: float
    end_phase: float
    first_longitude: float | None
    end_longitude: float | None
    stands: str | None
    turns: float
    length_mm: float
    due: SpanTold


@dataclass(frozen=True, kw_only=True)
class HangingTold:
    """Columns that lie on the paper side by side.

    Attributes:
        columns: which.
        paper_position: the place of the first, in columns of paper since the machine's first.
        from_head_mm: how far the newest of them is from the head.
    """

    columns: ColumnsTold
    paper_position: int
    from_head_mm: float


@dataclass(frozen=True, kw_only=True)
class StripTold:
    """A strip that was cut off, or is by then.

    Attributes:
        columns: which.
        cut: when; of one that is planned, the span of the burst in which it is.
        is_reported: whether it was told that it was cut.
    """

    columns: ColumnsTold
    cut: SpanTold
    is_reported: bool


@dataclass(frozen=True, kw_only=True)
class PaperTold:
    """A machine's paper at an instant.

    Attributes:
        machine: whose.
        at: the instant that was asked for.
        source: ``reported``; ``not-told-yet`` of what is past, and ``planned`` of what is to come: both by the plan.
        paper_position: the place under the head, in columns of paper since the machine's first.
        newest: what was laid last; None before the first.
        due: what belongs under the head then; None where no run is.
        rests: whether that run rests then, as people hold it or its venue is closed.
        hangs: what lies between knife and head, the oldest first; without a knife, on the last turn's length.
        blank_mm: how much of that has nothing on it.
        has_knife: without one the paper is wound up.
        past_knife: what has passed the knife and is not cut off, for a turn at most; the oldest first.
        strips_cut: how many strips were cut off by then; None without a knife.
        cut_by_hand: how often a person had the knife cut besides.
        strips: the newest twelve of those at most, the oldest first.
    """

    machine: str
    at: MomentTold
    source: Source
    paper_position: int
    newest: ColumnsTold | None
    due: ColumnsTold | None
    rests: bool
    hangs: tuple[HangingTold, ...]
    blank_mm: float
    has_knife: bool
    past_knife: tuple[HangingTold, ...]
    strips_cut: int | None
    cut_by_hand: int
    strips: tuple[StripTold, ...]
    certainty: PaperCertainty


def paper_at_told(found: PaperAt, clocks: Sequence[ZoneInfo]) -> PaperTold:
    """The answer by the venue's clock, and by those that were asked for."""
    context, by = found.context, _Clocks(found.context.at_venue.clock, tuple(clocks))
    pitch = context.profile.column_pitch_mm
    hangs, past = (
        tuple(
            HangingTold(
                columns=_columns(found.on_runs[one.run], one.first, one.end, by),
                paper_position=one.place,
                from_head_mm=(found.head - one.end_place) * pitch,
            )
            for one in laid
        )
        for laid in (found.hangs, found.past_knife)
    )
    return PaperTold(
        machine=context.machine.id,
        at=by.moment(found.at),
        source=found.source,
        paper_position=found.head,
        newest=_burst(found.newest, by),
        due=_burst(found.due, by),
        rests=found.recess is not None,
        hangs=hangs,
        blank_mm=(found.reach - sum(one.end - one.first for one in found.hangs)) * pitch,
        has_knife=context.model.knife is not None,
        past_knife=past,
        strips_cut=found.cut,
        cut_by_hand=found.cut_by_hand,
        strips=tuple(_strip(one, by) for one in found.strips),
        certainty=paper_certainty(found),
    )


@dataclass(frozen=True)
class _Clocks:
    """The venue's clock, and those by which it is told, too."""

    here: ZoneInfo
    others: tuple[ZoneInfo, ...]

    def moment(self, at: datetime) -> MomentTold:
        told = tuple(InWords(zone=one.key, in_words=moment_in_words(at, one)) for one in self.others)
        return MomentTold(at=at, in_words=moment_in_words(at, self.here), by_clocks=told)

    def span(self, begins: datetime, ends: datetime) -> SpanTold:
        here, *others = (
            span_in_words(begins, ends, one, lambda local: f"{local:%Y-%m-%d}") for one in (self.here, *self.others)
        )
        told = zip(self.others, others, strict=True)
        by_clocks = tuple(InWords(zone=one.key, in_words=words) for one, words in told)
        return SpanTold(begins_at=begins, ends_at=ends, in_words=here, by_clocks=by_clocks)


def _burst(burst: BurstAt | None, by: _Clocks) -> ColumnsTold | None:
    return None if burst is None else _columns(burst.on, burst.first, burst.end, by)


def _strip(one: CutStrip, by: _Clocks) -> StripTold:
    return StripTold(
        columns=_columns(one.on, one.first, one.end, by), cut=by.span(*one.at), is_reported=one.is_reported
    )


def _columns(on: OnRun, first: int, end: int, by: _Clocks) -> ColumnsTold:
    per_turn, at = on.profile.columns_per_turn, longitudes_of(on.run)
    phases = [column % per_turn / per_turn for column in (first, end)]
    longitudes = [None if at is None else (at[0] + 360.0 * (0.5 - one) + 180.0) % 360.0 - 180.0 for one in phases]
    return ColumnsTold(
        run=on.run.id,
        turn=first // per_turn,
        first_column=first,
        end_column=end,
        first_phase=phases[0],
        end_phase=phases[1],
        first_longitude=longitudes[0],
        end_longitude=longitudes[1],
        stands=None if at is None else at[1],
        turns=(end - first) / on.profile.columns_per_turn,
        length_mm=(end - first) * on.profile.column_pitch_mm,
        due=by.span(*when_due(on, first, end)),
    )
