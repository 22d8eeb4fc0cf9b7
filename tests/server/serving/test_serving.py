"""What the server lets in: a real process, and sockets that do what no honest client does."""

from __future__ import annotations

import json
import os
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml

from server.serving.admission import largest_body
from tests.machines.node.test_end_to_end import wait_for
from tests.server.processes import process, wait_for_line

PATIENCE_S = 120.0
HEADS = b"GET /livez HTTP/1.1\r\nHost: localhost\r\n"
# A process with so few open files takes a hundred connections: three files each, and 200 for the rest.
FEW_FILES = """
import os, resource, sys
resource.setrlimit(resource.RLIMIT_NOFILE, (500, 500))
os.execv(sys.executable, [sys.executable, "-m", "server", "serve", "--port", "0"])
"""


# Two threads for pages, of which each takes ten minutes, and one for nodes.
SLOW_PAGES = """
import time
import django
django.setup()
from server.serving.listening import listen

def application(environ, start_response):
    if environ["PATH_INFO"] == "/":
        print("a page is made", flush=True)
        time.sleep(600)
    start_response("200 OK", [("Content-Length", "2")])
    return [b"ok"]

server = listen(application, "127.0.0.1", 0, 2, 1)
print("listens at", server.effective_port, flush=True)
server.run()
"""


# Two threads for pages and two for nodes, and whatever is asked for takes ten minutes, but for what is light. How long
# an answer takes is given.
FULL = """
import sys
import time
import django
django.setup()
from server.serving.listening import listen

def application(environ, start_response):
    print("asked for", environ["PATH_INFO"], flush=True)
    if environ["PATH_INFO"] not in ("/livez", "/api/v1/node/clock"):
        time.sleep(600)
    start_response("200 OK", [("Content-Length", "2")])
    return [b"ok"]

server = listen(application, "127.0.0.1", 0, 2, 2)
for lane in (server.task_dispatcher.pages, server.task_dispatcher.nodes):
    lane.an_answer_s = float(sys.argv[1])
print("listens at", server.effective_port, flush=True)
server.run()
"""


# Each page is costly, of two kinds by turns, and is not done before the test is; what is light is answered.
COSTLY_PAGES = """
import sys
import threading
import django
django.setup()
from server.api.about import DESCRIBED
from server.heavy import TURNS, Busy
from server.serving.listening import listen

for turns in (TURNS, DESCRIBED.turns):
    turns.patience_s = 3600.0

def application(environ, start_response):
    path = environ["PATH_INFO"]
    if path != "/livez":
        print("asked for", path, flush=True)
        try:
            with (TURNS if path == "/drawn" else DESCRIBED.turns).turn():
                threading.Event().wait()
        except Busy:
            pass
    start_response("200 OK", [("Content-Length", "2")])
    return [b"ok"]

threads = int(sys.argv[1])
server = listen(application, "127.0.0.1", 0, threads, 1)
print("listens at", server.effective_port, flush=True)
server.run()
"""


@dataclass(frozen=True)
class Server:
    port: int
    pid: int
    log: Path

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=30.0)

    def spooled_bytes(self) -> int:
        """In files of the process that have no name any more."""
        total = 0
        for one in Path(f"/proc/{self.pid}/fd").iterdir():
            try:
                if " (deleted)" in os.readlink(one):  # noqa: PTH115 - a deleted file's name is text, not a path
                    total += one.stat().st_size
            except FileNotFoundError:
                continue
        return total

    def ask(self, sent: bytes) -> tuple[int, dict[str, str], bytes]:
        with self.connect() as connection:
            connection.sendall(sent)
            return answer(connection)


def answer(connection: socket.socket) -> tuple[int, dict[str, str], bytes]:
    """Status, heads in lower case, and body, of an answer after which the server closes or whose length is said."""
    with connection.makefile("rb") as stream:
        status = int(stream.readline().split()[1])
        lines = iter(lambda: stream.readline().decode().strip(), "")
        heads = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
        return status, heads, stream.read(int(heads["content-length"]))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("serving")
    log = folder / "log"
    with process(["-c", FEW_FILES], {"DAYROLL_HOME": str(folder / "home")}, log) as child:
        address = wait_for_line(child, log, "Dayroll is at").split()[-1]
        yield Server(int(address.rstrip("/").rpartition(":")[2]), child.pid, log)


