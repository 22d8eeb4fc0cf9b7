"""How a node is, read from its journal."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from machines.node.agent import boot_name
from machines.node.clock import kept_time
from machines.node.clock.samples import Sample
from machines.node.clock.server_time import ServerTime
from machines.node.status import NodeStatus, gather
from machines.node.store.identity import Credentials
from machines.node.store.journal import change_state
from machines.node.work.takeover import enrol
from tests.machines.node.relay import line_profile
from tests.machines.node.rig import NOON, HandClock, Rig, make_studio


def printing(home: Path, **of_studio: object) -> Rig:
    clock = HandClock()
    node = Rig(home, make_studio(clock, **of_studio), clock)  # type: ignore[arg-type]
    node.fetch()
    with node.journal.transaction() as db:
        enrol(db, Credentials(server="http://host", token="secret", machine="m1", epoch=1))
        sample = Sample(offset_s=NOON, delay_s=0.2, taken_at_s=0.0)
        kept_time.keep_time(db, boot_name(clock), ServerTime().after(sample))
    return node


def status(node: Rig) -> NodeStatus:
    return gather(node.home, node.journal, node.clock)


def test_it_tells_what_is_printed_and_how_much_paper_that_took(tmp_path: Path) -> None:
    node = printing(tmp_path, first_column=700)
    node.run_columns(31)
    found = status(node)
    assert (found.turn, found.column_of_turn, found.next_column) == (1, 11, 731)
    assert found.paper_m == pytest.approx(31 * 0.0005)
    assert found.unreported == 3  # the start and two segments
    text = found.as_text()
    assert "turn 1, column 11 comes next" in text
    assert "0.015 m fed" in text or "0.016 m fed" in text
    assert "secret" not in text


def test_it_tells_the_time_and_how_sure_it_is(tmp_path: Path) -> None:
    """The sample is of this clock at its beginning; the clock's name changes as the hand moves it, so ask at once."""
    found = status(printing(tmp_path))
    assert found.server_time == "2026-09-21T14:13:20.000000Z"
    assert found.clock_error_s == pytest.approx(0.12, abs=1e-3)


def test_of_a_time_in_doubt_it_says_how_wrong_it_may_be(tmp_path: Path) -> None:
    node = printing(tmp_path)
    first = Sample(offset_s=NOON, delay_s=0.2, taken_at_s=0.0)
    with node.journal.transaction() as db:
        stepped = ServerTime().after(first).after(replace(first, offset_s=first.offset_s + 7.0))
        kept_time.keep_time(db, boot_name(node.clock), stepped)
    found = status(node)
    assert found.clock_error_s == pytest.approx(7.24, abs=0.01)
    assert found.time_in_doubt
    assert "in doubt" in found.as_text()


@pytest.mark.parametrize(("armed", "knife"), [(1, "armed"), (0, "disarmed")])
def test_it_tells_whether_the_knife_will_cut(tmp_path: Path, armed: int, knife: str) -> None:
    node = printing(tmp_path)
    with node.journal.transaction() as db:
        change_state(db, knife_armed=armed)
    assert status(node).knife.startswith(knife)


def test_a_machine_without_a_knife_has_none(tmp_path: Path) -> None:
    assert status(printing(tmp_path, profile=line_profile(knife=None))).knife == "none"


def test_trouble_stands_out(tmp_path: Path) -> None:
    node = printing(tmp_path)
    with node.journal.transaction() as db:
        change_state(db, fenced="replaced", conditions="media-empty-error", catching_up=1, run="run")
    text = status(node).as_text()
    assert "FENCED OFF" in text
    assert "media-empty-error" in text
    assert "catching up" in text
