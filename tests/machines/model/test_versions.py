"""Which numbers of a model are a run's, which its machine's, and which the paper's."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from machines.model.profile import CarriageHead, IdleFiring, Knife, LineHead, Media, Profile
from machines.model.versions import OF_MACHINE, OF_PAPER, OF_RUN, differing, differing_on_paper, in_force

WAS = Profile(
    name="Small",
    columns_per_turn=240,
    mm_per_turn=120.0,
    dots_across=40,
    print_width_mm=20.0,
    highest_mm_per_hour=20.0,
    head=CarriageHead(nozzles=8, passes=2, drop_pl=10.0),
    media=Media(width_mm=30.0, caliper_mm=0.1, roll_m=10.0),
    knife=Knife(head_to_knife_mm=10.0, cuts_per_blade=100),
)
LINE = LineHead(dot_current_a=0.03, supply_current_a=2.0, strobe_s=0.002)
OTHERWISE: dict[str, Any] = {
    "name": "Smaller",
    "highest_mm_per_hour": 19.0,
    "columns_per_burst": 4,
    "clock_tolerance_dots": 0.25,
    "media": Media(width_mm=28.0, caliper_mm=0.2, roll_m=20.0),
    "knife": Knife(head_to_knife_mm=12.0, cuts_per_blade=50),
    "encoder_pitch_mm": 0.01,
    "slip_threshold_mm": 0.2,
}
HEAD_OTHERWISE: dict[str, Any] = {
    "passes": 3,
    "drop_pl": 8.0,
    "idle_firing": IdleFiring(drops=1, every_s=60.0),
    "cartridge_ml": 40.0,
}


def test_each_number_is_of_the_paper_the_run_or_the_machine() -> None:
    heads = {f"head.{one.name}" for head in (CarriageHead, LineHead) for one in fields(head)}
    numbers = {one.name for one in fields(Profile)} - {"head"} | heads
    decided = [*OF_PAPER, *OF_RUN, *OF_MACHINE]
    assert sorted(decided) == sorted(numbers)


@given(
    st.sets(st.sampled_from(sorted(OTHERWISE))),
    st.sets(st.sampled_from(sorted(HEAD_OTHERWISE))),
)
def test_a_run_keeps_its_own_and_the_machine_has_its_newest(whole: set[str], of_head: set[str]) -> None:
    head = replace(WAS.head, **{name: HEAD_OTHERWISE[name] for name in of_head})
    now = replace(WAS, head=head, **{name: OTHERWISE[name] for name in whole})
    found = in_force(WAS, now)
    assert differing(OF_RUN, found, WAS) == differing(OF_MACHINE, found, now) == differing_on_paper(found, now) == ()
    assert in_force(found, now) == found and in_force(now, now) == now


def test_paper_is_measured_by_pitch_dots_nozzles_and_knife() -> None:
    assert differing_on_paper(WAS, replace(WAS, knife=None)) == ("knife",)
    assert differing_on_paper(WAS, replace(WAS, head=LINE)) == ("head.kind", "head.nozzles")
    assert differing_on_paper(WAS, replace(WAS, mm_per_turn=60.0, travel="left")) == ("mm_per_turn", "travel")
    assert differing_on_paper(WAS, replace(WAS, **OTHERWISE)) == ()


def test_where_paper_is_measured_otherwise_a_run_is_as_it_was_planned() -> None:
    assert in_force(WAS, replace(WAS, mm_per_turn=60.0, name="Other")) is WAS


def test_a_line_head_is_the_runs() -> None:
    was, now = replace(WAS, head=LINE), replace(WAS, head=replace(LINE, strobe_s=0.001), knife=OTHERWISE["knife"])
    found = in_force(was, now)
    assert (found.head, found.knife) == (LINE, now.knife)
