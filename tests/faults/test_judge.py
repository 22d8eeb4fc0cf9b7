"""The judge can say no: each check is shown evidence in which just what it looks for is wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.clock import utc
from machines.drivers.paper import PaperWriter, read_paper
from machines.entries import ColumnsPrinted, GapSettled, NodeStarted, OperatorActed, StripCut
from machines.recovery import Columns, Gap, Override, Pace, Policy, Rule, settle
from machines.structure import format_instant, unstructure
from tests.faults import judged_log, judged_paper
from tests.faults.evidence import Evidence
from tests.faults.judge import Check, judge
from tests.machines.node.relay import line_profile, picture

PROFILE = line_profile()
PLATE = picture(PROFILE)
FIRST, GAP, END = 100, (110, 116), 130
BEGINS = datetime(2026, 9, 1, tzinfo=UTC)
COLUMN_S = 120.0
SKIP = Policy(kind="skip")
Lay = Callable[[PaperWriter], None]


def instant(column: int) -> float:
    return BEGINS.timestamp() + (column - FIRST) * COLUMN_S


def lay(paper: PaperWriter, first: int, end: int, place: int, *, early_s: float = 0.0) -> None:
    at = np.array([instant(column) - early_s for column in range(first, end)])
    paper.lay(place, PLATE.running(first, end), first, at)


def printed(seq: int, first: int, end: int, place: int) -> dict[str, Any]:
    entry = ColumnsPrinted(
        seq=seq,
        at=utc(instant(end)),
        run="run",
        segment=1,
        columns=Columns(first=first, end=end),
        columns_done=end - first,
        paper_position=place,
        worst_miss_s=0.0,
    )
    return unstructure(entry)


def settled(seq: int, first: int, unknown_end: int, end: int, policy: Policy = SKIP) -> dict[str, Any]:
    """A gap in a segment of which half lies on the paper."""
    half = Columns(first=FIRST, end=GAP[1] - 2)
    at = utc(instant(end))
    gap = Gap(first=first, unknown_end=unknown_end, end=end, cause="power", noticed_at=at, segment=half)
    pace = Pace(nominal_columns_per_s=1 / COLUMN_S, highest_columns_per_s=4 / COLUMN_S, columns_per_burst=1)
    decision = settle(policy, gap, pace)
    entry = GapSettled(seq=seq, at=at, run="run", gap=gap, policy=policy, decision=decision, paper_position=10)
    return unstructure(entry)


def told() -> list[dict[str, Any]]:
    """What a good board says of its run: ten columns, a gap of six, the rest."""
    return [
        unstructure(NodeStarted(seq=1, at=BEGINS, unplanned_stop=False)),
        printed(2, FIRST, GAP[0], 0),
        settled(3, GAP[0], GAP[0] + 1, GAP[1]),
        unstructure(StripCut(seq=4, at=utc(instant(GAP[1])), run="run", boundary=105, paper_position=5, made=True)),
        printed(5, GAP[1], END, 11),
    ]


def good_paper(paper: PaperWriter) -> None:
    """As told; the unknown column in place 10 was not laid."""
    lay(paper, FIRST, GAP[0], 0)
    paper.cut(5, instant(GAP[1]))
    lay(paper, GAP[1], END, 11)


def evidence(folder: Path, lay_all: Lay = good_paper, entries: list[dict[str, Any]] | None = None) -> Evidence:
    """Of a run of thirty columns in one segment."""
    paper = PaperWriter(folder, PROFILE)
    lay_all(paper)
    paper.close()
    entries = told() if entries is None else entries
    enrolled = {"kind": "node-enrolled", "data": {"epoch": 1}}
    stamps = {
        "starts_at": format_instant(BEGINS),
        "ends_at": format_instant(BEGINS + timedelta(seconds=COLUMN_S * (END - FIRST))),
    }
    span = {"first_column": FIRST, "end_column": END}
    counts = {"printed": 24, "unknown": 1, "skipped": 5}
    return Evidence(
        paper=read_paper(folder),
        runs=[span | counts | {"id": "run", "mean_turn_s": COLUMN_S * PROFILE.columns_per_turn}],
        segments=[span | counts | stamps | {"run": "run", "plate": PLATE.digest, "number": 1, "finished_at": "then"}],
        machine={"accepted_through": len(entries)},
        words=[],
        notices=[],
        facts=[enrolled, *({"kind": entry["kind"], "data": entry} for entry in entries)],
        journal=[(entry, True) for entry in entries],
        plates={PLATE.digest: PLATE},
        columns_per_burst=1,
        columns_per_turn=PROFILE.columns_per_turn,
    )


def test_nothing_is_said_of_a_good_run(tmp_path: Path) -> None:
    assert judge(evidence(tmp_path)) == []


def test_an_unknown_column_may_lie_on_the_paper(tmp_path: Path) -> None:
    def with_unknown(paper: PaperWriter) -> None:
        lay(paper, FIRST, GAP[0] + 1, 0)
        paper.cut(5, instant(GAP[1]))
        lay(paper, GAP[1], END, 11)

    assert judge(evidence(tmp_path, with_unknown)) == []


def again(paper: PaperWriter) -> None:
    good_paper(paper)
    lay(paper, 120, 121, 25)


def over_itself(paper: PaperWriter) -> None:
    good_paper(paper)
    paper.refuse(3, 120, 2, instant(END))


def left_out(paper: PaperWriter) -> None:
    lay(paper, FIRST, GAP[0], 0)
    paper.cut(5, instant(GAP[1]))
    lay(paper, 113, 114, 10)
    lay(paper, GAP[1], END, 11)


def short(paper: PaperWriter) -> None:
    lay(paper, FIRST, GAP[0], 0)
    paper.cut(5, instant(GAP[1]))


def moved(paper: PaperWriter) -> None:
    lay(paper, FIRST, GAP[0], 0)
    paper.cut(5, instant(GAP[1]))
    lay(paper, GAP[1], END, 12)


def wrong_dots(paper: PaperWriter) -> None:
    good_paper(paper)
    paper.end = 0  # as a machine that lost count would
    os_dots = ~PLATE.running(FIRST, FIRST + 1)
    paper.lay(0, os_dots, FIRST, np.array([instant(FIRST)]))


def uncut(paper: PaperWriter) -> None:
    lay(paper, FIRST, GAP[0], 0)
    lay(paper, GAP[1], END, 11)


def cut_twice(paper: PaperWriter) -> None:
    good_paper(paper)
    paper.cut(5, instant(END))


def cut_unasked(paper: PaperWriter) -> None:
    good_paper(paper)
    paper.cut(7, instant(END))


def early(paper: PaperWriter) -> None:
    lay(paper, FIRST, GAP[0], 0)
    paper.cut(5, instant(GAP[1]))
    lay(paper, GAP[1], END, 11, early_s=0.6 * COLUMN_S)


@pytest.mark.parametrize(
    ("lay_all", "check", "words"),
    [
        (again, judged_paper.nothing_twice, "laid twice, by column"),
        (over_itself, judged_paper.nothing_twice, "ordered over"),
        (wrong_dots, judged_paper.dots_are_the_plates, "other dots"),
        (left_out, judged_paper.log_agrees_with_paper, "though left out"),
        (short, judged_paper.log_agrees_with_paper, "not on the paper"),
        (moved, judged_paper.log_agrees_with_paper, "elsewhere"),
        (uncut, judged_paper.cut_where_reported, "nobody made"),
        (cut_twice, judged_paper.cut_where_reported, "cut twice"),
        (cut_unasked, judged_paper.cut_where_reported, "without a report"),
        (early, judged_paper.nothing_early, "too early"),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_a_paper_that_is_wrong_is_seen(tmp_path: Path, lay_all: Lay, check: Check, words: str) -> None:
    complaints = judge(evidence(tmp_path, lay_all), [check])
    assert any(words in complaint for complaint in complaints), complaints


def test_a_column_without_an_outcome_is_seen(tmp_path: Path) -> None:
    complaints = judge(evidence(tmp_path, entries=told()[:-1]), [judged_log.every_column_once])
    assert complaints == ["no outcome: 14 columns from 116 to 129"]


def test_two_outcomes_of_a_column_are_seen(tmp_path: Path) -> None:
    entries = [*told(), printed(6, 112, 118, 30)]
    assert judge(evidence(tmp_path, entries=entries), [judged_log.every_column_once]) == [
        "more than one outcome: 6 columns from 112 to 117"
    ]


def test_a_decision_takes_over_what_another_left_to_be_done(tmp_path: Path) -> None:
    """The half-printed segment was to be finished before the rest is left out; another outage came in between."""
    finish = Policy(kind="skip", half_printed="finish")
    before = [*told()[:2], settled(3, GAP[0], GAP[0], GAP[1], finish)]
    after = [settled(5, GAP[0], GAP[0] + 1, GAP[1] + 2), printed(6, GAP[1] + 2, END, 13)]
    assert judge(evidence(tmp_path, entries=[*before, *after]), [judged_log.every_column_once]) == []
    passed_by = printed(4, GAP[1], GAP[1] + 1, 11)
    assert judge(evidence(tmp_path, entries=[*before, passed_by, *after]), [judged_log.every_column_once]) == [
        "more than one outcome: 3 columns from 114 to 116"
    ]


def test_a_column_on_the_paper_that_nobody_reported_is_seen(tmp_path: Path) -> None:
    complaints = judge(evidence(tmp_path, entries=told()[:-1]), [judged_paper.log_agrees_with_paper])
    assert complaints == ["on the paper, but not reported: 14 columns from 116 to 129"]


def test_a_view_that_counts_otherwise_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    bad = replace(good, runs=[good.runs[0] | {"printed": 23}])
    assert "printed: the log says 24" in judge(bad, [judged_log.views_agree_with_log])[0]


def test_an_entry_lost_doubled_or_changed_on_the_way_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    lost = replace(good, facts=[*good.facts[:2], *good.facts[3:]])
    doubled = replace(good, facts=[*good.facts, good.facts[-1]])
    unsure = replace(good, journal=[(entry, False) for entry, _ in good.journal])
    for bad in (lost, doubled, unsure):
        assert judge(bad, [judged_log.entries_taken_once])
    changed = [dict(entry) for entry in told()]
    changed[1] = printed(2, FIRST, GAP[0] - 1, 0)
    bad = replace(good, journal=[(entry, True) for entry in changed])
    assert judge(bad, [judged_log.entries_taken_once]) == ["journal (5) and log (5) differ from entry 2 on"]


def test_a_settlement_that_the_server_would_not_make_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    differs = {"kind": "settlement-differed", "data": {"seq": 3}}
    bad = replace(good, facts=[*good.facts, differs])
    assert len(judge(bad, [judged_log.settled_alike])) == 1
    word = Override(id="word", rule=Rule(kind="skip"), given_at=BEGINS)
    entry = told()[2]
    by_word = entry | {"gap": entry["gap"] | {"override": unstructure(word)}}
    forgotten = replace(bad, facts=[{"kind": "gap-settled", "data": by_word}, differs])
    assert judge(forgotten, [judged_log.settled_alike]) == [], "the server was put back from before the word"
    given = {"kind": "outage-overridden", "data": {"override": unstructure(word)}}
    remembered = replace(forgotten, facts=[given, *forgotten.facts])
    assert len(judge(remembered, [judged_log.settled_alike])) == 1


AGAIN = Policy(kind="skip", half_printed="again")


def printed_again(paper: PaperWriter) -> None:
    """The half of the segment that lies there once more, before the rest."""
    lay(paper, FIRST, GAP[0], 0)
    lay(paper, FIRST, GAP[0], 11)
    lay(paper, GAP[0] + 1, GAP[0] + 4, 21)
    lay(paper, GAP[1], END, 24)


def test_what_a_rule_asks_to_be_printed_again_lies_there_twice_and_nothing_else(tmp_path: Path) -> None:
    def told_again(end: int) -> list[dict[str, Any]]:
        before = [unstructure(NodeStarted(seq=1, at=BEGINS, unplanned_stop=False)), printed(2, FIRST, GAP[0], 0)]
        half = settled(3, GAP[0], GAP[0] + 1, GAP[1], AGAIN)
        return [*before, half, printed(4, FIRST, end, 11), printed(5, GAP[1], END, 24)]

    of_the_rule = evidence(tmp_path / "rule", printed_again, told_again(GAP[0]))
    assert judge(of_the_rule, [judged_paper.nothing_twice]) == []

    def thrice(paper: PaperWriter) -> None:
        printed_again(paper)
        lay(paper, FIRST, GAP[0] - 5, 44)

    too_often = evidence(tmp_path / "thrice", thrice, told_again(GAP[0]))
    assert judge(too_often, [judged_paper.nothing_twice]) == ["laid twice, by column: 5 columns from 100 to 104"]


def test_a_server_whose_clock_was_ahead_lets_columns_be_early_by_as_much_and_no_more(tmp_path: Path) -> None:
    good = evidence(tmp_path, early)
    assert judge(replace(good, ahead=[(instant(0), 0.2 * COLUMN_S)]), [judged_paper.nothing_early]) == []
    for not_ahead in ([], [(instant(0), -600.0)], [(instant(END), 600.0)]):
        assert judge(replace(good, ahead=not_ahead), [judged_paper.nothing_early]) == ["0.60 columns too early"]


def test_a_run_that_was_not_handed_out_or_has_an_open_segment_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    forgotten = replace(good, runs=[*good.runs, good.runs[0] | {"id": "next", "first_column": END, "end_column": 140}])
    assert judge(forgotten, [judged_log.every_run_is_there]) == ["run next has 0 segments, not finished of them: []"]
    unfinished = replace(good, segments=[good.segments[0] | {"finished_at": None}])
    assert judge(unfinished, [judged_log.every_run_is_there]) == ["run run has 1 segments, not finished of them: [1]"]
    assert judge(forgotten, [judged_log.every_column_once]) == ["no outcome: 10 columns from 130 to 139"]


def test_a_word_that_nobody_followed_is_seen_unless_a_notice_says_so(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    ignored = replace(good, words=[{"id": "word", "used_by": None}])
    assert len(judge(ignored, [judged_log.words_are_used])) == 1
    told_so = replace(ignored, notices=[{"said": "the word of 12:00 was passed over: the gap was settled before"}])
    assert judge(told_so, [judged_log.words_are_used]) == []
    assert judge(replace(good, words=[{"id": "word", "used_by": "m-7"}]), [judged_log.words_are_used]) == []


def test_a_machine_that_goes_on_before_a_person_resumes_it_is_seen(tmp_path: Path) -> None:
    def of(*entries: Any) -> Evidence:
        return replace(evidence(tmp_path), attended=True, facts=[{"kind": one["kind"], "data": one} for one in entries])

    began = unstructure(NodeStarted(seq=1, at=BEGINS, unplanned_stop=True))
    at = utc(instant(FIRST + 1))
    resumed = unstructure(OperatorActed(seq=2, at=at, action="resume"))
    assert judge(of(began, resumed, printed(3, FIRST, END, 0)), [judged_log.stood_until_resumed]) == []
    by_itself = judge(of(began, printed(2, FIRST, END, 0), resumed), [judged_log.stood_until_resumed])
    assert by_itself == ["columns 100 to 130 were laid after an unplanned stop, and nobody resumed"]
    enrolled = {"kind": "node-enrolled", "data": {"epoch": 2}}
    by_another = of(began)
    laid = {"kind": "columns-printed", "data": printed(1, FIRST, END, 0)}
    by_another = replace(by_another, facts=[*by_another.facts, enrolled, laid])
    assert judge(by_another, [judged_log.stood_until_resumed]) == [], "who enrolled a new board stood beside it"


def test_where_a_journal_goes_on_what_is_in_it_and_not_in_the_log_is_seen(tmp_path: Path) -> None:
    good = replace(evidence(tmp_path), whole_journal=False)
    enrolled = {"kind": "node-enrolled", "data": {"epoch": 2}}
    anew = [{"kind": one["kind"], "data": one | {"seq": seq}} for seq, one in enumerate(told()[3:], 1)]
    again = replace(good, facts=[*good.facts[:4], enrolled, *anew], machine={"accepted_through": 2})
    kept = [(entry | {"seq": seq}, True) for seq, entry in enumerate(told()[3:], 1)]
    assert judge(replace(again, journal=kept), [judged_log.entries_taken_once]) == []
    lost = [*kept[:1], (printed(2, GAP[1], END - 1, 11), True)]
    assert "are not in the log" in judge(replace(again, journal=lost), [judged_log.entries_taken_once])[0]