def may_send(connection: socket.socket, asking: bytes) -> bool:
    """Whether the server would have the body of a request whose head is sent."""
    connection.sendall(asking)
    with connection.makefile("rb") as stream:
        return stream.readline().split()[1] == b"100"


def post(path: str, length: int, *heads: str) -> bytes:
    said = [f"POST {path} HTTP/1.1", "Host: localhost", f"Content-Length: {length}", *heads]
    return ("\r\n".join(said) + "\r\n\r\n").encode()


def test_nothing_of_a_body_is_kept_for_whoever_shows_no_key(server: Server) -> None:
    with server.connect() as connection:
        connection.sendall(post("/livez", 20_000_000))
        for _ in range(20):
            connection.sendall(bytes(1_000_000))
            assert server.spooled_bytes() == 0
        status, _, body = answer(connection)
    assert status == 413 and b"longer than 64000 bytes" in body


@pytest.mark.parametrize(
    "sent", [b"GET / HTTP/1.1\r\nNo Colon\r\n\r\n", post("/livez", 64_001), post("/api/v1/x", 64_001)]
)
def test_what_is_refused_at_the_door_says_what_a_browser_may_do_with_it_too(server: Server, sent: bytes) -> None:
    status, heads, _ = server.ask(sent + bytes(64_001 if sent.startswith(b"POST") else 0))
    assert status in (400, 413)
    assert heads["x-content-type-options"] == "nosniff"
    assert "frame-ancestors 'none'" in heads["content-security-policy"]


def test_a_body_that_is_far_too_long_is_refused_before_it_is_sent(server: Server) -> None:
    status, heads, _ = server.ask(post("/livez", 1_000_000_000))
    assert (status, heads["connection"]) == (413, "close")


@pytest.mark.parametrize("expects", [(), ("Expect: 100-continue",)])
def test_below_the_api_it_is_said_as_problem_details(server: Server, expects: tuple[str, ...]) -> None:
    sent = post("/api/v1/venues", 4_000_001, "Authorization: Bearer none", *expects)
    status, heads, body = server.ask(sent if expects else sent + bytes(4_000_001))
    told = json.loads(body)
    assert (status, told["type"], heads["content-type"]) == (
        413,
        "/api/v1/problems/body-too-large",
        "application/problem+json",
    )
    assert told["instance"] == f"urn:uuid:{heads['x-request-id']}"
    assert told["detail"] == "The body is longer than 4000000 bytes."


@pytest.mark.parametrize("order", [0, 1])
def test_nobody_hides_a_second_request_in_the_body_of_a_first(server: Server, order: int) -> None:
    """RFC 9112 section 6.3: with both a length and chunks, the length is not heeded."""
    said = ["Content-Length: 4", "Transfer-Encoding: chunked"]
    first, second = said[order], said[1 - order]
    hidden = b"GET /livez HTTP/1.1\r\nHost: localhost\r\n\r\n"
    heads = f"POST /livez HTTP/1.1\r\nHost: localhost\r\n{first}\r\n{second}\r\n\r\n".encode()
    with server.connect() as connection:
        connection.sendall(heads + b"%x\r\n" % len(hidden) + hidden + b"\r\n0\r\n\r\n")
        assert answer(connection)[0] == 403, "a form from elsewhere"
        connection.sendall(HEADS.replace(b"/livez", b"/nowhere") + b"\r\n")
        assert answer(connection)[0] == 404, "what comes next is what was sent next"


@pytest.mark.parametrize("length", ["-1", "+1", "0x1", "1, 2", "1\r\nContent-Length: 2"])
def test_a_length_that_is_none_is_refused(server: Server, length: str) -> None:
    heads = f"POST /livez HTTP/1.1\r\nHost: localhost\r\nContent-Length: {length}\r\n\r\n"
    assert server.ask(heads.encode())[0] == 400


def test_a_chunked_body_has_the_same_bound(server: Server) -> None:
    heads = "POST /livez HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
    chunk = b"ffff\r\n" + bytes(0xFFFF) + b"\r\n"
    assert server.ask(heads.encode() + chunk)[0] == 413


