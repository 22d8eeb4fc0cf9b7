"""Listening: how many connections there may be, how long each may be silent, and which gives way when all are taken."""

from __future__ import annotations

import logging
import resource
import sys
import time
from collections.abc import Callable, Iterator
from heapq import nsmallest
from typing import Any

from waitress.adjustments import Adjustments
from waitress.server import MultiSocketServer, TcpWSGIServer

from scheduling.rendering.upload_store import LARGEST_UPLOAD_BYTES
from server.heavy import ROOM
from server.serving.admission import MOST_SPOOLED_BYTES, Connection, Request
from server.serving.lanes import PATIENCE_S, Lanes

logger = logging.getLogger(__name__)

Application = Callable[..., Any]

MOST_CONNECTIONS = 1000
# Each may have its body and its answer in a file; and there are the database's, the plates' and the log's.
FILES_A_CONNECTION, OTHER_FILES = 3, 200
# A node that asks once a minute keeps its connection, and so its handshake with a proxy.
SILENT_LIMIT_S = 75
LOOK_EVERY_S = 2
SAY_EVERY_S = 60.0
TAKEN_AT_ONCE = 32
# How long a thread that computes is let go on while another waits: a request waits often, for every answer of a file.
SWITCH_S = 0.001
LARGEST_HEAD_BYTES = 32_768


class Listener(TcpWSGIServer):
    """One address on which connections are taken."""

    channel_class = Connection
    task_dispatcher: Lanes
    said_again_at = 0.0

    def room(self) -> int:
        """How many more bytes of bodies may be spooled."""
        held: Iterator[Request | None] = (
            one for each in list(self.active_channels.values()) for one in (each.request, *each.requests)
        )
        return MOST_SPOOLED_BYTES - sum(one.promised for one in held if one is not None)

    def readable(self) -> bool:
        """Whether more connections can be taken; those that wait longest for a whole request give way to them.

        So connections that were opened to do nothing shut nobody out: a request that comes at once is answered. This is
        asked in each round, and so the time to tell those whose turn would not come.
        """
        self._refuse_late()
        if len(self._map) >= self.adj.connection_limit:
            self._make_room()
            return False
        return bool(super().readable())

    def handle_accept(self) -> None:
        """Take whoever waits: a round over all connections takes milliseconds, too long for one at a time."""
        for _ in range(TAKEN_AT_ONCE):
            before = len(self._map)
            super().handle_accept()
            if len(self._map) == before or len(self._map) >= self.adj.connection_limit:
                return

    def maintenance(self, now: float) -> None:
        """Close what was silent for too long, or trickles."""
        super().maintenance(now)
        for channel in self.active_channels.values():
            if channel.request is not None and channel.request.is_slow:
                channel.will_close = True

    def _make_room(self) -> None:
        waiting = [one for one in self.active_channels.values() if not one.requests]
        if not waiting:
            return
        # Not closed at once: the number of its file would be the next connection's, while it is still being looked at.
        for one in nsmallest(TAKEN_AT_ONCE, waiting, key=lambda one: one.waits_since):
            one.will_close = True
        self._say("all %d connections are taken; the longest waiting give way", self.adj.connection_limit)

    def _refuse_late(self) -> None:
        for channel in self.task_dispatcher.refused():
            channel.refuse()
            self._say("more is asked than can be answered within %d s; some are told to come again", PATIENCE_S)

    def _say(self, text: str, count: float) -> None:
        if time.monotonic() >= self.said_again_at:
            self.said_again_at = time.monotonic() + SAY_EVERY_S
            logger.warning(text, count)


def listen(application: Application, host: str, port: int, threads: int, nodes_threads: int) -> Any:
    """A server that is ready to ``run``; ``effective_port`` says where.

    Args:
        application: what answers.
        host, port: where; port 0 takes a free one.
        threads: how many answer pages and the API; one of them is never taken by what is costly.
        nodes_threads: how many answer nodes.

    Raises:
        OSError, ValueError: nobody can listen there, or not with so few threads.
    """
    ROOM.within(threads)
    settings = Adjustments(
        host=host,
        port=port,
        ident=None,
        # A proxy's headers go through to Django, which heeds them only where DAYROLL_HTTPS says that there is a proxy.
        clear_untrusted_proxy_headers=False,
        connection_limit=_connections(),
        channel_timeout=SILENT_LIMIT_S,
        cleanup_interval=LOOK_EVERY_S,
        max_request_header_size=LARGEST_HEAD_BYTES,
        max_request_body_size=LARGEST_UPLOAD_BYTES + 1,
        asyncore_use_poll=True,  # the other way knows no file number above 1023
    )
    sys.setswitchinterval(SWITCH_S)
    lanes = Lanes(threads, nodes_threads)
    sockets: dict[int, object] = {}  # by the number of its file
    listeners = [Listener(application, sockets, True, None, lanes, settings, where) for where in settings.listen]
    if len(listeners) == 1:
        return listeners[0]
    both = MultiSocketServer(sockets, settings, [], lanes)  # a name with an address of either kind
    both.effective_port = listeners[0].effective_port
    return both


def _connections() -> int:
    """How many connections may be open, for which the limit of open files is raised as far as it may be."""
    wanted = MOST_CONNECTIONS * FILES_A_CONNECTION + OTHER_FILES
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    allowed = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    if soft != resource.RLIM_INFINITY and soft < allowed:
        resource.setrlimit(resource.RLIMIT_NOFILE, (allowed, hard))
        soft = allowed
    if soft == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(1, min(MOST_CONNECTIONS, (soft - OTHER_FILES) // FILES_A_CONNECTION))
