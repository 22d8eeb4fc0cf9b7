"""The panel of a node in a process of its own, with the server gone."""

from __future__ import annotations

import socket
from collections.abc import Callable

from machines.protocol.journal_entries import KnifeArmed, KnifeDisarmed, OperatorActed, StripCut
from tests.machines.node.hostile import answer
from tests.machines.node.panel.test_serving import PIN, Browser
from tests.machines.node.relay import line_profile
from tests.machines.node.test_end_to_end import NEAR_KNIFE, Bench, checked, make_bench, wait_for

__all__ = ["make_bench"]  # the fixture


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_with_no_server_in_reach_a_person_parks_changes_the_blade_resumes_and_arms(
    make_bench: Callable[..., Bench],
) -> None:
    bench = make_bench("replay", line_profile(knife=NEAR_KNIFE))
    said = bench.call("enrol", "--server", bench.url, "--pin-file", "-", given=f"{PIN}\ngood\n").stdout
    assert PIN not in said and "the one that was given" in said
    port = free_port()
    called = f"http://machine-7.lan:{port}"
    agent = bench.start("--panel", f"127.0.0.1:{port}", "--panel-called", called)
    bench.wait_for_columns(5)
    assert bench.studio.statuses[-1].panel == called, "the server is told where people find it"
    bench.studio.down = True
    browser = Browser(f"http://127.0.0.1:{port}")
    assert "printing run run" in browser.get("/")[1]
    browser.enter()
    assert browser.act("park").status == 200
    wait_for(lambda: "paused" in browser.get("/")[1], "the word that it stands")
    count = len(bench.laid())
    assert browser.act("blade-changed").status == 200
    assert len(bench.laid()) == count
    assert browser.act("resume", looked="yes").status == 200
    wait_for(lambda: len(bench.laid()) > count, "a column after it was resumed")
    browser.enter()  # a page that was left for a quarter of an hour, as this clock shows it, asks for the PIN again
    answer = browser.act("arm-knife", looked="yes")
    assert answer.status == 200, answer.data.decode()
    browser.enter()
    said = browser.act("pause").data.decode()
    assert "Done: Pause." in said
    assert "<button>Arm the knife</button>" in said and "it is armed" not in said, "it came to rest before the answer"
    browser.enter()
    assert "The knife is off: arm it" in browser.act("resume", looked="yes").data.decode()
    browser.enter()
    assert browser.act("arm-knife", looked="yes").status == 200
    bench.studio.down = False
    bench.wait_for_the_end()
    bench.stop(agent)
    assert checked(bench) == bench.whole
    assert [one.action for one in bench.studio.all_of(OperatorActed)] == [
        "park",
        "blade-changed",
        "resume",
        "pause",
        "resume",
    ]
    assert len(bench.studio.all_of(KnifeArmed)) == 2
    assert [one.why for one in bench.studio.all_of(KnifeDisarmed)] == ["paused"]
    assert any(cut.made for cut in bench.studio.all_of(StripCut))


def test_the_page_says_since_when_and_why_the_server_is_out_of_reach_and_has_it_called(
    make_bench: Callable[..., Bench],
) -> None:
    bench = make_bench()
    bench.call("enrol", "--server", bench.url, "--pin-file", "-", given=f"{PIN}\ngood\n")
    port = free_port()
    agent = bench.start("--panel", f"127.0.0.1:{port}")
    browser = Browser(f"http://127.0.0.1:{port}")
    wait_for(lambda: "in reach; heard" in browser.get("/")[1], "the server's answer")
    bench.studio.instead = lambda path: [answer("302 Found", b"", "Location: http://portal.invalid/")]
    browser.enter()
    said = browser.act("call").data.decode()
    assert "The agent has called. The server: what answers is not the server" in said
    page = browser.get("/")[1]
    assert "(portal)" in page and "last heard" in page
    assert "unexpected answer 302" in page
    bench.studio.instead = lambda path: None
    browser.enter()
    assert "The server: in reach; heard" in browser.act("call").data.decode()
    assert "(portal)" not in browser.get("/")[1]
    bench.stop(agent)


def test_where_it_was_started_so_anybody_may_stop_it_and_no_more(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    port = free_port()
    agent = bench.start("--panel", f"127.0.0.1:{port}", "--stop-without-pin")
    bench.wait_for_columns(5)
    browser = Browser(f"http://127.0.0.1:{port}")
    assert "<button>Stop</button>" in browser.get("/")[1]
    assert browser.post("/halt", action="resume", looked="yes").status == 403
    assert "Done: Stop." in browser.post("/halt", action="stop").data.decode()
    assert "stopped by a person" in browser.get("/")[1]
    bench.stop(agent)
    assert [one.action for one in bench.studio.all_of(OperatorActed)] == ["stop"]


def test_a_pin_that_is_none_spends_no_code(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    said = bench.call("enrol", "--server", bench.url, "--pin-file", "-", given="12\ngood", expect=2).stderr
    assert "6 to 12 digits" in said


def test_enrolment_makes_a_pin_up_and_shows_it_once(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    assert "PIN of its panel: " in bench.call("enrol", "--server", bench.url, given="good").stdout
    assert "no panel is served" in bench.call("run", "--panel-called", "http://here", expect=2).stderr
    assert "no address and port" in bench.call("run", "--panel", "here", expect=2).stderr
