"""That nothing of a node's work has changed, told before all that pages and other calls need is made ready: nearly
every poll ends so, and a thousand boards poll some seventeen times a second.

It costs what lets the node in and one question to the database. Whatever is out of the ordinary, and whatever fails, is
left to the view, which knows how to say it; so nobody is told by this that they may not, or that something is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import lru_cache

from django.db import DatabaseError
from django.http import HttpRequest, HttpResponseBase, HttpResponseNotModified

from machines.errors import InputError
from scheduling.nodes.heartbeat import hear_again
from scheduling.nodes.work_tag import basis_of, kept_tag
from server import wiring
from server.accounts.authentication import board_let_in
from server.api.work_asked import CACHED, asked_of, read_horizon

PATH = "/api/v1/node/work"

Answer = Callable[[HttpRequest], HttpResponseBase]


def told_at_once(answer: Answer) -> Answer:
    """Middleware: tell a node that holds its work already; whoever asks anything else goes on to what answers that."""

    def tell_or_answer(request: HttpRequest) -> HttpResponseBase:
        if request.path_info != PATH or request.method != "GET" or "HTTP_IF_NONE_MATCH" not in request.META:
            return answer(request)
        request.get_host()  # refuses a foreign name, as at every address
        try:
            told = _unchanged(request.META)
        except (DatabaseError, InputError):
            told = None
        return answer(request) if told is None else told

    return tell_or_answer


def _unchanged(said: dict[str, str]) -> HttpResponseBase | None:
    """The answer that nothing changed, by what the request says of itself; None where that is not so, or not known
    without more.

    Raises:
        DatabaseError: it cannot be asked.
        InputError: no such horizon.
    """
    node = board_let_in(said.get("HTTP_AUTHORIZATION", ""))
    if node is None or "HTTP_IF_MATCH" in said:
        return None
    now = wiring.now()
    query = asked_of(node, _horizon_in(said.get("QUERY_STRING", "")))
    tag = kept_tag(query, basis_of(node.machine), now)
    if tag is None or said["HTTP_IF_NONE_MATCH"] != tag:  # a node names the one that it has
        return None
    hear_again(node.machine, node.heard_at, now, wiring.silent_after())
    return HttpResponseNotModified(headers={"ETag": tag, "Cache-Control": CACHED})


@lru_cache(maxsize=64)  # every node asks with one, all its life
def _horizon_in(query: str) -> timedelta:
    """What is asked for where nothing else is; a query that reads in any other way is one for the view.

    Raises:
        InputError: it is none of a node's.
    """
    return read_horizon(query.removeprefix("horizon="))
