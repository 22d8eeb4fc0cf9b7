"""What is drawn beside the scenarios of fault runs, and how often."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from tests.faults.acts import MAKING
from tests.faults.changing import CHANGES
from tests.faults.kinds import ALL, CHANGED, FORGETS, KINDS, MORE, TAKEOVERS
from tests.faults.options import POLICIES, PROFILES
from tests.faults.scenario import draw
from tests.simulated.more import draw_more
from tests.simulated.more_acts import MORE_MAKING
from tests.simulated.persons import DONE_BY_HAND

# How many of a hundred seeds have each kind of fault, in two thousand of them.
SHARES = {
    "node-killed": 8,
    "node-gone": 8,
    "node-stopped": 8,
    "node-rebooted": 7,
    "rebooted-offline": 8,
    "server-killed": 7,
    "server-gone": 8,
    "server-restored": 16,
    "server-rebuilt": 15,
    "server-moved": 8,
    "network-gone": 8,
    "answers-lost": 8,
    "connections-cut": 8,
    "connections-slow": 8,
    "reports-duplicated": 7,
    "reports-reordered": 8,
    "reports-newer": 7,
    "portal": 9,
    "redirected": 8,
    "errors-broken": 8,
    "answers-endless": 7,
    "answers-dripping": 8,
    "sent-away": 7,
    "clock-step": 9,
    "clock-slewed": 8,
    "card-full": 8,
    "machine-jammed": 8,
    "word-in-silence": 10,
    "word-in-pause": 11,
    "word-in-replay": 10,
    "board-again": 4,
    "wal-lost": 3,
    "journal-damaged": 4,
    "node-cloned": 3,
    "card-read-only": 15,
    "clock-lost": 14,
    "program-older": 14,
    "program-newer": 17,
    "work-newer": 16,
    "answers-falsified": 15,
    "requests-falsified": 15,
    "person-acts": 14,
    "plans-change": 45,
}
DRAWN = [draw_more(seed) for seed in range(1, 2001)]


def test_what_a_seed_stood_for_without_more_it_still_does() -> None:
    for scenario in DRAWN[:200]:
        plain = draw(scenario.seed)
        kept = scenario.faults[: len(plain.faults)]
        armed_h = plain.armed_h if scenario.quiet else scenario.armed_h
        bare = replace(scenario, faults=kept, battery_ppm=None, loses=False, quiet=False, neighbours=(), word="")
        assert replace(bare, armed_h=armed_h) == plain
        assert scenario == draw_more(scenario.seed)
        assert {fault.kind for fault in scenario.faults[len(plain.faults) :]} <= set(MORE)


def test_each_kind_is_known_how_to_play_and_none_twice() -> None:
    assert set(MORE_MAKING) == set(MORE) - set(CHANGED)
    assert not set(MORE_MAKING) & (set(MAKING) | set(KINDS))


def test_how_many_of_a_hundred_seeds_have_each_kind_of_fault() -> None:
    had = Counter(kind for scenario in DRAWN for kind in scenario.kinds)
    assert {kind: round(had[kind] / len(DRAWN) * 100) for kind in ALL} == SHARES


def test_every_way_of_each_kind_is_drawn() -> None:
    had = {(fault.kind, fault.detail) for scenario in DRAWN for fault in scenario.faults}
    clocks = {detail for kind, detail in had if kind == "clock-lost"}
    shown = {"battery", "1970", "saved"}
    assert clocks == {f"{one} {network}" for one in shown for network in ("online", "offline")}
    assert {detail for kind, detail in had if kind == "person-acts"} == set(DONE_BY_HAND)
    assert {detail for kind, detail in had if kind == "plans-change"} == set(CHANGES)


def test_a_clock_that_a_battery_keeps_is_never_stepped_and_never_what_was_last_written_down() -> None:
    kept = [scenario for scenario in DRAWN if scenario.battery_ppm is not None]
    assert len(DRAWN) * 0.2 < len(kept) < len(DRAWN) * 0.35
    assert not any("clock-step" in scenario.kinds for scenario in kept)
    assert not any(fault.detail.startswith("saved") for scenario in kept for fault in scenario.faults)
    boots = {fault.detail.split()[0] for scenario in kept for fault in scenario.faults if fault.kind == "clock-lost"}
    assert boots == {"battery", "1970"}


def test_how_many_of_a_hundred_worlds_lose_what_was_not_synced_and_have_neighbours() -> None:
    assert round(sum(scenario.loses for scenario in DRAWN) / len(DRAWN) * 100) == 48
    assert [sum(len(scenario.neighbours) == count for scenario in DRAWN) for count in (0, 1, 2)] == [1757, 129, 114]


def test_how_many_of_a_hundred_worlds_have_quiet_hours() -> None:
    assert round(sum(scenario.quiet for scenario in DRAWN) / len(DRAWN) * 100) == 15


def test_neighbours_have_networks_and_boards_that_go_wrong_but_no_server_of_their_own() -> None:
    beside = [one for scenario in DRAWN for one in scenario.neighbours]
    kinds = set().union(*(one.kinds for one in beside))
    assert kinds == set(ALL) - {"server-killed", "server-gone", "server-restored", "server-rebuilt", "server-moved"}
    assert {one.policy for one in beside} == set(POLICIES)
    assert {one.profile for one in beside} == set(PROFILES)
    assert len({one.seed for one in beside}) == len(beside)


def test_beside_a_server_that_forgets_no_board_loses_its_journal_or_is_copied() -> None:
    """As in a scenario of its own: what both have lost nobody knows any more."""
    forgetting = [one for one in DRAWN if one.kinds & set(FORGETS)]
    beside = [neighbour for one in forgetting for neighbour in one.neighbours]
    assert len(beside) > 50
    assert not any(one.kinds & set(TAKEOVERS) for one in (*forgetting, *beside))
