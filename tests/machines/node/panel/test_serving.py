"""The panel over real HTTP, as a browser without scripts uses it."""

from __future__ import annotations

import re
import socket
import struct
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import urlencode

import pytest
import urllib3

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.node.clock.server_time import Estimate
from machines.node.panel import panel as module
from machines.node.panel.pages import WANTS_TICK, actions_page
from machines.node.panel.panel import Panel
from machines.node.panel.panel_state import gather
from machines.node.panel.pin import FREE_GUESSES, hashed
from machines.node.panel.serving import PanelServer, read_address, serving
from machines.node.store import identity
from machines.node.store.identity import Credentials
from machines.node.store.journal import change_state
from machines.node.sync.timekeeper import Timekeeper
from machines.node.waiting import supervised
from machines.node.work.takeover import enrol
from machines.operator import holds
from machines.operator.labels import ARM, LABELS
from machines.operator.safety_notes import ALWAYS_HOLDS, BESIDE
from machines.protocol.journal_entries import OperatorActed
from machines.protocol.messages import Whereabouts
from tests.machines.node.relay import line_profile
from tests.machines.node.rig import HandClock, Rig, make_studio

PIN = "271828"


@dataclass
class Browser:
    """Keeps one cookie."""

    url: str
    cookie: str = ""
    pool: urllib3.PoolManager = field(default_factory=lambda: urllib3.PoolManager(retries=False))

    def get(self, path: str) -> tuple[int, str]:
        answer = self.pool.request("GET", self.url + path, headers={"Cookie": self.cookie}, timeout=10.0)
        return answer.status, answer.data.decode()

    def post(self, path: str, **form: str) -> urllib3.BaseHTTPResponse:
        headers = {"Cookie": self.cookie, "Content-Type": "application/x-www-form-urlencoded"}
        body = urlencode(form)
        answer = self.pool.request("POST", self.url + path, body=body, headers=headers, redirect=False, timeout=10.0)
        if "Set-Cookie" in answer.headers:
            self.cookie = answer.headers["Set-Cookie"].partition(";")[0]
        return answer

    def enter(self) -> None:
        answer = self.post("/enter", pin=PIN)
        assert (answer.status, answer.headers["Location"]) == (303, "/do")

    def form_token(self) -> str:
        found = re.search('name="form_token" value="([^"]+)"', self.get("/do")[1])
        assert found is not None
        return found[1]

    def act(self, action: str, **more: str) -> urllib3.BaseHTTPResponse:
        return self.post("/act", form_token=self.form_token(), action=action, **more)


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    clock = HandClock()
    made = Rig(tmp_path, make_studio(clock), clock)
    made.fetch()
    made.run_columns(30)
    with made.journal.transaction() as db:
        enrol(db, Credentials(server="http://host", token="secret-token", machine="m<1>", epoch=1))
        identity.keep_pin(db, hashed(PIN, SYSTEM))
    return made


@pytest.fixture
def browser(node: Rig) -> Iterator[Browser]:
    panel = Panel(node.journal, node.clock, lambda: Estimate(now=node.clock.at, error_s=0.1), SYSTEM)
    with serving(panel, ("127.0.0.1", 0)) as port:
        yield Browser(f"http://127.0.0.1:{port}")


def test_anybody_may_read_how_it_is(browser: Browser) -> None:
    status, page = browser.get("/")
    assert status == 200
    assert "turn 1 of 1, column 30 of 720" in page
    assert "by count" in page
    assert ALWAYS_HOLDS.replace("'", "&#x27;") in page
    assert "<dd>2026-09-22 14:14 UTC</dd>" in page
    assert "secret-token" not in page
    assert "m&lt;1&gt;" in page, "what comes from outside is escaped"


def test_it_is_named_as_people_call_it_once_a_server_said_how(node: Rig, browser: Browser) -> None:
    assert "<h1>Machine m&lt;1&gt;</h1>" in browser.get("/")[1]
    node.studio.stands = Whereabouts(machine="Swift <2>", venue="The Fog Loft", zone="America/St_Johns")
    node.fetch()
    page = browser.get("/")[1]
    assert "<h1>Swift &lt;2&gt;</h1>" in page
    assert "<p>At The Fog Loft; times are those of America/St_Johns.</p>" in page
    assert "UTC−2:30" in page
    browser.enter()
    assert "Swift &lt;2&gt;. At The Fog Loft" in browser.get("/do")[1]


