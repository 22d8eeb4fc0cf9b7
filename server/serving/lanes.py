"""Threads of their own for nodes: no storm on the pages keeps a board from the time, its work or its reports."""

from __future__ import annotations

from typing import Any

from waitress.task import ThreadedTaskDispatcher

# What a field node asks for.
NODES_PATHS = ("/api/v1/node/", "/api/v1/plates/")


class Lanes:
    """Two queues of requests, each with its own threads.

    It takes the place of the HTTP server's one dispatcher, and is called as that is.
    """

    def __init__(self, threads: int, nodes_threads: int) -> None:
        self.pages, self.nodes = ThreadedTaskDispatcher(), ThreadedTaskDispatcher()
        self.pages.set_thread_count(threads)
        self.nodes.set_thread_count(nodes_threads)

    def add_task(self, channel: Any) -> None:
        """Put a connection whose first request is whole in its queue."""
        path = getattr(channel.requests[0], "path", "")  # a request that could not be read has none
        (self.nodes if path.startswith(NODES_PATHS) else self.pages).add_task(channel)

    def shutdown(self) -> None:
        """Let what is being answered be answered, nodes' requests last."""
        self.pages.shutdown()
        self.nodes.shutdown()
