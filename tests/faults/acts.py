"""What happens in a scenario, and when: each fault as the acts by which it begins and ends."""

from __future__ import annotations

from collections.abc import Callable

from tests.faults.board import boot_anew, slew
from tests.faults.changing import change
from tests.faults.planning import plan_late
from tests.faults.relay import TROUBLES
from tests.faults.scenario import Fault
from tests.faults.servers import SERVERS
from tests.faults.stage import Act, Stage
from tests.faults.takeovers import TAKEOVERS
from tests.faults.words import WORDS

# Of a reboot without a network, after how much of it the power is back.
POWER_BACK = 0.2

Making = Callable[[Stage, Fault], list[Act]]


def acts(stage: Stage) -> list[Act]:
    """All of them, in order."""
    making = MAKING | stage.lane.more_making
    found = [act for fault in stage.scenario.faults for act in making[fault.kind](stage, fault)]
    if stage.scenario.armed_h is not None:
        found.append(Act(stage.scenario.armed_h, lambda: stage.board.ask("arm", "--yes")))
    if stage.scenario.late_h is not None:
        found.append(Act(stage.scenario.late_h, lambda: plan_late(stage)))
    return sorted(found)


def span(begin: Callable[[Stage], None], end: Callable[[Stage], None]) -> Making:
    """Something that begins and ends."""
    return lambda stage, fault: [
        Act(fault.at_h, lambda: begin(stage)),
        Act(fault.at_h + fault.lasts_h, lambda: end(stage)),
    ]


def trouble(kind: str) -> Making:
    """One of the network."""
    return span(lambda stage: stage.lane.relay.begin(kind), lambda stage: stage.lane.relay.end(kind))


def _reboot(stage: Stage) -> None:
    stage.board.power_off()
    boot_anew(stage.board.trouble, stage.lane.clock.elapsed())


def _reboot_offline(stage: Stage, fault: Fault) -> list[Act]:
    offline = trouble("network-gone")(stage, fault)
    back_h = fault.at_h + POWER_BACK * fault.lasts_h
    return [*offline, Act(fault.at_h, lambda: _reboot(stage)), Act(back_h, lambda: stage.board.power_on())]


def _step_clock(stage: Stage, fault: Fault) -> list[Act]:
    def step() -> None:
        file = stage.board.trouble / "clock-step"
        before = float(file.read_text()) if file.exists() else 0.0
        partial = file.with_suffix(".partial")
        partial.write_text(repr(before + float(fault.detail)))
        partial.rename(file)

    return [Act(fault.at_h, step)]


def _slew_clock(stage: Stage, fault: Fault) -> list[Act]:
    def begin() -> None:
        now_s = stage.lane.clock.elapsed()
        slew(stage.board.trouble, now_s, now_s + 3600.0 * fault.lasts_h, float(fault.detail))

    return [Act(fault.at_h, begin)]


_AWAY = span(lambda stage: stage.board.power_off(), lambda stage: stage.board.power_on())
MAKING: dict[str, Making] = {
    **{kind: trouble(kind) for kind in TROUBLES},
    **SERVERS,
    **TAKEOVERS,
    **WORDS,
    "node-killed": _AWAY,
    "node-gone": _AWAY,
    "node-stopped": span(
        lambda stage: stage.board.power_off(in_order=True),
        lambda stage: stage.board.power_on(),
    ),
    "node-rebooted": span(_reboot, lambda stage: stage.board.power_on()),
    "rebooted-offline": _reboot_offline,
    "card-full": span(lambda stage: stage.board.fill_card(), lambda stage: stage.board.clear_card()),
    "machine-jammed": span(
        lambda stage: (stage.board.trouble / "jam").touch(),
        lambda stage: (stage.board.trouble / "jam").unlink(missing_ok=True),
    ),
    "clock-step": _step_clock,
    "clock-slewed": _slew_clock,
    "plans-change": change,
}
