"""The commands that play seeded scenarios: what may be asked for, the smallest plan, where what was found is put."""

from __future__ import annotations

import gc
import json
import shlex
from collections import Counter
from contextlib import AbstractContextManager, ExitStack
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import patch

import pytest

from tests.faults.scenario import draw
from tests.faults.series import Result
from tests.modelled.__main__ import COMMAND as MODELLED
from tests.simulated.__main__ import COMMAND as SIMULATED
from tests.simulated.command import Command, Summary, choose, put_into
from tests.simulated.floor import Played
from tests.simulated.more import draw_more
from tests.simulated.smallest import Plan, smallest, whole
from tests.simulated.workers import stay
from tests.simulated.wrong_nodes import all_of

# With faults and two neighbours of its own, and with cards that lose what was not synced.
RICH = next(one for one in map(draw_more, range(1, 5000)) if len(one.neighbours) == 2 and one.loses and one.faults)


def chosen(command: Command, text: str) -> list[Plan]:
    parser = command.parser()
    options = parser.parse_args(shlex.split(text))
    return choose(parser, options, draw if getattr(options, "plain", False) else command.draw)


def broken(plan: Plan) -> Played:
    result = Result(scenario=plan.drawn, problems=["broken"], columns={}, took_s=0.0, restarts=[])
    return Played(result=result, digests={}, hits=Counter(), needed=plan)


@pytest.mark.parametrize("needed", [{"portal"}, {"portal", "card-full"}, set[str]()])
def test_the_smallest_plan_has_the_faults_that_it_takes_and_no_more(needed: set[str]) -> None:
    scenario = next(
        one for one in map(draw, range(1, 50_000)) if {"portal", "card-full"} <= one.kinds and len(one.faults) > 3
    )
    left = smallest(whole(scenario), lambda one: needed <= one.kinds)
    assert left.scenario.kinds == needed


@pytest.mark.parametrize("number", [0, 1])
def test_the_smallest_plan_has_the_neighbours_that_it_takes_and_no_more(number: int) -> None:
    neighbour = replace(RICH.neighbours[number], loses=False)
    left = smallest(whole(RICH), lambda one: neighbour in (replace(other, loses=False) for other in one.neighbours))
    assert left.scenario == replace(RICH, faults=(), loses=False, neighbours=(neighbour,))


def test_the_smallest_plan_loses_what_was_not_synced_only_where_it_takes_that() -> None:
    left = smallest(whole(RICH), lambda one: one.loses)
    assert left.scenario == replace(RICH, faults=(), neighbours=())
    assert smallest(whole(RICH), lambda one: True).scenario == replace(RICH, faults=(), neighbours=(), loses=False)


@pytest.mark.parametrize("part", [(0,), (1,), (0, 1), ()])
@pytest.mark.parametrize("loses", [True, False])
def test_the_command_that_plays_it_again_plays_the_same(part: tuple[int, ...], *, loses: bool) -> None:
    plan = replace(whole(RICH), faults=part[:1], beside=part, loses=loses)
    words = SIMULATED.again(SIMULATED.parser().parse_args([]), broken(plan)).split()
    assert words[:3] == ["python", "-m", "tests.simulated"]
    assert [one.scenario for one in chosen(SIMULATED, shlex.join(words[3:]))] == [plan.scenario]


@pytest.mark.parametrize("given", [["--plain"], ["--wrong", "sent-is-taken"], ["--plain", "--wrong", "copy-taken"], []])
def test_the_command_that_plays_it_again_draws_it_the_same_way_and_with_the_same_mistake(given: list[str]) -> None:
    asked = SIMULATED.parser().parse_args(given)
    again = SIMULATED.parser().parse_args(SIMULATED.again(asked, broken(whole(draw(7)))).split()[3:])
    assert (again.only, again.plain, again.wrong) == ([7], asked.plain, asked.wrong)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("--scenarios 0", "0 is not at least 1"),
        ("--workers 0", "0 is not at least 1"),
        ("--scenarios -3", "-3 is not at least 1"),
        ("--with portal --without portal", "none of the 10000 seeds from 1 on"),
        ("--only 7 --faults 99", "--faults 99: there are"),
        ("--only 7 --faults -1", "--faults -1: there are"),
        ("--only 7 --beside 5", "--beside 5: there are"),
        ("--faults 1", "are of the scenarios of --only"),
        ("--nothing-lost", "are of the scenarios of --only"),
        ("--only 7 --with portal", "give one or the other"),
    ],
)
@pytest.mark.parametrize("command", [SIMULATED, MODELLED], ids=["simulated", "modelled"])
def test_what_cannot_be_played_is_said(
    command: Command, text: str, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit, match="2"):
        chosen(command, text)
    assert why in capsys.readouterr().err


def test_scenarios_are_chosen_by_what_goes_wrong_in_them() -> None:
    having = chosen(SIMULATED, "--scenarios 5 --seed 30 --with portal card-full --without node-gone")
    kinds = [one.scenario.kinds for one in having]
    assert len(kinds) == 5
    assert all(one & {"portal", "card-full"} and "node-gone" not in one for one in kinds)
    assert [one.scenario for one in chosen(SIMULATED, "--scenarios 2 --seed 30")] == [draw_more(30), draw_more(31)]
    assert [one.scenario for one in chosen(SIMULATED, "--only 9 3 --plain")] == [draw(9), draw(3)]


def test_each_floor_puts_what_it_found_beside_what_the_other_has_put_there(tmp_path: Path) -> None:
    file = tmp_path / "made" / "found.json"
    put_into(file, "simulated", {"scenarios": 1})
    put_into(file, "modelled", {"scenarios": 2})
    put_into(file, "simulated", {"scenarios": 3})
    assert json.loads(file.read_text()) == {"simulated": {"scenarios": 3}, "modelled": {"scenarios": 2}}
    file.write_text("cut off in the mid")
    put_into(file, "modelled", {"scenarios": 4})
    assert json.loads(file.read_text()) == {"modelled": {"scenarios": 4}}
    assert list(file.parent.iterdir()) == [file]


def test_a_series_that_was_broken_off_at_once_is_told() -> None:
    assert Summary(lambda played: "").told(0.001)["scenarios"] == 0


def test_a_mistake_stays_in_place_until_the_process_ends() -> None:
    program, stack = SimpleNamespace(one="right", other="right"), ExitStack()

    def both() -> AbstractContextManager[object]:
        return all_of(patch.object(program, "one", "wrong"), patch.object(program, "other", "wrong"))

    stay(both(), stack)
    gc.collect()
    assert (program.one, program.other) == ("wrong", "wrong")
    stack.close()
    assert (program.one, program.other) == ("right", "right")
