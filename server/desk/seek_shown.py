"""What was found for a run that is sought, side by side: when it begins by three clocks, what lies on the paper then,
how near it comes to each wish, and how the form of a run is asked for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from machines.serialization import parse_instant
from scheduling.answers.paper_at import PaperAt
from scheduling.answers.paper_at_told import paper_at_told
from scheduling.answers.paper_in_words import place_in_words
from scheduling.commands.run_search import RunSearch, SeekRun, SoughtRun
from scheduling.commands.sought_paper import as_ordered, sought_papers
from scheduling.log.models import Machine, Opening
from scheduling.queries.machine_context import MachineContext, machine_context
from server import wiring
from server.console import formatting
from server.console.drawn_paper import DrawnPaper, drawn_paper, in_sight
from server.console.own_clock import UTC, OwnClock
from server.desk.instants import parts_of
from server.desk.order_form import without_zeros


@dataclass(frozen=True)
class Wished:
    """A wish and how near an answer comes to it: what, whether it is kept, how, and why not nearer."""

    title: str
    kept: bool
    how: str
    why: str


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """An answer.

    Attributes:
        begins: when, by the venue's clock.
        utc, yours: the same by UTC and by the reader's own clock; that is empty where none was chosen.
        cut: into how many strips a turn, and of a period, from when it is counted.
        off: how far it is from all wishes, in words.
        shown_at: the instant that is shown, by the venue's clock.
        under: what lies under the head then.
        drawn: the paper then.
        wishes: in their order.
        plan: address of the form of a run, filled in.
    """

    begins: str
    utc: str
    yours: str
    cut: str
    off: str
    shown_at: str
    under: str
    drawn: DrawnPaper
    wishes: tuple[Wished, ...]
    plan: str


def shown(
    sought: SeekRun, found: RunSearch, titles: Sequence[str], own: OwnClock, opening: Opening | None
) -> dict[str, Any]:
    """What the page says of a search.

    Args:
        sought: what was asked.
        found: what was found.
        titles: of the wishes, in their order.
        own: the reader's clock.
        opening: that it is sought for; None for none.
    """
    machine = Machine.objects.select_related("venue").get(id=sought.run.machine)
    context = machine_context(machine, wiring.now())
    zone = machine.venue.zone
    return {
        "found": found,
        "zone": zone,
        "apart": formatting.seconds(found.step_s),
        "candidates": list(_candidates(sought, found, titles, context, own.beside(zone, UTC), opening)),
    }


def _candidates(
    sought: SeekRun,
    found: RunSearch,
    titles: Sequence[str],
    context: MachineContext,
    own: OwnClock,
    opening: Opening | None,
) -> Iterator[Candidate]:
    zone, instants = context.venue.zone, [_instant(sought, one, opening) for one in found.answers]
    papers = sought_papers(sought.run, found.answers, context, instants, in_sight(context.model))
    for one, at, paper in zip(found.answers, instants, papers, strict=True):
        yield Candidate(
            begins=formatting.moment(one.starts_at, zone),
            utc=formatting.moment(one.starts_at, UTC),
            yours=own.moment(one.starts_at),
            cut=_cut(one, sought.run.cycle, zone),
            off=_off(one.off_h),
            shown_at=formatting.moment(at, zone),
            under=_under(paper),
            drawn=drawn_paper(paper, {sought.run.id: _turn(sought, context, at)}),
            wishes=tuple(
                Wished(title, is_met.kept, is_met.in_words, is_met.why_not_nearer or "")
                for title, is_met in zip(titles, one.wishes, strict=True)
            ),
            plan=f"{reverse('new-run')}?{urlencode(_asked(sought, one, zone))}",
        )


def _instant(sought: SeekRun, found: SoughtRun, opening: Opening | None) -> datetime:
    """When its paper is shown: at the opening, or the first instant that is wished; else a day after it begins, or in
    its middle."""
    if opening is not None:
        return opening.opens_at
    wished = next((wish.at for wish in sought.wishes if wish.at is not None), None)
    return wished or found.starts_at + min(timedelta(days=1), (sought.run.ends_at - found.starts_at) / 2)


def _off(hours: float) -> str:
    """How far it is from all wishes."""
    if not hours:
        return "All is as wished."
    return f"{formatting.seconds(3600.0 * hours)} from what is wished, by weight."


def _cut(found: SoughtRun, cycle: str, zone: str) -> str:
    strips = found.strips_per_turn
    cut = "wound up uncut" if not strips else "1 strip a turn" if strips == 1 else f"{strips} strips a turn"
    if cycle != "period":
        return cut
    return f"{cut}; counted from {formatting.moment(parse_instant(found.cycle_options['epoch']), zone)}"


def _under(paper: PaperAt) -> str:
    told = paper_at_told(paper, [])
    return "nothing was laid by then" if told.newest is None else place_in_words(told.newest)


def _turn(sought: SeekRun, context: MachineContext, at: datetime) -> str:
    """Address of a picture of one turn, as no plate is drawn of what is not planned."""
    asked = {"profile": context.machine.profile_id, "venue": context.venue.id, "at": at.isoformat()}
    if sought.run.cycle not in ("period", "temporal-hours"):
        asked["cycle"] = sought.run.cycle
    return f"{reverse('picture-thumbnail', args=[sought.run.source])}?{urlencode(asked)}"


def _asked(sought: SeekRun, found: SoughtRun, zone: str) -> dict[str, str]:
    """How the form of a run is asked for an answer; see `server.desk.instants.InstantWidget`."""
    run = as_ordered(sought.run, found)
    said = {
        "machine": run.machine,
        "source": run.source,
        "starts": _said(run.starts_at, zone),
        "ends": _said(run.ends_at, zone),
        "cycle": run.cycle,
        "strips": str(run.strips_per_turn),
    }
    if run.only_while_open:
        said["only_while_open"] = "on"
    if "seconds" in run.cycle_options:
        said["seconds"] = str(without_zeros(run.cycle_options["seconds"]))
        said["epoch"] = _said(parse_instant(run.cycle_options["epoch"]), zone)
    return said


def _said(at: datetime, zone: str) -> str:
    parts = parts_of(at, zone)
    return f"{parts['civil']} {parts['which']}".strip()
