"""What the server should do by itself and does not, in words. It is looked up as a page is made: nothing that works by
itself is needed to show that nothing does."""

from __future__ import annotations

from server.console import formatting
from server.own_work import late

SENTENCES = {
    "extend-plans": "Plans have not been extended, nor plates drawn, since {since}.",
    "redraw-plates": "Plates that the disk lost have not been drawn anew since {since}.",
    "watch-silence": "Nobody has watched for boards that fall silent since {since}.",
    "watch-openings": "Openings have not been held against what is planned since {since}.",
    "look-amiss": "Nobody has looked for what people are to be told since {since}.",
    "send-messages": "Nothing that people are to be told has been sent since {since}.",
}


def late_in_words() -> tuple[str, ...]:
    """A sentence for each."""
    return tuple(SENTENCES[one.name].format(since=f"{formatting.moment(one.since, 'UTC')} UTC") for one in late())