def test_whoever_sets_the_time_need_not_know_what_the_zone_is_called(node: Rig) -> None:
    node.studio.stands = Whereabouts(machine="Swift", venue="The Fog Loft", zone="America/St_Johns")
    node.fetch()
    facts = gather(node.journal, None)
    page = actions_page(facts, "token", "")
    assert 'name="zone" value="America/St_Johns"' in page


def test_it_answers_to_the_name_that_people_call_it_by(node: Rig) -> None:
    panel = Panel(node.journal, node.clock, lambda: None, SYSTEM)
    with serving(panel, ("127.0.0.1", 0), "http://machine-7.lan:8370") as port:
        pool = urllib3.PoolManager(retries=False)
        for host, status in (("machine-7.lan:8370", 200), ("machine-8.lan:8370", 421)):
            assert pool.request("GET", f"http://127.0.0.1:{port}/", headers={"Host": host}).status == status


def test_the_pages_need_nothing_from_outside_and_no_script(browser: Browser) -> None:
    browser.enter()
    for path in ("/", "/do"):
        page = browser.get(path)[1]
        assert "<script" not in page
        assert set(re.findall('(?:href|src|action)="([^"]*)"', page)) <= {
            "/", "/do", "/panel.css", "/act", "/leave", "/enter", "/?language=en", "/?language=pt",
        }  # fmt: skip
        assert 'name="viewport"' in page
    answer = browser.pool.request("GET", browser.url + "/")
    assert answer.headers["Cache-Control"] == "no-store"
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert browser.get("/panel.css")[0] == 200
    assert "url(" not in browser.get("/panel.css")[1]


def test_cautions_stand_beside_each_action(browser: Browser) -> None:
    browser.enter()
    page = browser.get("/do")[1]
    sections = dict(re.findall("<section><h2>([^<]*)</h2>(.*?)</section>", page, re.DOTALL))
    for action, label in LABELS.items():
        for caution in BESIDE[action]:
            assert caution.replace("'", "&#x27;") in sections[label]
    assert "cut-resistant gloves" in sections["Blade was changed"]


def test_only_what_is_possible_now_has_a_button(browser: Browser) -> None:
    browser.enter()
    page = browser.get("/do")[1]
    assert "<button>Pause</button>" in page
    assert "<button>Resume</button>" not in page
    assert "Not now: park it for service first." in page
    browser.act("stop")
    page = browser.get("/do")[1]
    assert "<button>Release the stop</button>" in page
    assert "<button>Arm the knife</button>" not in page


def test_without_the_pin_nothing_can_be_done(browser: Browser, node: Rig) -> None:
    assert "PIN of this node" in browser.get("/do")[1]
    assert browser.post("/act", action="stop").status == 403
    assert browser.post("/enter", pin="000000").status == 403
    assert node.journal.state().hold == ""


def test_guessing_is_locked_out(browser: Browser) -> None:
    for _ in range(FREE_GUESSES):
        assert browser.post("/enter", pin="000000").status == 403
    answer = browser.post("/enter", pin=PIN)
    assert answer.status == 429
    assert int(answer.headers["Retry-After"]) > 50


def raw(browser: Browser, request: str) -> bytes:
    """What is answered to octets that no browser of ours would send."""
    port = int(browser.url.rpartition(":")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=10.0) as wire:
        wire.sendall(request.replace("\n", "\r\n").encode())
        said = b""
        while piece := wire.recv(65_536):
            said += piece
    return said


@pytest.mark.parametrize("host", ["attacker.example", "127.0.0.1.attacker.example", "[::1", "x@y:z", ""])
@pytest.mark.parametrize("line", ["GET /", "GET /do", "POST /enter"])
def test_by_a_foreign_name_it_is_not_to_be_had(browser: Browser, host: str, line: str) -> None:
    said = raw(browser, f"{line} HTTP/1.1\nHost: {host}\nContent-Length: 10\n\npin={PIN}")
    assert said.startswith(b"HTTP/1.0 421 ")
    assert b"turn" not in said and b"PIN of this node" not in said and b"Cookie" not in said


