"""The exchange with a controller that answers by a script: late, out of turn, or nonsense."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from machines.drivers.serial.framing import decode, encode
from machines.drivers.serial.transport import Halted, Limits, Link, LinkLost, new_call
from machines.errors import InputError

GREETING = (
    "head=line nozzles=4 dots=24 pitch-nm=100000 knife=none reach=0 window=3"
    " watchdog-ms=2000 end=0 whole=0 encoder=0 counts=40"
)
Answers = Callable[[list[str]], list[str]]


class Script:
    """A port whose far end answers each line by a function; a clock that only waiting moves."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        self.said: list[list[str]] = []
        self.time_s = 0.0
        self._arriving = b""

    def write(self, octets: bytes) -> None:
        for line in octets.splitlines():
            words = decode(line)
            if words is not None:
                self.said.append(words)
                self.tell(*(self.answers(words)))

    def tell(self, *lines: str) -> None:
        self._arriving += b"".join(encode(*line.split(" ")) for line in lines)

    def read(self, timeout_s: float) -> bytes:
        arrived, self._arriving = self._arriving, b""
        if not arrived:
            self.time_s += timeout_s
        return arrived

    def close(self) -> None:
        pass

    def elapsed(self) -> float:
        return self.time_s

    def now(self) -> float:
        return self.time_s

    def real_s(self, seconds: float) -> float:
        return seconds


def obedient(words: list[str]) -> list[str]:
    match words:
        case ["hello", call, *_]:
            return [f"here {call} 7 1 {GREETING}"]
        case ["ask", "7", number]:
            return [f"state 7 {number} 0 0 0 -"]
        case ["do", "7", number, *_]:
            return [f"state 7 0 {number} {number} 0 -"]
        case ["stop", "7"]:
            return ["halted 7 0 stop -"]
    raise AssertionError(words)


def begun(answers: Answers = obedient, limits: Limits | None = None) -> tuple[Link, Script]:
    script = Script(obedient)
    link = Link(script, script, limits or Limits(), "c")
    script.answers = answers
    return link, script


def test_an_answer_that_was_overtaken_is_ignored() -> None:
    link, script = begun()
    link.perform([("cap",), ("cap",)])
    script.tell("state 7 0 1 1 0 media-low-warning")
    script.answers = lambda words: ["state 7 0 2 2 90 -", "state 7 1 2 2 90 -"]
    assert link.ask() == ()
    assert link.encoder == 90


def test_a_question_is_not_answered_by_what_was_said_before_it() -> None:
    link, script = begun()
    link.ask()
    script.tell("state 7 1 0 0 0 media-low-warning")  # a second answer to the first question
    script.answers = lambda words: ["state 7 2 0 0 0 -"]
    assert link.ask() == ()


def test_no_more_orders_are_under_way_than_the_window() -> None:
    taken = done = most = 0

    def slow(words: list[str]) -> list[str]:
        """Takes each order at once, and does one at each question, that is, after each silence."""
        nonlocal taken, done, most
        if words[0] == "do":
            taken = int(words[2])
        else:
            done += 1
        most = max(most, taken - done)
        return [f"state 7 0 {taken} {done} 0 -"]

    link, _ = begun(slow)
    link.perform([("cap",)] * 9)
    assert taken == done == 9
    assert most == 3


def test_what_is_not_taken_is_sent_again_unchanged() -> None:
    lines: list[list[str]] = []

    def deaf_at_first(words: list[str]) -> list[str]:
        lines.append(words)
        return obedient(words) if len(lines) > 5 else []

    link, script = begun(deaf_at_first)
    link.perform([("step", 5, 0)])
    assert all(words == ["do", "7", "1", "step", "5", "0"] for words in lines) and len(lines) == 6
    assert script.time_s == pytest.approx(5 * 0.25)


def test_silence_is_borne_so_often_and_no_more() -> None:
    link, script = begun(lambda words: [], Limits(tries=4))
    with pytest.raises(LinkLost, match=r"asked 4 times every 0\.25 s"):
        link.perform([("cap",)])
    assert script.time_s == pytest.approx(1.0)
    script.said.clear()
    link.abandon()
    assert script.said == [["stop", "7"]]


def test_chatter_without_progress_is_not_borne_for_ever() -> None:
    def idle(words: list[str]) -> list[str]:
        script.time_s += 0.2
        return ["state 7 0 1 1 0 -", "state 7 0 0 0 0 -", "halted 6 0 stop -", "state 7 0 x 9 0 -", "dance 7"]

    link, script = begun(idle, Limits(order_s=5.0))
    with pytest.raises(LinkLost, match="has not got on for 5"):
        link.perform([("cap",), ("cap",)])
    assert 5.0 < script.time_s < 6.0


def test_keywords_that_are_none_are_taken_for_some_other_error() -> None:
    link, _ = begun(lambda words: [f"state 7 {words[-1]} 0 0 0 Cover!,media-jam-error"])
    assert link.ask() == ("other-error", "media-jam-error")


def test_a_halt_carries_its_reason() -> None:
    link, _ = begun(lambda words: ["halted 7 0 condition cover-open-error,media-low-warning"])
    with pytest.raises(Halted) as halted:
        link.perform([("cap",)])
    assert halted.value.reason == "condition"
    assert halted.value.keywords == ("cover-open-error", "media-low-warning")


def test_stop_is_repeated_until_it_is_answered() -> None:
    heard: list[list[str]] = []

    def hard_of_hearing(words: list[str]) -> list[str]:
        heard.append(words)
        return ["halted 7 0 stop -"] if len(heard) == 3 else ["state 7 0 0 0 0 -"]

    link, script = begun(hard_of_hearing)
    link.stop()
    assert heard == [["stop", "7"]] * 3
    assert script.time_s == pytest.approx(0.5)


def test_a_wire_that_fails_is_lost() -> None:
    def torn(words: list[str]) -> list[str]:
        raise OSError("gone")

    link, _ = begun(torn)
    with pytest.raises(LinkLost, match="gone"):
        link.ask()
    link.abandon()  # and says nothing more


@pytest.mark.parametrize(
    ("here", "problem"),
    [
        (f"here c 7 3 {GREETING}", "speaks version 3"),
        ("here c 7 1 head=line", "controller.nozzles: '' in"),
        (f"here c 7 1 {GREETING.replace('watchdog-ms=2000', 'watchdog-ms=900')}", "900 ms is too short"),
    ],
)
def test_a_greeting_that_cannot_be_used_is_refused(here: str, problem: str) -> None:
    script = Script(lambda words: [here])
    with pytest.raises(InputError, match=problem):
        Link(script, script, Limits(), "c")


@pytest.mark.parametrize("here", ["here c", "here c 7", f"here d 7 1 {GREETING}"])
def test_a_greeting_to_another_or_without_content_is_none(here: str) -> None:
    script = Script(lambda words: [here])
    with pytest.raises(LinkLost):
        Link(script, script, Limits(), "c")


def test_calls_differ() -> None:
    assert len({new_call() for _ in range(100)}) == 100