def test_bodies_that_are_promised_have_room_or_are_refused(server: Server) -> None:
    known = ("Authorization: Bearer none", "Content-Type: image/png")
    upload = post("/api/v1/uploads", 120_000_000, *known)
    asking = post("/api/v1/uploads", 120_000_000, *known, "Expect: 100-continue")
    with ExitStack() as stack:
        for _ in range(4):
            assert may_send(stack.enter_context(server.connect()), asking)
        status, heads, body = server.ask(upload + bytes(120_000_000))
        assert (status, heads["retry-after"]) == (503, "5")
        assert json.loads(body)["type"] == "/api/v1/problems/unavailable"
        assert server.ask(HEADS + b"\r\n")[0] == 200

    def has_room() -> bool:
        with server.connect() as connection:
            return may_send(connection, asking)

    wait_for(has_room, "that what the others promised is forgotten")
    assert server.ask(post("/api/v1/uploads", 100_000, "Authorization: Bearer none") + bytes(100_000))[0] == 401


def test_a_head_that_trickles_is_closed(server: Server) -> None:
    began = time.monotonic()
    with server.connect() as connection:
        connection.sendall(HEADS)
        connection.settimeout(0.5)
        while time.monotonic() - began < PATIENCE_S:  # by default it would be for ever
            try:
                connection.sendall(b"X")
                assert connection.recv(1) == b""
                break
            except TimeoutError:
                continue
            except (ConnectionResetError, BrokenPipeError):
                break
        else:
            pytest.fail("it is not closed")
    assert time.monotonic() - began > 9.0


def test_connections_that_do_nothing_shut_nobody_out(server: Server) -> None:
    with ExitStack() as stack:
        for _ in range(150):
            stack.enter_context(server.connect()).sendall(HEADS)
        assert server.ask(HEADS + b"\r\n")[0] == 200
    assert "connections are taken; the longest waiting give way" in server.log.read_text()


@pytest.mark.parametrize("path", ["/api/v1/node/clock", "/api/v1/node/work", f"/api/v1/plates/{'0' * 64}.png"])
def test_nodes_are_answered_while_every_page_is_waited_for(tmp_path: Path, path: str) -> None:
    log, environment = tmp_path / "log", {"DAYROLL_HOME": str(tmp_path), "DJANGO_SETTINGS_MODULE": "server.settings"}
    with process(["-c", SLOW_PAGES], environment, log) as child, ExitStack() as stack:
        slow = Server(int(wait_for_line(child, log, "listens at").split()[-1]), child.pid, log)
        for _ in range(4):
            stack.enter_context(slow.connect()).sendall(HEADS.replace(b"/livez", b"/") + b"\r\n")
        wait_for(lambda: log.read_text().count("a page is made") == 2, "that every thread makes a page")
        assert slow.ask(HEADS.replace(b"/livez", path.encode()) + b"\r\n")[0] == 200
        status, heads, _ = slow.ask(HEADS + b"\r\n")
        assert (status, heads["retry-after"]) == (503, "5"), "every page is waited for in vain"


def ask_for(path: str) -> bytes:
    return HEADS.replace(b"/livez", path.encode()) + b"\r\n"


@pytest.fixture(params=["0.0", "5.0"], ids=["at last", "at once"])
def full(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Server]:
    """Whoever cannot be answered hears it at last, as it is not known how long an answer takes; or at once."""
    log, environment = tmp_path / "log", {"DAYROLL_HOME": str(tmp_path), "DJANGO_SETTINGS_MODULE": "server.settings"}
    with process(["-c", FULL, request.param], environment, log) as child:
        yield Server(int(wait_for_line(child, log, "listens at").split()[-1]), child.pid, log)


@pytest.mark.parametrize(
    ("theirs", "others"), [("/api/v1/node/work", "/livez"), ("/api/v1/venues", "/api/v1/node/clock")]
)
def test_who_cannot_be_answered_is_told_to_come_again_and_the_other_lane_goes_on(
    full: Server, theirs: str, others: str
) -> None:
    with ExitStack() as stack:
        for _ in range(2):
            stack.enter_context(full.connect()).sendall(ask_for(theirs))
        wait_for(lambda: full.log.read_text().count(f"asked for {theirs}") == 2, "that every thread is taken")
        waiting = [stack.enter_context(full.connect()) for _ in range(20)]
        for one in waiting:
            one.sendall(ask_for(theirs))
        assert full.ask(ask_for(others))[0] == 200
        for one in waiting:
            status, heads, body = answer(one)
            told = json.loads(body)
            assert (status, heads["retry-after"], told["type"]) == (503, "5", "/api/v1/problems/unavailable")
            assert told["instance"] == f"urn:uuid:{heads['x-request-id']}"
            assert one.recv(1) == b"", "it is closed"
        assert full.ask(ask_for(others))[0] == 200
    assert full.log.read_text().count(f"asked for {theirs}") == 2, "nobody else took a thread"
    assert full.log.read_text().count("some are told to come again") == 1


