"""A server that gives one answer to everything."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, HTTPServer


@dataclass(frozen=True)
class Answer:
    """What it says."""

    status: int
    body: bytes
    headers: dict[str, str]


@contextmanager
def scripted(answer: Answer) -> Iterator[str]:
    """Serve the answer on the loopback; the address."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            self.send_response(answer.status)
            for name, value in ({"Content-Length": str(len(answer.body))} | answer.headers).items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(answer.body)

        do_POST = do_GET  # noqa: N815 - the name is the library's

        def log_message(self, format: str, *arguments: object) -> None:
            """Not to the terminal."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