@pytest.mark.parametrize("line", ["TRACE / HTTP/1.1", "GET / HTTP/9.9", "GET", "PUT / HTTP/1.1", "GET  /  x HTTP/1.1"])
def test_what_cannot_be_answered_says_what_a_browser_may_do_with_it_too(browser: Browser, line: str) -> None:
    said = raw(browser, f"{line}\nHost: 127.0.0.1\nX-Secret: tide\n\n").decode()
    assert said.startswith("HTTP/1.0 ") and said[9] in "45"
    assert "X-Content-Type-Options: nosniff" in said and "frame-ancestors 'none'" in said
    assert "tide" not in said and "<" not in said


def test_who_gave_the_pin_and_who_did_not_leaves_a_line(browser: Browser, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    browser.post("/enter", pin="000000")
    browser.enter()
    assert [one.getMessage() for one in caplog.records if "panel" in one.name] == [
        "at the panel: a wrong PIN from 127.0.0.1",
        "at the panel: the PIN was given from 127.0.0.1",
    ]
    assert PIN not in caplog.text


def test_without_a_name_it_is_not_to_be_had(browser: Browser) -> None:
    assert raw(browser, "GET / HTTP/1.1\n\n").startswith(b"HTTP/1.0 421 ")


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:8370", "192.168.4.1:8370", "[fd00::7]:8370", "localhost", "LOCALHOST.:8370"]
)
def test_by_a_number_or_a_name_of_its_own_it_is(browser: Browser, host: str) -> None:
    assert raw(browser, f"GET / HTTP/1.1\nHost: {host}\n\n").startswith(b"HTTP/1.0 200 ")


def test_by_the_name_of_the_board_it_is(browser: Browser) -> None:
    name = socket.gethostname()
    for host in (name, name.partition(".")[0] + ".local:8370"):
        assert raw(browser, f"GET / HTTP/1.1\nHost: {host}\n\n").startswith(b"HTTP/1.0 200 ")


@pytest.mark.parametrize(
    "said",
    [
        "Origin: https://attacker.example",
        "Origin: null",
        "Origin: http://127.0.0.1:1",
        "Sec-Fetch-Site: cross-site",
        "Sec-Fetch-Site: same-site",
    ],
)
def test_a_form_from_elsewhere_is_no_try(browser: Browser, said: str) -> None:
    host = browser.url.removeprefix("http://")
    for _ in range(2 * FREE_GUESSES):
        answer = raw(browser, f"POST /enter HTTP/1.1\nHost: {host}\n{said}\nContent-Length: 10\n\npin=000000")
        assert answer.startswith(b"HTTP/1.0 403 ")
    right = raw(browser, f"POST /enter HTTP/1.1\nHost: {host}\n{said}\nContent-Length: 10\n\npin={PIN}")
    assert right.startswith(b"HTTP/1.0 403 ") and b"Cookie" not in right
    own = f"Origin: http://{host}\nSec-Fetch-Site: same-origin"
    entered = raw(browser, f"POST /enter HTTP/1.1\nHost: {host}\n{own}\nContent-Length: 10\n\npin={PIN}")
    assert entered.startswith(b"HTTP/1.0 303 ")


def test_a_browser_that_gave_the_pin_is_known_again(browser: Browser, node: Rig) -> None:
    cookies = browser.post("/enter", pin=PIN).headers.getlist("Set-Cookie")
    known = next(cookie for cookie in cookies if cookie.startswith("panel-known="))
    assert "Max-Age=15552000" in known and "HttpOnly" in known and "SameSite=Strict" in known
    with node.journal.transaction() as db:
        kept = identity.pin(db)
        assert kept is not None
        identity.keep_pin(db, replace(kept, failures=50))
    browser.cookie = ""
    assert browser.post("/enter", pin=PIN).status == 429
    browser.cookie = known.partition(";")[0]
    assert browser.post("/enter", pin=PIN).status == 303


