"""What the server should do by itself and does not, in words. It is looked up as a page is made: nothing that works by
itself is needed to show that nothing does."""

from __future__ import annotations

from collections.abc import Sequence

from scheduling.background.own_work import SOME_RUNS
from scheduling.log.beside import LISTENS
from server.console import formatting
from server.own_work import DRAWER, late

# Runs that are named in one sentence: where the disk is full, none can be planned.
MOST_NAMED = 5
SENTENCES = {
    "extend-plans": "Plans have not been extended, nor plates drawn, since {since}.",
    "redraw-plates": "Plates that the disk lost have not all been drawn anew since {since}.",
    "tidy-plates": "It has not been looked for plates that are old and may go since {since}.",
    "take-snapshots": "Since {since} nothing has been kept that makes questions of the past quick; they are answered.",
    "watch-silence": "Nobody has watched for boards that fall silent since {since}.",
    "watch-openings": "Openings have not been held against what is planned since {since}.",
    "watch-store": "Plates and uploads cannot be kept or read, for all that is known, since {since}.",
    "look-amiss": "Nobody has looked for what people are to be told since {since}.",
    "send-messages": "Nothing that people are to be told has been sent since {since}.",
    DRAWER: "Nobody who plans and draws has said that they live since {since}.",
    LISTENS: "No server has listened to boards since {since}.",
    SOME_RUNS: "Of {runs} nothing more could be planned since {since}. The server's log says why.",
}


def late_in_words() -> tuple[str, ...]:
    """A sentence for each."""
    return tuple(
        SENTENCES[one.name].format(since=f"{formatting.moment(one.since, 'UTC')} UTC", runs=_named(one.runs))
        for one in late()
    )


def _named(runs: Sequence[str]) -> str:
    more = len(runs) - MOST_NAMED
    named = f"run{'s' if len(runs) > 1 else ''} {', '.join(runs[:MOST_NAMED])}"
    return f"{named} and {more} more" if more > 0 else named