def test_a_person_is_told_so_in_words(full: Server) -> None:
    with ExitStack() as stack:
        for _ in range(4):
            stack.enter_context(full.connect()).sendall(ask_for("/venues"))
        status, heads, body = full.ask(ask_for("/venues"))
    assert (status, heads["retry-after"], heads["content-type"]) == (503, "5", "text/plain; charset=utf-8")
    assert b"may be sent again in 5 s" in body


@pytest.mark.parametrize("threads", [2, 3, 8])
def test_what_is_light_is_answered_while_all_that_is_costly_is_asked_for(tmp_path: Path, threads: int) -> None:
    log, environment = tmp_path / "log", {"DAYROLL_HOME": str(tmp_path), "DJANGO_SETTINGS_MODULE": "server.settings"}
    with process(["-c", COSTLY_PAGES, str(threads)], environment, log) as child, ExitStack() as stack:
        costly = Server(int(wait_for_line(child, log, "listens at").split()[-1]), child.pid, log)
        for number in range(2 * threads):
            path = b"/described" if number % 2 else b"/drawn"
            stack.enter_context(costly.connect()).sendall(HEADS.replace(b"/livez", path) + b"\r\n")
        wait_for(lambda: log.read_text().count("asked for") >= threads, "that as many were asked for as threads")
        assert costly.ask(HEADS + b"\r\n")[0] == 200


def test_a_fleet_is_served_with_the_same_bounds() -> None:
    web = yaml.safe_load((Path(__file__).parents[3] / "docker" / "compose.yaml").read_text())["services"]["web"]
    assert web["command"][:3] == ["dayroll", "serve", "--web-only"]
    assert web["ulimits"]["nofile"] >= 3 * 1000 + 200


def test_a_connection_is_kept_from_one_request_to_the_next(server: Server) -> None:
    with server.connect() as connection:
        for _ in range(3):
            connection.sendall(HEADS + b"\r\n")
            assert answer(connection)[0] == 200


@pytest.mark.parametrize("path", ["/livez", "/api/v1/schema", "/api/v1/venues"])
def test_to_head_the_heads_only_are_answered(server: Server, path: str) -> None:
    with server.connect() as connection:
        connection.sendall(HEADS.replace(b"GET /livez", f"HEAD {path}".encode()) + b"\r\n")
        with connection.makefile("rb") as stream:
            heads = list(iter(stream.readline, b"\r\n"))
        assert any(line.lower().startswith(b"content-length: ") and line[16:].strip() != b"0" for line in heads)
        connection.sendall(HEADS + b"\r\n")
        assert answer(connection)[0] == 200


@pytest.mark.parametrize(
    ("path", "heads", "most"),
    [
        ("/api/v1/uploads", {"AUTHORIZATION": "x"}, 128_000_000),
        ("/api/v1/uploads", {}, 64_000),
        ("/api/v1/uploads", {"COOKIE": "x"}, 4_000_000),
        ("/api/v1/node/reports", {"AUTHORIZATION": "x"}, 4_000_000),
        ("/api/v1/node/enrol", {}, 64_000),
        ("/venues/quay/hours", {"COOKIE": "x"}, 4_000_000),
        ("/sources/new", {"COOKIE": "x"}, 128_000_000),
        ("/sources/land/change", {"COOKIE": "x"}, 128_000_000),
        ("/sources/land/change", {}, 64_000),
        ("/sources/land/retire", {"COOKIE": "x"}, 4_000_000),
    ],
)
def test_how_long_a_body_may_be(path: str, heads: dict[str, str], most: int) -> None:
    assert largest_body(path, heads) == most
