"""What counts as told by a board, of all that stands in its machine's stream."""

from __future__ import annotations

from server.demo.judging.evidence import NODE_KINDS, as_told


def test_every_kind_of_entry_is_what_a_board_told() -> None:
    assert {"node-started", "columns-printed", "gap-settled", "operator-acted"} <= NODE_KINDS
    assert "node-enrolled" not in NODE_KINDS


def test_what_was_taken_but_for_one_word_is_told_as_the_board_told_it_and_what_was_set_aside_if_asked_for() -> None:
    started, armed = {"seq": 1, "at": "2026-09-01T04:37:04Z"}, {"seq": 2, "at": "2026-09-01T04:38:00Z"}
    whole, aside = started | {"at": "2026-09-01T04:47:03Z"}, {"seq": 3, "at": "2026-09-01T04:39:00Z"}
    facts = [
        {"kind": "node-enrolled", "data": {"epoch": 1}},
        {"kind": "node-started", "data": started},
        {"kind": "entry-read-in-part", "data": {"seq": 1, "entry": whole, "field": "at", "problem": "to come"}},
        {"kind": "knife-armed", "data": armed},
        {"kind": "entry-set-aside", "data": {"seq": 3, "entry": aside, "field": "columns", "problem": "told before"}},
    ]
    assert as_told(facts) == [whole, armed]
    assert as_told(facts, set_aside=True) == [whole, armed, aside]