def test_stop_and_pause_want_the_pin_where_nobody_opened_them(browser: Browser, node: Rig) -> None:
    assert "<button>Stop</button>" not in browser.get("/")[1]
    assert browser.post("/halt", action="stop").status == 403
    assert node.journal.state().hold == ""


def test_where_they_are_open_nobodys_tries_keep_staff_from_stop_and_pause(node: Rig) -> None:
    panel = Panel(node.journal, node.clock, lambda: None, SYSTEM, "boot", stop_is_open=True)
    with serving(panel, ("127.0.0.1", 0)) as port:
        browser = Browser(f"http://127.0.0.1:{port}")
        for _ in range(FREE_GUESSES):
            browser.post("/enter", pin="000000")
        assert browser.post("/enter", pin=PIN).status == 429
        page = browser.get("/")[1]
        assert "<button>Stop</button>" in page and "<button>Pause</button>" in page
        for caution in (*BESIDE["stop"], *BESIDE["pause"]):
            assert caution.replace("'", "&#x27;") in page
        answer = browser.post("/halt", action="pause")
        assert answer.status == 200 and "Done: Pause." in answer.data.decode()
        assert node.journal.state().hold == holds.PAUSED
        assert browser.post("/halt", action="stop").status == 200
        assert node.journal.state().hold == holds.STOPPED
        for other in ("release", "resume", ARM, "feed", "place-set", "", "fly"):
            assert browser.post("/halt", action=other, looked="yes").status == 403
        assert node.journal.state().hold == holds.STOPPED
        host = browser.url.removeprefix("http://")
        node.clock.at += 1.0
        foreign = (
            f"POST /halt HTTP/1.1\nHost: {host}\nOrigin: http://attacker.example\nContent-Length: 11\n\naction=stop"
        )
        assert raw(browser, foreign).startswith(b"HTTP/1.0 403 ")


@pytest.fixture
def anybody(node: Rig) -> Iterator[Browser]:
    """Of the panel's network, where stop and pause are open."""
    panel = Panel(node.journal, node.clock, lambda: None, SYSTEM, "boot", stop_is_open=True)
    with serving(panel, ("127.0.0.1", 0)) as port:
        yield Browser(f"http://127.0.0.1:{port}")


@pytest.mark.parametrize("action", ["stop", "pause"])
@pytest.mark.parametrize("hold", holds.AT_MACHINE)
def test_without_the_pin_nobody_holds_it_less_fast(anybody: Browser, node: Rig, hold: str, action: str) -> None:
    """In a machine that is paused the knife can be armed; in one that is parked there may be hands."""
    with node.journal.transaction() as db:
        change_state(db, hold=hold)
    offered = f"<button>{LABELS[action]}</button>" in anybody.get("/")[1]
    assert offered == (hold == "" if action == "pause" else hold != holds.STOPPED)
    answer = anybody.post("/halt", action=action)
    then = {"stop": holds.STOPPED, "pause": holds.PAUSED}[action]
    assert answer.status == (200 if offered or hold == then else 409)
    assert node.journal.state().hold == (then if offered else hold)


