"""Quiet hours at the node: the knife does not move, no idle nozzle fires, and printing goes on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from machines.clock import utc
from machines.errors import InputError
from machines.model.profile import CarriageHead, IdleFiring
from machines.node import status
from machines.node.agent import boot_name
from machines.node.clock import kept_time
from machines.node.clock.samples import Sample
from machines.node.clock.server_time import Estimate, ServerTime
from machines.node.panel import panel_state
from machines.node.work.held_work import quiet_s
from machines.node.work.plausibility import require_plausible
from machines.protocol.journal_entries import KnifeDisarmed, StripCut
from machines.protocol.messages import Work
from machines.protocol.upcasts import entry_json, read_entry
from machines.recovery import Policy, Span
from tests.machines.node.outages import OutageStudio, outage_studio
from tests.machines.node.printing.test_loop import arm
from tests.machines.node.relay import carriage_profile
from tests.machines.node.rig import HandClock, Rig

COLUMN_S = 120.0
BURST_S = 16 * COLUMN_S


def node_with(tmp_path: Path, *quiet: tuple[int, int], carriage: bool = False) -> Rig:
    """A machine that cuts every 60 columns, 40 after the head; it is to be quiet between columns."""
    clock = HandClock()
    firing = IdleFiring(drops=50, every_s=600.0)
    plain = carriage_profile()
    assert isinstance(plain.head, CarriageHead)
    inked = replace(plain, head=replace(plain.head, idle_firing=firing))
    studio = outage_studio(clock, Policy(kind="skip"), **({"profile": inked} if carriage else {}))
    studio.quiet = tuple(_span(studio, *one) for one in quiet)
    node = Rig(tmp_path, studio, clock)
    node.fetch()
    arm(node)
    return node


def _span(studio: OutageStudio, first: int, end: int) -> Span:
    return Span(starts_at=utc(studio.instant(first)), ends_at=utc(studio.instant(end)))


def told(node: Rig) -> list[tuple[int, bool, str | None]]:
    return [(cut.boundary, cut.made, cut.why) for cut in node.entries(StripCut)]


def test_a_strip_that_ends_in_quiet_hours_hangs_on_and_the_next_end_is_cut(tmp_path: Path) -> None:
    """Ends come to the knife 40 columns after they were laid: at 40, 100, 160, 220 and 280."""
    node = node_with(tmp_path, (90, 170))
    node.run_columns(290)
    assert told(node) == [
        (0, True, None),
        (60, False, "quiet"),
        (120, False, "quiet"),
        (180, True, None),
        (240, True, None),
    ]
    assert node.paper().cuts["place"].tolist() == [0, 180, 240], "paper is never drawn back"
    assert node.paper().laid["column"].tolist() == list(range(len(node.paper().laid))), "printing goes on"
    assert node.journal.state().knife_armed and not node.entries(KnifeDisarmed)
    assert node.journal.state().blade_cuts == 3


def test_a_disarmed_knife_is_no_matter_of_quiet_hours(tmp_path: Path) -> None:
    node = node_with(tmp_path, (0, 300))
    with node.journal.transaction() as db:
        db.execute("UPDATE state SET arming_asked = 0")
    node.run_columns(50)
    assert told(node) == [(0, False, None)]


def test_what_was_heard_holds_while_the_server_is_away_and_over_a_power_cut(tmp_path: Path) -> None:
    node = node_with(tmp_path, (90, 170))
    node.run_columns(95)
    node.crash()
    node.start()
    arm(node)
    assert isinstance(node.studio, OutageStudio)
    node.studio.quiet = ()  # which the board does not hear
    node.run_columns(120)
    assert told(node) == [(0, True, None), (60, False, "quiet"), (120, False, "quiet")]
    node.fetch()
    node.run_columns(20)
    assert told(node)[-1] == (180, True, None)


def test_quiet_hours_that_are_taken_away_are_over_with_the_next_work(tmp_path: Path) -> None:
    node = node_with(tmp_path, (90, 300))
    node.run_columns(110)
    assert isinstance(node.studio, OutageStudio)
    node.studio.quiet = ()
    node.fetch()
    node.run_columns(60)
    assert told(node) == [(0, True, None), (60, False, "quiet"), (120, True, None)]


def test_no_idle_nozzle_is_fired_in_quiet_hours_not_even_with_a_burst(tmp_path: Path) -> None:
    node = node_with(tmp_path, (64, 192), carriage=True)

    def fired(columns: int) -> int:
        before = 0 if node.machine is None else node.machine.machine.waste_drops
        node.run_columns(columns)
        assert node.machine is not None
        return node.machine.machine.waste_drops - before

    assert fired(63) > 0
    assert fired(2) >= 0  # until it is quiet for certain
    laid = len(node.paper().laid)
    assert fired(120) == 0
    assert len(node.paper().laid) > laid, "printing goes on"
    assert fired(60) > 0, "from then on as before"


def test_the_panel_and_the_status_say_so_beforehand(tmp_path: Path) -> None:
    """The end of the first strip comes to the knife after 40 columns."""
    node = node_with(tmp_path, (35, 70))
    node.run_columns(10)
    estimate = Estimate(now=node.clock.at, error_s=0.05)
    assert (
        "in quiet hours, so it will be left uncut" in dict(panel_state.gather(node.journal, estimate).lines)["Next cut"]
    )
    with node.journal.transaction() as db:
        sample = Sample(offset_s=node.clock.at - node.clock.elapsed(), delay_s=0.2, taken_at_s=node.clock.elapsed())
        kept_time.keep_time(db, boot_name(node.clock), ServerTime().after(sample))
    assert status.gather(node.home, node.journal, node.clock).knife == "armed"
    assert isinstance(node.studio, OutageStudio)
    node.studio.quiet = (_span(node.studio, 0, 70),)
    node.fetch()
    assert status.gather(node.home, node.journal, node.clock).knife.endswith(": quiet hours")


def test_quiet_hours_begin_and_end_at_their_instants() -> None:
    span = Span(starts_at=utc(1000.0), ends_at=utc(1060.0))
    assert [quiet_s((span,), at) for at in (999.0, 1000.0, 1059.0, 1060.0)] == [0.0, 60.0, 1.0, 0.0]


def test_an_older_node_and_an_older_server_are_not_shown_what_they_do_not_know(tmp_path: Path) -> None:
    node = node_with(tmp_path)
    assert "quiet" not in node.studio.work().as_json()
    node.run_columns(45)
    (cut,) = node.entries(StripCut)
    assert "why" not in entry_json(cut)
    held = replace(cut, made=False, why="quiet")
    assert read_entry(entry_json(held)) == held


def test_quiet_hours_of_another_age_are_not_taken(tmp_path: Path) -> None:
    work: Work = node_with(tmp_path, (0, 10)).studio.work()
    assert Work.from_json(work.as_json()) == work
    require_plausible(work)
    far = Span(starts_at=utc(0.0), ends_at=utc(60.0))
    with pytest.raises(InputError) as raised:
        require_plausible(replace(work, quiet=(far,)))
    assert raised.value.field == "quiet"
