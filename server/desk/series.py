"""Series of openings on the pages: where and how often doors open, and each of its openings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from machines.serialization import parse_instant
from scheduling.log.models import OpeningSeries, Venue
from scheduling.sky.durations import parse_duration
from scheduling.sky.zones import zone
from server import wiring
from server.api.in_process import Caller, ask
from server.console import formatting
from server.desk.pages import all_of
from server.desk.series_forms import TOGETHER, ChangeSeriesForm, NewSeriesForm
from server.desk.series_rule import first_of, in_words
from server.desk.subjects import Deed, Facts, Row, Subject


def _seen(rows: Sequence[Row]) -> Sequence[Row]:
    """With the names of the venues, and the clock of the first. A venue that was closed into an archive has none."""
    venues = Venue.objects.in_bulk({id for row in rows for id in row["venues"]})
    return [
        {
            **row,
            "venue_names": [venues[id].name if id in venues else id for id in row["venues"]],
            "clock": venues[row["venues"][0]].zone if row["venues"][0] in venues else None,
        }
        for row in rows
    ]


def _listed(row: Row) -> str:
    return f"{', '.join(row['venue_names'])} · {in_words(row['rule'], first_of(row['anchor']))}"


def _facts(row: Row) -> Facts:
    yield "At", ", ".join(row["venue_names"])
    if len(row["venues"]) > 1:
        yield "Together", dict(TOGETHER)[row["together"]]
    yield "The first opens", formatting.anchor(row["anchor"])
    if row["closing"] is not None:
        is_span = "duration" in row["closing"]
        yield (
            ("Open for", formatting.duration(parse_duration(row["closing"]["duration"])))
            if is_span
            else ("Closes", formatting.anchor(row["closing"]))
        )
    yield "They come", in_words(row["rule"], first_of(row["anchor"]))
    if row["dates_off"]:
        yield "But not on", "; ".join(formatting.day(date.fromisoformat(one)) for one in row["dates_off"])
    if row["called_off_because"]:
        yield "Called off", f"“{row['called_off_because']}”"


def _more(caller: Caller, row: Row) -> Mapping[str, Any]:
    found = all_of(lambda **query: ask(caller, "GET", f"opening-series/{row['id']}/openings", **query))
    return {"openings": list(_openings(sorted(found, key=lambda one: (one["opens_at"], one["id"]))))}


def _openings(rows: Sequence[Row]) -> Iterator[dict[str, Any]]:
    """Each with when it is by the clock of its venue, and how it stands."""
    venues, now = Venue.objects.in_bulk({row["venue"] for row in rows}), wiring.now()
    for row in rows:
        at, venue = parse_instant(row["opens_at"]), venues.get(row["venue"])
        clock = "UTC" if venue is None else venue.zone
        state = "called off" if row["called_off_at"] else "has been" if at <= now else ""
        yield {
            "id": row["id"],
            "name": row["name"],
            "when": f"{formatting.moment(at, clock)}, {clock}",
            "state": ", ".join(filter(None, (state, "on its own" if row["on_its_own"] else ""))),
            "is_away": bool(state),
        }


def is_on(row: Row) -> bool:
    """Whether it was not called off."""
    return row["called_off_at"] is None


def _fixed(row: Row) -> str:
    if row["clock"] is None:
        return "Its venue was closed into an archive."
    return "" if is_on(row) else "It is called off. Let it stand again first."


SERIES = Subject(
    name="opening-series",
    plural="opening-series",
    title="Series of openings",
    one="A series of openings",
    lead="Openings that come again, or are at several venues. One that is moved or called off by itself"
    " stays as it is.",
    model=OpeningSeries,
    listed=_listed,
    facts=_facts,
    clock=lambda row: None if row["clock"] is None else zone(row["clock"]),
    add=NewSeriesForm,
    change=ChangeSeriesForm,
    deeds=(
        Deed(
            act="call-off",
            button="Call off",
            lead="What is to come of it is not held; each opening stays in the list, marked.",
            done="is called off",
            hindered=lambda row: "" if is_on(row) else "It is called off already.",
        ),
        Deed(
            act="take-back",
            button="Let it stand again",
            lead="What was called off with it and is still to come takes place after all, as it was.",
            done="stands again",
            hindered=lambda row: "It was not called off." if is_on(row) else "",
        ),
    ),
    add_previews=True,
    template="desk/series.html",
    more=_more,
    seen=_seen,
    is_used=is_on,
    away="called off",
    fixed=_fixed,
    venue_of=lambda row: tuple(row["venues"]),
)