def test_without_the_pin_what_is_so_already_is_not_written_again(
    anybody: Browser, node: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    for action, hold in (("pause", holds.PAUSED), ("stop", holds.STOPPED)):
        anybody.post("/halt", action=action)
        told, actions = node.journal.news.told, node.journal.state().actions
        for _ in range(3):
            answer = anybody.post("/halt", action=action)
            assert answer.status == 200
            assert holds.AT_MACHINE[hold] in answer.data.decode()
        assert (node.journal.news.told, node.journal.state().actions) == (told, actions)
    assert [one.getMessage() for one in caplog.records if "panel" in one.name] == [
        "at the panel: pause without the PIN from 127.0.0.1",
        "at the panel: stop without the PIN from 127.0.0.1",
    ]


def test_a_fault_of_the_loop_does_not_end_the_pages(node: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervised, "PAUSE_S", 0.0)
    handle, faults = PanelServer.handle_request, [ZeroDivisionError("a fault of this program")]

    def once_wrong(server: PanelServer) -> None:
        if faults:
            raise faults.pop()
        handle(server)

    monkeypatch.setattr(PanelServer, "handle_request", once_wrong)
    with serving(Panel(node.journal, node.clock, lambda: None, SYSTEM), ("127.0.0.1", 0)) as port:
        assert Browser(f"http://127.0.0.1:{port}").get("/")[0] == 200
    assert not faults


def test_a_caller_that_breaks_off_leaves_one_line(browser: Browser, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    port = int(browser.url.rpartition(":")[2])
    wire = socket.create_connection(("127.0.0.1", port), timeout=10.0)
    wire.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Long")
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    wire.close()
    until = time.monotonic() + 30.0
    while not (lost := [record for record in caplog.records if "lost a caller" in record.message]):
        assert time.monotonic() < until, "the caller is missed"
        time.sleep(0.01)
    assert all(record.exc_info is None or not record.exc_info for record in lost)


def test_a_form_of_another_page_counts_for_nothing(browser: Browser, node: Rig) -> None:
    browser.enter()
    assert browser.post("/act", action="stop").status == 403
    assert browser.post("/act", action="stop", form_token="ü").status == 403
    other = Browser(browser.url)
    other.enter()
    assert browser.post("/act", action="stop", form_token=other.form_token()).status == 403
    assert node.journal.state().hold == ""


def test_the_cookie_is_for_this_page_alone(browser: Browser) -> None:
    headers = browser.post("/enter", pin=PIN).headers
    assert "HttpOnly" in headers["Set-Cookie"]
    assert "SameSite=Strict" in headers["Set-Cookie"]


def test_after_leaving_the_pin_is_asked_again(browser: Browser) -> None:
    browser.enter()
    kept, token = browser.cookie, browser.form_token()
    assert browser.post("/leave", form_token=token).status == 303
    browser.cookie = kept
    assert "PIN of this node" in browser.get("/do")[1]


def test_what_is_done_is_an_entry_that_is_reported(browser: Browser, node: Rig) -> None:
    browser.enter()
    for action in ("park", "roll-changed", "cartridge-changed", "blade-changed"):
        answer = browser.act(action)
        assert answer.status == 200
        assert f"Done: {LABELS[action]}." in answer.data.decode()
    assert browser.act("resume").status == 409, "nobody ticked that all is clear"
    assert node.journal.state().hold == holds.PARKED
    assert browser.act("resume", looked="yes").status == 200
    node.run_columns(3)
    node.fetch()
    assert [entry.action for entry in node.studio.all_of(OperatorActed)] == [
        "park", "roll-changed", "cartridge-changed", "blade-changed", "resume",
    ]  # fmt: skip
    assert len(node.paper().laid) > 30


def test_what_cannot_be_done_now_is_said(browser: Browser) -> None:
    browser.enter()
    answer = browser.act("blade-changed")
    assert answer.status == 409
    assert "park it for service first" in answer.data.decode()
    assert browser.act("fly").status == 409


def test_on_a_card_that_cannot_be_written_it_is_said_that_nothing_was_noted(browser: Browser, node: Rig) -> None:
    browser.enter()
    token = browser.form_token()
    with node.journal.reading() as db:
        db.execute("PRAGMA query_only = 1")
    answer = browser.post("/act", form_token=token, action="stop")
    assert answer.status == 503
    assert "Nothing was noted" in answer.data.decode()
    with node.journal.reading() as db:
        db.execute("PRAGMA query_only = 0")
    assert browser.act("stop").status == 200


def test_on_a_card_that_cannot_be_written_a_person_comes_in_and_a_wrong_pin_is_answered(
    browser: Browser, node: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    with node.journal.reading() as db:
        db.execute("PRAGMA query_only = 1")
    answer = browser.post("/enter", pin="000000")
    assert answer.status == 503
    assert "Nothing was noted" in answer.data.decode()
    assert "at the panel: no PIN that could be noted from 127.0.0.1" in caplog.text
    browser.enter()
    assert "What to do" in browser.get("/do")[1]
    for _ in range(FREE_GUESSES):
        assert browser.post("/enter", pin="000000").status == 503
    assert browser.post("/enter", pin=PIN).status == 429


def test_the_knife_is_armed_only_by_a_person_who_has_looked(
    browser: Browser, node: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    monkeypatch.setattr(module.arming, "ask_to_arm", asked.append)
    browser.enter()
    assert ARM in WANTS_TICK
    assert browser.act(ARM).status == 409
    assert not asked
    assert browser.act(ARM, looked="yes").status == 200
    assert asked == [node.journal]


@pytest.mark.parametrize(
    "request_",
    [
        b"POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999\r\n\r\n",
        b"POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
        b"POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 2\r\n\r\n\xff\xff",
        b"POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: \x01=;;=\r\nContent-Length: 0\r\n\r\n",
        b"GET /../journal.sqlite3 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    ],
)
def test_nonsense_is_refused(browser: Browser, request_: bytes) -> None:
    port = int(browser.url.rpartition(":")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=10.0) as wire:
        wire.sendall(request_)
        assert re.match(rb"HTTP/1.0 40[034] ", wire.recv(1000))
    assert browser.get("/")[0] == 200


def test_an_address_is_read_or_refused() -> None:
    assert read_address("192.168.4.1:8370") == ("192.168.4.1", 8370)
    for text in ("8370", ":8370", "host:", "host:http", "host:70000"):
        with pytest.raises(InputError, match="no address and port"):
            read_address(text)


def test_an_address_that_is_taken_is_said(node: Rig) -> None:
    panel = Panel(node.journal, node.clock, lambda: None, SYSTEM)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(InputError, match="in use"), serving(panel, taken.getsockname()):
            pass
    with serving(panel, None) as port:
        assert port is None


# What is done by hand, and the time.


class Stepping:
    """The agent's print loop, in a thread of its own, while the panel waits for it."""

    def __init__(self, node: Rig) -> None:
        self._node, self._over = node, threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._over.is_set():
            self._node.printer.step()
            self._over.wait(0.01)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()


def test_paper_is_fed_from_the_page(browser: Browser, node: Rig) -> None:
    browser.enter()
    assert browser.act("feed", looked="yes", length_mm="20").status == 409, "it is not paused"
    browser.act("pause")
    with Stepping(node):
        assert browser.act("feed", length_mm="20").status == 409, "nobody ticked that all is clear"
        for nonsense in ("", "long", "0", "nan", "9e9"):
            assert browser.act("feed", looked="yes", length_mm=nonsense).status == 409
        before = node.journal.state().paper_position
        answer = browser.act("feed", looked="yes", length_mm="20")
    assert answer.status == 200
    assert "Feed blank paper. Done." in answer.data.decode()
    assert node.journal.state().paper_position == before + 40


def test_a_pattern_is_printed_from_the_page_and_its_reading_is_told(browser: Browser, node: Rig) -> None:
    browser.enter()
    browser.act("pause")
    with Stepping(node):
        assert browser.act("test-pattern", looked="yes", pattern="a-face").status == 409
        assert browser.act("test-pattern", looked="yes").status == 409
        assert browser.act("test-pattern", looked="yes", pattern="squareness").status == 409, "the knife is disarmed"
        answer = browser.act("test-pattern", looked="yes", pattern="nozzles")
    assert answer.status == 200
    assert "each is one dead element" in answer.data.decode()


def test_a_machine_that_lost_its_place_is_told_it_from_the_page(browser: Browser, node: Rig) -> None:
    browser.enter()
    assert browser.act("place-set", looked="yes", length_mm="0").status == 409, "it is not paused"
    browser.act("pause")
    with Stepping(node):
        page = browser.get("/do")[1]
        assert "By this node&#x27;s journal the paper at the head is" in page
        assert "from the head to the roll the paper is blank" in page
        answer = browser.act("place-set", looked="yes", length_mm="0")
        assert answer.status == 409
        assert "the machine knows its place" in answer.data.decode()
        node.memory.erased = True
        assert browser.act("place-set", length_mm="0").status == 409, "nobody ticked that the paper is blank"
        assert browser.act("place-set", looked="yes", length_mm="far").status == 409
        before = node.journal.state().paper_position
        answer = browser.act("place-set", looked="yes", length_mm="20")
    assert answer.status == 200
    assert "The machine knows its place again" in answer.data.decode()
    assert node.memory.told == [max(1, before - 1) + 40]


def test_paper_is_cut_from_the_page(browser: Browser, node: Rig) -> None:
    node.run_columns(30)
    browser.enter()
    assert "arm it first" not in browser.get("/do")[1]
    browser.act("pause")
    while not node.journal.state().conditions:
        node.printer.step()  # it comes to rest, which voids an arming asked before
    with Stepping(node):
        assert browser.act("cut", looked="yes").status == 409
        assert browser.act(ARM, looked="yes").status == 200
        answer = browser.act("cut", looked="yes")
    assert "Cut here. Done." in answer.data.decode()
    assert len(node.paper().cuts) == 1


def test_without_a_knife_there_is_nothing_to_arm_or_cut(tmp_path: Path) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock, profile=line_profile(knife=None)), clock)
    node.fetch()
    with node.journal.transaction() as db:
        identity.keep_pin(db, hashed(PIN, SYSTEM))
    with serving(Panel(node.journal, node.clock, lambda: None, SYSTEM), ("127.0.0.1", 0)) as port:
        browser = Browser(f"http://127.0.0.1:{port}")
        browser.enter()
        page = browser.get("/do")[1]
        assert "<h2>Feed blank paper</h2>" in page
        assert "<h2>Cut here</h2>" not in page
        assert "<h2>Arm the knife</h2>" not in page


def test_the_time_is_set_from_the_page_where_nobody_else_knows_it(node: Rig) -> None:
    known: list[Estimate | None] = [Estimate(now=node.clock.at, error_s=0.1)]
    panel = Panel(node.journal, node.clock, lambda: known[0], SYSTEM, "boot")
    with serving(panel, ("127.0.0.1", 0)) as port:
        browser = Browser(f"http://127.0.0.1:{port}")
        browser.enter()
        given = {"looked": "yes", "time": "2026-09-21T16:13:20", "zone": " Europe/Lisbon ", "within_s": "45"}
        assert "the server has told the time" in browser.act("set-time", **given).data.decode()
        known[0] = None
        for wrong in ({"looked": "no"}, {"time": ""}, {"zone": "Nowhere/None"}, {"within_s": "0"}, {"within_s": "x"}):
            assert browser.act("set-time", **(given | wrong)).status == 409
        assert not node.journal.state().time_said
        assert browser.act("set-time", **given).status == 200
    time = Timekeeper(node.clock, node.journal, "boot").estimate()
    assert time is not None
    assert (time.by_hand, time.error_s) == (True, 45.0)
    assert time.now == 1790003600.0


def test_after_a_wrong_press_the_way_back_stands_unfolded(browser: Browser, node: Rig) -> None:
    browser.enter()
    assert "<button>Roll was not changed</button>" not in browser.get("/do")[1]
    browser.act("park")
    said = browser.act("roll-changed").data.decode()
    assert "Done: Roll was changed. If that was a mistake, take it back: Roll was not changed." in said
    page = browser.get("/do")[1]
    assert "<button>Roll was not changed</button>" in page.partition("<details>")[0]
    assert browser.act("roll-not-changed").status == 409, "nobody ticked that it is the one from before"
    assert node.journal.state().roll_place == 30
    assert browser.act("roll-not-changed", looked="yes").status == 200
    assert node.journal.state().roll_place == 0
    assert "<button>Roll was not changed</button>" not in browser.get("/do")[1]
    refused = browser.act("roll-not-changed", looked="yes")
    assert refused.status == 409 and "of late nobody said that it was" in refused.data.decode()


def test_once_it_goes_on_the_way_back_is_folded(browser: Browser) -> None:
    browser.enter()
    for action in ("park", "blade-changed"):
        browser.act(action)
    browser.act("resume", looked="yes")
    unfolded, rest = browser.get("/do")[1].split("<details>", 1)
    assert "Blade was not changed" not in unfolded
    assert "<button>Blade was not changed</button>" in rest


def test_a_wrong_resume_has_pause_as_its_way_back(browser: Browser, node: Rig) -> None:
    browser.enter()
    browser.act("pause")
    browser.act("resume", looked="yes")
    assert "<button>Pause</button>" in browser.get("/do")[1].partition("<details>")[0]
    assert browser.act("pause").status == 200
    assert node.journal.state().hold == holds.PAUSED
