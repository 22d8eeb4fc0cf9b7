"""What can be judged of the time where it is known what each board knew: by whose clock it goes when a server steps."""

from __future__ import annotations

from dataclasses import replace

from server.demo.judging.judged_paper import nothing_early
from tests.faults.gathering import evidence_of
from tests.faults.kinds import FORGETS, TAKEOVERS
from tests.faults.scenario import Scenario
from tests.faults.stage import Stage

# With these a board may have nothing to doubt another time by.
KNOWS_NOTHING = {*TAKEOVERS, *FORGETS, "node-rebooted", "rebooted-offline", "clock-lost"}

# So long a board goes on by the time that it knows, seconds, before it believes another.
DOUBTS_S = 900.0
# A board that began with the scenario knows the time from then on, hours.
KNOWN_FROM_H = 0.3


def steps_while_known(scenario: Scenario) -> bool:
    """Whether the server's clock steps by more than nothing while every board knows the time."""
    steps = [fault for fault in scenario.faults if fault.kind == "server-moved" and fault.at_h > KNOWN_FROM_H]
    return bool(steps) and not scenario.kinds & KNOWS_NOTHING


def steps_believed_at_once(stage: Stage) -> list[str]:
    """A board that knew the time goes on by it for a while, whatever a server tells whose clock stepped."""
    if not steps_while_known(stage.scenario):
        return []
    evidence, begins = evidence_of(stage), stage.begins.timestamp()
    known_from = begins + 3600.0 * KNOWN_FROM_H
    later = [(since + DOUBTS_S * (since > known_from), ahead_s) for since, ahead_s in evidence.ahead]
    early = nothing_early(replace(evidence, ahead=later))
    return [f"by a clock that stepped just before: {one}" for one in early]
