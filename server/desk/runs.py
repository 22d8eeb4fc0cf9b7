"""Runs on the pages: what a machine prints, from when to when, and how it stands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from machines.operator.safety_notes import UNATTENDED
from machines.recovery import Policy
from machines.serialization import format_instant, structure
from scheduling.log.models import Run, Segment
from scheduling.queries.run_versions import run_profile
from scheduling.rendering.plate_store import PlateGone
from scheduling.sky.zones import zone
from server import wiring
from server.api.in_process import Caller, ask
from server.console import formatting
from server.desk import run_states, run_words
from server.desk.ordering import Table
from server.desk.run_check import look
from server.desk.run_deeds import DEEDS
from server.desk.run_forms import ChangeRunForm, NewRunForm
from server.desk.subjects import Facts, Row, Subject
from server.heavy import Busy

# Of its segments those nearest to now are shown.
SEGMENTS_BEFORE, SEGMENTS_AFTER = 4, 8
NOT_YET = "of ink nothing is known before its first plate is drawn"


def _facts(row: Row) -> Facts:
    yield "Id", row["id"]
    yield "Prints", f"{row['source_name']}, version {row['source_version']}"
    where = f", {row['venue_name']}" if row["venue_name"] else ""
    yield "On", f"{row['machine_name']}{where}"
    if row["profile"] is not None:
        yield "Built to", f"{row['model_name']}, version {row['profile_version']}"
    yield "When", run_words.when(row)
    yield "A turn follows", run_words.cycle(row)
    yield "Segments a turn", str(row["segments_per_turn"])
    yield "Strips a turn", str(row["strips_per_turn"] or "none, it is wound up uncut")
    yield "What was missed", formatting.policy(structure(row["policy"], Policy))
    if row["only_while_open"]:
        yield "Hours", "printed only while the venue is open"
    yield from _told(row)


def _told(row: Row) -> Iterator[tuple[str, str]]:
    """What became of its columns, and what people said of it since."""
    yield "Columns", f"{run_words.columns_of(row)}, of which {run_words.told(row)} are accounted for"
    counted = {name: row[name] for name in ("printed", "skipped", "unknown", "again", "repeated", "beyond")}
    said = {"skipped": "left out", "again": "to be printed once more", "repeated": "printed once more"}
    if any(counted.values()):
        yield "Of these", ", ".join(f"{count} {said.get(name, name)}" for name, count in counted.items() if count)
    if row["shift_s"]:
        yield "Its timeline waited", formatting.seconds(row["shift_s"])
    for begins, until in run_words.holds_to_come(row):
        last = "until people let it go on" if until is None else f"until {formatting.moment(until, row['zone'])}"
        yield "Held", f"from {formatting.moment(begins, row['zone'])} {last}"
    for name, said_of in (("ended_because", "Its end was changed"), ("withdrawn_because", "Withdrawn")):
        if row[name]:
            yield said_of, f"“{row[name]}”"


def _more(caller: Caller, row: Row) -> Mapping[str, Any]:
    """Its picture, what it uses up, and its segments near now; of one whose machine was closed into an archive only
    what was told of it."""
    told = {"state": run_words.state(row), "board": row["board"], "shares": _shares(row), "now_at": _now_at(row)}
    if row["venue"] is None:
        return told
    run = Run.objects.select_related("machine").get(id=row["id"])
    per_turn = run_profile(run, run.machine).columns_per_turn
    first = run.first_column % per_turn / per_turn
    return told | {
        "turns": run_words.turns(row, per_turn),
        "begins_with": formatting.under_the_head(run.cycle, first),
        "supplies": _supplies(caller, row),
        "segments": _segments(run, row, per_turn),
        "turn_at": format_instant(_turn_at(row)),
    }


def _shares(row: Row) -> list[tuple[str, float, float]]:
    """The run as a strip of a thousand parts: what became of it, from its beginning on."""
    whole, x, parts = run_words.columns_of(row), 0.0, []
    for kind in ("printed", "skipped", "unknown"):
        width = 1000.0 * min(row[kind], whole) / whole
        if width:
            parts.append((kind, round(x, 2), round(width, 2)))
        x += width
    return parts


def _now_at(row: Row) -> float | None:
    """Where along that strip now is due; None before and after."""
    begins, now, until = run_words.starts(row), wiring.now(), run_words.ends(row)
    return round(1000.0 * ((now - begins) / (until - begins)), 1) if begins <= now < until else None


def _turn_at(row: Row) -> datetime:
    """An instant of a turn that is whole, where it has one: a run may begin within one."""
    begins, until = run_words.starts(row), run_words.ends(row)
    return min(begins + timedelta(seconds=row["mean_turn_s"]), begins + (until - begins) / 2)


def _supplies(caller: Caller, row: Row) -> tuple[str, ...]:
    """What all of it uses up when it is printed; empty where that cannot be told now."""
    try:
        found = ask(caller, "GET", f"runs/{row['id']}/supplies").body
    except (Busy, PlateGone):
        return ()
    used = found["supplies"]
    ink = NOT_YET if used["picture_ml"] is None else f"{formatting.ink(used['picture_ml'])} of ink for its dots"
    parts = [f"{used['paper_mm'] / 1000.0:.2f} m of paper", ink]
    if used["idle_ml"]:
        parts.append(f"{formatting.ink(used['idle_ml'])} to keep nozzles open")
    if used["cuts"]:
        parts.append(f"{used['cuts']} cuts, {used['blades']:.2g} of a blade")
    return tuple(parts)


def _segments(run: Run, row: Row, per_turn: int) -> Table:
    """Those nearest to now, in order of time."""
    planned, now = Segment.objects.filter(run_id=run.id), wiring.now()
    before = list(planned.filter(ends_at__lte=now).order_by("-number")[:SEGMENTS_BEFORE])[::-1]
    near = [*before, *planned.filter(ends_at__gt=now).order_by("number")[:SEGMENTS_AFTER]]
    rows = [
        (
            formatting.moment(one.starts_at, row["zone"]),
            str((one.first_column // per_turn) - run.first_column // per_turn + 1),
            formatting.under_the_head(run.cycle, one.first_column % per_turn / per_turn),
            _became(one),
        )
        for one in near
    ]
    return Table("Its segments near now", ("Due", "Turn", "Under the head", "What became of it"), tuple(rows))


def _became(segment: Segment) -> str:
    counted = ((segment.printed, "printed"), (segment.skipped, "left out"), (segment.unknown, "unknown"))
    parts = [f"{count} {said}" for count, said in counted if count]
    return f"{segment.state}: {', '.join(parts)}" if parts else str(segment.state)


RUNS = Subject(
    name="run",
    plural="runs",
    title="Runs",
    one="A run",
    lead="A machine prints a picture from an instant to another, at the pace of the sky.",
    model=Run,
    listed=run_words.listed,
    facts=_facts,
    clock=lambda row: zone(row["zone"]),
    add=NewRunForm,
    change=ChangeRunForm,
    deeds=DEEDS,
    caution=UNATTENDED,
    add_previews=True,
    look=look,
    template="desk/run.html",
    list_template="desk/runs.html",
    more=_more,
    seen=run_words.dressed,
    sorted_by=lambda row: -run_words.starts(row).timestamp(),
    is_used=lambda row: not run_words.is_withdrawn(row),
    away="",  # as it stands
    fixed=run_states.not_changed,
    venue_of=lambda row: row["venue"],
)
