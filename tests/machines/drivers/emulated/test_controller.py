"""The emulated controller, line by line, and the text of the protocol against it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

import machines.drivers
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.head import Make
from machines.drivers.emulated.machine import Memory
from machines.drivers.serial.framing import LINE_LIMIT, decode, encode
from machines.drivers.serial.handshake import Greeting
from machines.errors import InputError
from machines.model.profile import LineHead
from tests.machines.drivers.serial.bench import Bench, SeenPaper, profile

PROTOCOL = Path(machines.drivers.__file__).with_name("PROTOCOL.md").read_text()
DISARMED = "separation-cutter-offline-warning"


class Talk:
    """A controller that one talks to by hand."""

    def __init__(self, *, step_s: float = 0.0, carriage: bool = False, knife: bool = True) -> None:
        self.paper = SeenPaper()
        self.memory = Memory()
        make = Make.of(profile(carriage=carriage, knife=knife), step_s=step_s)
        self.controller = Controller(make, self.memory, self.paper)
        self.time_s = 0.0

    def say(self, *lines: str) -> list[str]:
        """Say some lines at once and hear what is answered."""
        for line in lines:
            self.controller.receive(line.split(" "), self.time_s)
        return self.wait(0.0)

    def wait(self, seconds: float) -> list[str]:
        self.time_s += seconds
        self.controller.pass_time(self.time_s)
        return [" ".join(map(str, words)) for words in self.controller.answers()]


@pytest.fixture
def talk() -> Talk:
    begun = Talk()
    begun.say("hello a 1 1000")
    return begun


def test_the_text_is_played_octet_for_octet() -> None:
    talk = Talk(carriage=True)
    answers: list[str] = []
    played = 0
    for direction, line in re.findall(r"^    ([<>]) (\S.*\*[0-9a-f]{8})$", PROTOCOL, re.MULTILINE):
        words = decode(line.encode())
        assert words is not None, f"the check sum of the text's line is wrong: {line}"
        if direction == ">":
            talk.controller.receive(words, talk.time_s)
            continue
        if not answers:
            answers = talk.wait(0.0)
        assert encode(*answers.pop(0).split(" ")).decode() == line + "\n"
        played += 1
    assert played >= 6


def test_the_text_explains_every_name_of_the_greeting() -> None:
    (said,) = Talk().say("hello a 1 1000")
    for name in re.findall(r"(\S+)=", said):
        assert f"| `{name}` |" in PROTOCOL


def test_the_text_explains_every_order_and_reason() -> None:
    for order in ("burst", "dots", "step", "cap", "arm", "cut", "place", "correct", "scale", "spit"):
        assert re.search(rf"^\| `{order}\b", PROTOCOL, re.MULTILINE)
    for reason in ("stop", "watchdog", "condition", "order", "unknown"):
        assert f"| `{reason}` |" in PROTOCOL


def test_the_text_states_the_cautions() -> None:
    for words in (
        "Neither this protocol nor any program at either end of it is a safety function",
        "in hardware on the power",
        "ISO 13850",
        "ISO 14118",
        "IEC 60204-1",
        "licensed",
    ):
        assert words in PROTOCOL


class TestGreeting:
    def test_the_same_call_twice_is_one_greeting(self, talk: Talk) -> None:
        talk.say("do 1 1 burst 0 2 70")
        (again,) = talk.say("hello a 1 1000")
        assert again.startswith("here a 1 1 ")
        assert talk.say("do 1 2 step 0 0") == [f"state 1 0 2 2 0 {DISARMED}"], "the burst is still begun"

    def test_a_new_call_ends_what_was_begun(self, talk: Talk) -> None:
        talk.say("do 1 1 burst 0 2 70", "do 1 2 step 0 0")
        (said,) = talk.say("hello b 1 1000")
        assert said.startswith("here b 2 1 ") and "end=2 whole=1" in said
        assert talk.controller.machine.capped
        assert talk.say("do 1 3 step 1 0") == [f"halted 1 0 unknown {DISARMED}"]

    def test_an_old_session_cannot_come_back(self, talk: Talk) -> None:
        """Its call and its orders, all late, arrive once more after another session: the knife is not armed by them."""
        talk.say("do 1 1 arm")
        talk.say("hello b 1 1000")
        talk.say("hello a 1 1000", "do 1 1 arm")
        assert not talk.controller.machine.armed

    def test_sessions_are_never_named_twice_even_after_a_restart(self, talk: Talk) -> None:
        talk.controller.restart()
        (said,) = talk.say("hello a 1 1000")
        assert said.startswith("here a 2 ")

    def test_the_watchdog_is_as_asked_but_within_limits(self) -> None:
        assert "watchdog-ms=1500" in Talk().say("hello a 1 1500")[0]
        assert "watchdog-ms=10000" in Talk().say("hello a 1 999999")[0]
        assert "watchdog-ms=10 " in Talk().say("hello a 1 0")[0]

    @pytest.mark.parametrize("name", ["head", "nozzles", "pitch-nm", "knife", "window", "counts"])
    @pytest.mark.parametrize("value", [None, "x", "0/0"])
    def test_that_cannot_be_used_is_refused_by_name(self, name: str, value: str | None) -> None:
        (said,) = Talk().say("hello a 1 1000")
        words = [word for word in said.split(" ")[4:] if not word.startswith(name + "=")]
        if value is not None:
            words.append(f"{name}={value}")
        with pytest.raises(InputError) as refused:
            Greeting.read(words)
        assert refused.value.field == "controller." + name.replace("-", "_")

    def test_what_is_not_known_is_ignored(self) -> None:
        (said,) = Talk().say("hello a 1 1000")
        words = said.split(" ")[4:]
        assert Greeting.read([*words, "colour=blue", "quick"]) == Greeting.read(words)

    def test_another_version_is_refused(self) -> None:
        bench = Bench(profile())
        bench.controller.answers = _with_version(bench.controller.answers, 2)  # type: ignore[method-assign]
        with pytest.raises(InputError, match="it speaks version 2; version 1 is spoken here"):
            bench.machine()


def _with_version(
    answers: Callable[[], list[tuple[object, ...]]], version: int
) -> Callable[[], list[tuple[object, ...]]]:
    return lambda: [(*words[:3], version, *words[4:]) if words[0] == "here" else words for words in answers()]


class TestOrders:
    def test_one_that_comes_twice_is_done_once(self, talk: Talk) -> None:
        talk.say("do 1 1 burst 0 2 70", "do 1 1 burst 0 2 70", "do 1 2 step 0 0", "do 1 2 step 0 0")
        assert talk.say("do 1 2 step 0 0") == [f"state 1 0 2 2 0 {DISARMED}"]
        assert [place for place, _, _ in talk.paper.laid] == [0]

    def test_one_that_comes_too_early_is_not_taken(self, talk: Talk) -> None:
        assert talk.say("do 1 2 step 0 0") == [f"state 1 0 0 0 0 {DISARMED}"]
        talk.say("do 1 1 burst 0 2 70")
        assert talk.paper.laid == []

    def test_no_more_are_taken_than_the_window(self) -> None:
        talk = Talk(step_s=1.0)
        talk.say("hello a 1 9000", "do 1 1 burst 0 40 70")
        for number in range(2, 30):
            (said,) = talk.say(f"do 1 {number} step {number - 2} 0")
        assert said == f"state 1 0 9 1 0 {DISARMED}"
        talk.wait(1.0)
        assert talk.say("do 1 10 step 8 0") == [f"state 1 0 10 2 0 {DISARMED}"]

    @pytest.mark.parametrize(
        "order",
        [
            "burst 0 2",
            "burst 0 0 70",
            "burst -1 2 70",
            "burst x 2 70",
            "burst 99999999999 2 70",
            "step 0 0",
            "dots 0 0 gA==",
            "cap",
            "place 5",
            "dance",
        ],
    )
    def test_one_that_makes_no_sense_halts(self, talk: Talk, order: str) -> None:
        assert talk.say(f"do 1 1 {order}") == [f"halted 1 0 order {DISARMED}"]
        assert talk.paper.laid == []

    @pytest.mark.parametrize(
        "order",
        [
            "step 1 0",  # out of turn
            "step 0 1",  # a count that is not that of the dots held
            "burst 5 2 70",  # one burst at a time
            "cap",  # not finished
            "dots 9 0 gA==",  # no such strobe
            "dots 0 3 gA==",  # past the end of the column
            "dots 0 0 g===",  # not base 64
            "cut 0",
        ],
    )
    def test_one_out_of_its_place_halts_a_burst(self, talk: Talk, order: str) -> None:
        talk.say("do 1 1 burst 0 2 70")
        (said,) = talk.say(f"do 1 2 {order}")
        assert said.startswith("halted 1 1 order ")
        assert talk.controller.machine.capped

    def test_a_nozzle_outside_its_burst_halts(self) -> None:
        talk = Talk(carriage=True)
        talk.say("hello a 1 1000", "do 1 1 burst 5 2 70", "do 1 2 dots 1 0 gA==")
        assert talk.say("do 1 3 step 5 1") == [f"halted 1 2 order {DISARMED}"]

    def test_the_paper_is_claimed_before_anything_moves(self) -> None:
        kept: list[tuple[int | None, int]] = []
        memory, paper = Memory(), SeenPaper()
        make = Make.of(profile(carriage=False))
        controller = Controller(make, memory, paper, lambda now: kept.append((now.end, len(paper.laid))))
        for words in ("hello a 1 1000", "do 1 1 burst 0 3 70", "do 1 2 step 0 0"):
            controller.receive(words.split(" "), 0.0)
        controller.pass_time(0.0)
        assert (3, 0) in kept and len(paper.laid) == 1

    @pytest.mark.parametrize(
        "line", ["", "hello", "hello a x 1000", "do 1", "do 1 x cap", "do 1 1", "ask 1 x", "dance"]
    )
    def test_a_line_that_cannot_be_read_is_as_none(self, talk: Talk, line: str) -> None:
        assert talk.say(line) == []


class TestHalting:
    def begun(self) -> Talk:
        talk = Talk(step_s=1.0)
        talk.say("hello a 1 1500", "do 1 1 arm", "do 1 2 burst 0 9 70", "do 1 3 step 0 0", "do 1 4 step 1 0")
        assert talk.controller.moving and talk.controller.machine.armed
        return talk

    def test_stop_is_answered_ahead_of_everything_else(self) -> None:
        talk = self.begun()
        for line in ("do 1 5 step 2 0", "ask 1 1", "stop 1"):
            talk.controller.receive(line.split(" "), talk.time_s)
        assert talk.wait(0.0)[0] == f"halted 1 2 stop {DISARMED}"
        assert not talk.controller.moving
        assert talk.wait(9.0) == [] and talk.paper.laid == []

    def test_stop_is_obeyed_from_whatever_session(self) -> None:
        talk = self.begun()
        assert talk.say("stop 77")[0] == f"halted 77 0 stop {DISARMED}"
        assert not talk.controller.moving and not talk.controller.machine.armed

    def test_stop_before_any_session_is_answered(self) -> None:
        assert Talk().say("stop 1") == [f"halted 1 0 stop {DISARMED}"]

    def test_everything_after_it_gets_the_same_answer(self) -> None:
        talk = self.begun()
        talk.say("stop 1")
        for line in ("ask 1 5", "do 1 5 step 2 0", "do 1 1 arm", "stop 1"):
            assert talk.say(line) == [f"halted 1 2 stop {DISARMED}"]

    def test_silence_halts_to_the_instant(self) -> None:
        talk = self.begun()
        talk.wait(1.0)
        assert [place for place, _, _ in talk.paper.laid] == [0]
        assert talk.controller.next_event() == 1.5
        assert talk.wait(8.0) == [f"halted 1 3 watchdog {DISARMED}"]
        assert [place for place, _, _ in talk.paper.laid] == [0], "the second step would have ended at 2 s"
        assert talk.controller.machine.capped and not talk.controller.machine.armed

    def test_any_line_of_the_session_keeps_the_watchdog_quiet_and_no_other(self) -> None:
        talk = self.begun()
        talk.wait(1.0)
        talk.say("ask 1 1")
        talk.wait(1.0)
        talk.say("do 1 1 arm")  # also one that it has already
        assert talk.wait(1.4) == []
        talk.say("ask 2 1")
        assert talk.wait(0.2) == [f"halted 1 4 watchdog {DISARMED}"]

    def test_a_condition_halts_without_being_asked(self) -> None:
        talk = self.begun()
        talk.controller.raise_condition("interlock-open-error")
        assert talk.wait(0.0) == [f"halted 1 2 condition interlock-open-error,{DISARMED}"]

    def test_an_answer_always_fits_a_line(self) -> None:
        talk = self.begun()
        for keyword in ("jam", "motor-failure", "unrecoverable-failure", "interlock-open", "cover-open"):
            talk.controller.raise_condition(f"separation-cutter-{keyword}-error")
        (said,) = talk.wait(0.0)
        assert len(encode(*said.split(" "))) <= LINE_LIMIT


def test_a_made_up_machine_fits_its_profile() -> None:
    line = profile(carriage=False)
    assert isinstance(line.head, LineHead)
    make = Make.of(line)
    assert (make.head, make.reach, make.knife) == ("line", 0, 5)
    assert make.nozzles == -(-24 // line.head.dots_per_strobe)
    carriage = Make.of(profile())
    assert (carriage.head, carriage.nozzles, carriage.reach, carriage.pitch_nm) == ("carriage", 4, 3, 100_000)
