"""The relay does to a connection what it says, and nothing when nothing is wrong."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
import urllib3

from tests.faults import newer
from tests.faults.relay import TROUBLES, Relay, relaying


@dataclass
class Heard:
    """What arrived at the server, in order: the bodies of reports, and paths."""

    bodies: list[bytes] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)


@contextmanager
def server(heard: Heard) -> Iterator[int]:
    """A server that hears; gives its port."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            heard.paths.append(self.path)
            heard.bodies.append(self.rfile.read(int(self.headers.get("Content-Length", 0))))
            body = json.dumps({"heard": len(heard.paths)}).encode()
            self.send_response(200)
            self.send_header("ETag", '"tag"')
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        do_POST = do_GET  # noqa: N815 - the name is the library's

        def log_message(self, format: str, *arguments: object) -> None:
            """Not to the terminal."""

    http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=http.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield http.server_port
    finally:
        http.shutdown()
        http.server_close()
        thread.join()


@dataclass
class Line:
    """A node's end of the line."""

    heard: Heard
    relay: Relay
    address: str
    pool: urllib3.PoolManager = field(default_factory=lambda: urllib3.PoolManager(retries=False, timeout=10.0))

    def report(self, number: int = 0) -> urllib3.BaseHTTPResponse:
        url = f"{self.address}/api/v1/node/reports"
        return self.pool.request("POST", url, body=b"%d" % number)

    def ask(self) -> urllib3.BaseHTTPResponse:
        return self.pool.request("GET", f"{self.address}/api/v1/node/work?horizon=PT24H", headers={"X-Mine": "1"})


@pytest.fixture
def line() -> Iterator[Line]:
    heard = Heard()
    with server(heard) as port:
        relay = Relay(port)
        with relaying(relay) as address:
            line = Line(heard, relay, address)
            yield line
            line.pool.clear()


def test_in_calm_weather_it_changes_nothing(line: Line) -> None:
    for number in range(3):
        answer = line.report(number)
        assert (answer.status, answer.headers["ETag"], json.loads(answer.data)) == (200, '"tag"', {"heard": number + 1})
    assert line.heard.bodies == [b"0", b"1", b"2"]
    line.ask()
    assert line.heard.paths[-1] == "/api/v1/node/work?horizon=PT24H"
    assert not +line.relay.hits


def test_lost_answers_reached_the_server_all_the_same(line: Line) -> None:
    line.relay.begin("answers-lost")
    lost = 0
    for _ in range(20):
        try:
            line.report()
        except urllib3.exceptions.ProtocolError:
            lost += 1
    assert 0 < lost < 20
    assert len(line.heard.bodies) == 20
    assert line.relay.hits["answers-lost"] == lost


def test_cut_connections_lose_requests_and_halve_answers(line: Line) -> None:
    line.relay.begin("connections-cut")
    whole, broken = 0, 0
    for _ in range(30):
        try:
            whole += json.loads(line.report().data)["heard"] > 0
        except urllib3.exceptions.ProtocolError:
            broken += 1
    assert whole
    assert broken
    assert whole < len(line.heard.bodies) < 30


def test_doubled_reports_arrive_twice_and_are_answered_once(line: Line) -> None:
    line.relay.begin("reports-duplicated")
    assert line.report(7).status == 200
    assert line.heard.bodies == [b"7", b"7"]
    line.ask()
    assert len(line.heard.paths) == 3, "only reports are doubled"


def test_late_reports_come_after_newer_ones(line: Line) -> None:
    line.relay.begin("reports-reordered")
    for number in range(20):
        try:
            line.report(number)
        except urllib3.exceptions.ProtocolError:
            continue
    line.relay.end("reports-reordered")
    line.report(20)
    order = [int(body) for body in line.heard.bodies]
    assert sorted(order) == list(range(21)), "late, but not lost"
    assert order != sorted(order)


def test_a_network_that_is_gone_lets_nothing_through(line: Line) -> None:
    line.relay.begin("network-gone")
    with pytest.raises(urllib3.exceptions.ProtocolError):
        line.ask()
    assert not line.heard.paths
    line.relay.end("network-gone")
    assert line.ask().status == 200


def test_a_portal_answers_in_the_servers_place(line: Line) -> None:
    line.relay.begin("portal")
    assert b"agree to our terms" in line.report().data
    assert not line.heard.paths


def test_slow_connections_are_only_slow(line: Line) -> None:
    line.relay.begin("connections-slow")
    assert line.report(1).status == 200
    assert line.heard.bodies == [b"1"]
    assert line.relay.hits["connections-slow"] == 2, "there and back"


def test_a_server_that_is_away_cuts_the_connection() -> None:
    with server(Heard()) as port:
        pass
    with (
        relaying(Relay(port)) as address,
        urllib3.PoolManager(retries=False) as pool,
        pytest.raises(urllib3.exceptions.ProtocolError),
    ):
        pool.request("GET", f"{address}/api/v1/node/clock")


@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_trouble_that_began_twice_ends_twice(trouble: str) -> None:
    relay = Relay(1)
    relay.begin(trouble)
    relay.begin(trouble)
    relay.end(trouble)
    assert relay.troubles[trouble] == 1
    relay.calm(5)
    assert not +relay.troubles


@pytest.mark.parametrize("trouble", ["redirected", "sent-away", "errors-broken"])
def test_what_comes_between_answers_in_the_servers_place(line: Line, trouble: str) -> None:
    line.relay.begin(trouble)
    seen, broken = set(), 0
    for _ in range(25):
        try:
            seen.add(line.pool.request("GET", f"{line.address}/api/v1/node/work", redirect=False).status)
        except urllib3.exceptions.HTTPError:
            broken += 1
    wanted = {"redirected": {302, 307, 308}, "sent-away": {503}, "errors-broken": {200, 409}}
    assert wanted[trouble] <= seen
    assert (broken > 0) == (trouble == "errors-broken")
    assert line.relay.hits[trouble] == 25 - len(line.heard.paths)


def read_on(line: Line, trouble: str) -> bytes:
    """What is still read of an answer whose trouble ends after its first octets."""
    line.relay.begin(trouble)
    answer = line.pool.request("GET", f"{line.address}/api/v1/node/work", preload_content=False)
    assert len(answer.read(10)) == 10
    line.relay.end(trouble)
    rest = b"".join(iter(lambda: answer.read(2**20), b""))
    answer.close()
    return rest


def test_an_endless_answer_lasts_as_long_as_the_trouble(line: Line) -> None:
    assert len(read_on(line, "answers-endless")) < 2**26
    assert not line.heard.paths


def test_a_dripping_answer_is_never_whole(line: Line) -> None:
    with pytest.raises(urllib3.exceptions.ProtocolError, match="IncompleteRead"):
        read_on(line, "answers-dripping")
    assert not line.heard.paths


def test_a_report_of_a_newer_node_says_more_and_nothing_less(line: Line) -> None:
    line.relay.begin("reports-newer")
    report = {"epoch": 1, "entries": [{"seq": 1, "kind": "knife-armed"}], "status": {"knife_armed": True}}
    line.pool.request("POST", f"{line.address}/api/v1/node/reports", json=report)
    heard = json.loads(line.heard.bodies[0])
    assert heard["entries"] == [{"seq": 1, "kind": "knife-armed", newer.FIELD: 0.25}]
    assert heard["status"] == {"knife_armed": True, newer.FIELD: 0.25}
    assert newer.without(heard["entries"][0]) == report["entries"][0]  # type: ignore[index]
