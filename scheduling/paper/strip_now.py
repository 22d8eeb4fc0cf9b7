"""The strip of paper at each of some machines: what lies on it, what was cut off it, and what is to come beyond the
head. Many machines are read in as many queries as one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import reduce
from itertools import groupby, pairwise
from operator import or_

import numpy as np
from django.db.models import Q

from machines.model.profile import Profile
from machines.model.slots import boundaries
from scheduling.log.models import HandUse, PrintedStretch, Run, Segment, Strip
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import run_instants
from scheduling.sky.arrays import FloatArray

# Between the ends of what was laid side by side, so many instants are worked out.
SAMPLES = 5


@dataclass(frozen=True)
class Laid:
    """Columns of a run that lie on the paper side by side, from a place on."""

    place: int
    first: int
    end: int
    run: str

    @property
    def end_place(self) -> int:
        """The place after them."""
        return self.place + self.end - self.first


@dataclass(frozen=True, kw_only=True)
class StripNow:
    """A machine's paper at this moment. Places are columns of paper since the machine's first.

    Attributes:
        profile: the machine in numbers.
        head: the place under the head, as it was last heard.
        known: the place up to which was reported what lies there; between the two is what is laid, and not yet told.
        laid: what was reported, in the order of the paper.
        blank: where the paper was fed without being printed: from and to which place.
        left_out: where columns are missing, and the paper goes on.
        cut_off: up to which place it was cut off; what lies before is gone.
        cuts: where it was cut, or is to be, and where a boundary passed the knife uncut: the place, and whether it was
            made; None for one to come.
        run: that goes on at the head; None for none.
        next_column: of that run, the running column that comes under the head next.
        plates: digests of the plates of that run's turns, as far as they are drawn, by number of turn.
        places, instants: when places belonged, or belong, under the head, POSIX seconds; both only grow.
    """

    profile: Profile
    head: int
    known: int
    laid: tuple[Laid, ...]
    blank: tuple[tuple[int, int], ...]
    left_out: tuple[int, ...]
    cut_off: int
    cuts: tuple[tuple[int, bool | None], ...]
    run: Run | None
    next_column: int
    plates: Mapping[int, str]
    places: FloatArray
    instants: FloatArray

    def place_of(self, column: int) -> int:
        """The place that a column to come will have, if nothing delays it."""
        return self.head + column - self.next_column


@dataclass
class _Read:
    """A machine while its strip is put together."""

    context: MachineContext
    behind: int
    ahead: int
    laid: tuple[Laid, ...] = ()
    runs: Mapping[str, Run] = field(default_factory=dict)
    made: Mapping[tuple[str, int], bool] = field(default_factory=dict)
    by_hand: tuple[int, ...] = ()
    plates: Mapping[int, str] = field(default_factory=dict)

    @property
    def profile(self) -> Profile:
        return self.context.model

    @property
    def fed(self) -> int:
        told = None if self.context.heartbeat is None else self.context.heartbeat.status.get("paper_position")
        return max(self.context.machine.paper_position, int(told or 0))

    @property
    def run(self) -> Run | None:
        return self.context.run_or_next

    @property
    def next_column(self) -> int:
        """What the board said last that it lays next, if that is not before what it reported."""
        run = self.run
        if run is None:
            return 0
        last = self.laid[-1] if self.laid else None
        reported = last.end if last is not None and last.run == run.id else run.first_column
        told = None if self.context.heartbeat is None else self.context.heartbeat.status.get("next_column")
        return int(told) if told is not None and reported <= told <= run.end_column else reported

    @property
    def known(self) -> int:
        return self.laid[-1].end_place if self.laid else self.fed


def strips_now(contexts: Sequence[MachineContext], lengths: Mapping[str, tuple[int, int]]) -> dict[str, StripNow]:
    """The paper of machines that were read together, by the machine's id.

    Args:
        contexts: the machines.
        lengths: how much is looked at, in columns behind the head and beyond it, by the machine's id.
    """
    reads = [_Read(one, *lengths[one.machine.id]) for one in contexts]
    if reads:
        _read_laid(reads)
        _read_cuts(reads)
        _read_plates(reads)
    return {one.context.machine.id: _strip(one) for one in reads}


def _read_laid(reads: Sequence[_Read]) -> None:
    """A stretch lies in one segment, so none is longer than a turn."""
    near = (
        Q(machine_id=one.context.machine.id, paper_position__gt=one.fed - one.behind - one.profile.columns_per_turn)
        for one in reads
    )
    rows = PrintedStretch.objects.filter(reduce(or_, near)).order_by("machine_id", "paper_position", "version")
    named = rows.values_list("machine_id", "paper_position", "first_column", "end_column", "run_id")
    by_machine = {id: [Laid(*row[1:]) for row in mine] for id, mine in groupby(named, lambda row: row[0])}
    of_contexts = {run.id: run for one in reads for run in one.context.runs}
    wanted = {laid.run for mine in by_machine.values() for laid in mine} - of_contexts.keys()
    runs = {**of_contexts, **(Run.objects.in_bulk(wanted) if wanted else {})}
    for one in reads:
        mine = by_machine.get(one.context.machine.id, ())
        one.laid = tuple(laid for laid in mine if laid.end_place > one.fed - one.behind and laid.run in runs)
        one.runs = runs


def _read_cuts(reads: Sequence[_Read]) -> None:
    lowest: dict[str, int] = {}
    for laid in (laid for one in reads for laid in one.laid):
        lowest[laid.run] = min(laid.first, lowest.get(laid.run, laid.first))
    made: dict[tuple[str, int], bool] = {}
    if lowest:
        here = reduce(or_, (Q(run_id=run, boundary__gte=first) for run, first in lowest.items()))
        for run, boundary, was_made in Strip.objects.filter(here).values_list("run_id", "boundary", "made"):
            made[run, boundary] = was_made
    ids = [one.context.machine.id for one in reads if one.profile.knife is not None]
    by_hand: dict[str, list[int]] = {}
    for id, place in HandUse.objects.filter(machine_id__in=ids, action="cut", seen_done=True).values_list(
        "machine_id", "paper_position"
    ):
        by_hand.setdefault(id, []).append(place)
    for one in reads:
        one.made, one.by_hand = made, tuple(sorted(by_hand.get(one.context.machine.id, ())))


def _read_plates(reads: Sequence[_Read]) -> None:
    wanted = [
        Q(
            run_id=one.run.id,
            first_column__lt=one.next_column + one.ahead,
            end_column__gt=one.next_column - max(one.fed - one.known, 0) - 1,
        )
        for one in reads
        if one.run is not None
    ]
    if not wanted:
        return
    rows = Segment.objects.filter(reduce(or_, wanted)).exclude(state=Segment.WITHDRAWN)
    found = list(rows.values_list("run_id", "first_column", "plate"))
    for one in reads:
        if one.run is not None:
            per_turn = one.context.model_of(one.run).columns_per_turn
            one.plates = {first // per_turn: plate for run, first, plate in found if run == one.run.id}


def _strip(one: _Read) -> StripNow:
    places, instants = _when(one)
    cuts = tuple(sorted(set(_cuts(one))))
    return StripNow(
        profile=one.profile,
        head=max(one.fed, one.known),
        known=one.known,
        laid=one.laid,
        blank=tuple((a.end_place, b.place) for a, b in pairwise(one.laid) if b.place > a.end_place),
        left_out=tuple(
            b.place
            for a, b in pairwise(one.laid)
            if b.place == a.end_place and (a.run, a.end) != (b.run, b.first) and a.run == b.run
        ),
        cut_off=max([place for place, made in cuts if made], default=0),
        cuts=cuts,
        run=one.run,
        next_column=one.next_column,
        plates=one.plates,
        places=places,
        instants=instants,
    )


def _when(one: _Read) -> tuple[FloatArray, FloatArray]:
    """When places belong under the head: at the ends of what was laid, and in between; and so for what is to come."""
    places: list[FloatArray] = []
    instants: list[FloatArray] = []
    for run, mine in groupby(one.laid, lambda laid: laid.run):
        of_run = list(mine)
        columns = np.concatenate([np.linspace(laid.first, laid.end, SAMPLES) for laid in of_run]).round()
        places.append(np.concatenate([np.linspace(laid.place, laid.end_place, SAMPLES) for laid in of_run]).round())
        instants.append(_instants(one, one.runs[run], columns))
    if one.run is not None and one.next_column < one.run.end_column:
        end = min(one.next_column + one.ahead, one.run.end_column)
        columns = np.linspace(one.next_column, end, 8 * SAMPLES).round()
        places.append(max(one.fed, one.known) + columns - one.next_column)
        instants.append(_instants(one, one.run, columns))
    if not places:
        return np.zeros(0), np.zeros(0)
    return np.maximum.accumulate(np.concatenate(places)), np.maximum.accumulate(np.concatenate(instants))


def _instants(one: _Read, run: Run, columns: FloatArray) -> FloatArray:
    return run_instants(run, columns.astype(np.int64), one.context.timeline(run))


def _cuts(one: _Read) -> Iterator[tuple[int, bool | None]]:
    """The places of the boundaries of strips, as `scheduling.paper.printed_proof` has them."""
    if one.profile.knife is None:
        return
    yield from ((place, True) for place in one.by_hand if place > one.fed - one.behind)
    per_turn = one.profile.columns_per_turn
    for run, mine in groupby(one.laid, lambda laid: laid.run):
        before: int | None = None
        for laid in mine:
            after = laid.first - 1 if before is None else before - 1
            before = laid.end
            for boundary in boundaries(after, laid.end - 1, per_turn, one.runs[run].strips_per_turn):
                yield laid.place + max(0, boundary - laid.first), one.made.get((run, boundary))
    if one.run is not None:
        start, end = one.next_column, min(one.next_column + one.ahead, one.run.end_column)
        for boundary in boundaries(start - 1, end, per_turn, one.run.strips_per_turn):
            yield max(one.fed, one.known) + boundary - start, None
