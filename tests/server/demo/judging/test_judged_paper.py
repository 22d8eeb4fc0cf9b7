"""The judge can say no about the paper: each check is shown evidence in which just what it looks for is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.clock import utc
from machines.drivers.simulated.paper import NO_COLUMN, PaperWriter
from machines.imaging.plate import Plate
from machines.protocol.journal_entries import GapSettled, NodeStarted, OperatorActed
from machines.serialization import structure, unstructure
from server.demo.judging import judged_knife, judged_paper
from server.demo.judging.column_outcomes import laid_again
from server.demo.judging.evidence import Evidence
from server.demo.judging.judge import Check, judge
from tests.server.demo.judging.good_run import (
    AGAIN,
    BEGINS,
    COLUMN_S,
    END,
    FIRST,
    GAP,
    PLATE,
    PROFILE,
    Lay,
    evidence,
    good_paper,
    instant,
    lay,
    printed,
    settled,
    told,
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


def unknown_elsewhere(paper: PaperWriter) -> None:
    good_paper(paper)
    lay(paper, GAP[0], GAP[0] + 1, 25)


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
        (unknown_elsewhere, judged_paper.unknown_in_its_place, "than there was room"),
        (uncut, judged_knife.cut_where_reported, "nobody made"),
        (cut_twice, judged_knife.cut_where_reported, "cut twice"),
        (cut_unasked, judged_knife.cut_where_reported, "without a report"),
        (early, judged_paper.nothing_early, "too early"),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_a_paper_that_is_wrong_is_seen(tmp_path: Path, lay_all: Lay, check: Check, words: str) -> None:
    complaints = judge(evidence(tmp_path, lay_all), [check])
    assert any(words in complaint for complaint in complaints), complaints


def follows(good: Evidence, plate: Plate) -> Evidence:
    """The run was to end at 120, where another picture follows that nobody had heard of."""
    then = {"id": "then", "first_column": 120, "succeeds": "run"}
    rows = [good.segments[0] | {"end_column": 120}, good.segments[0] | then | {"run": "then", "plate": plate.digest}]
    runs = [good.runs[0] | {"end_column": 120}, good.runs[0] | then]
    return replace(good, runs=runs, segments=rows, plates=good.plates | {plate.digest: plate})


def test_of_two_runs_that_have_a_column_it_is_of_the_one_that_it_was_reported_of(tmp_path: Path) -> None:
    other, check = Plate(dots=~PLATE.dots), [judged_paper.dots_are_the_plates]
    unheard = follows(evidence(tmp_path / "a"), other)
    assert judge(unheard, check) == []
    as_of_the_next = [*told()[:-1], printed(5, GAP[1], 120, 11), printed(6, 120, END, 15) | {"run": "then"}]
    taken = follows(evidence(tmp_path / "b", entries=as_of_the_next), other)
    assert judge(taken, check) == ["other dots than the plate's: 10 columns from 120 to 129"]
    unsaid = follows(evidence(tmp_path / "c", entries=as_of_the_next[:-1]), other)
    assert judge(unsaid, check) == [], "nobody knows which it was"


def test_a_column_that_was_reported_of_another_run_excuses_no_other_that_is_early(tmp_path: Path) -> None:
    check, too_early = [judged_paper.nothing_early], ["0.60 columns too early"]
    of_another = [*told()[:-1], printed(5, GAP[1], END, 11) | {"run": "gone"}]
    assert judge(evidence(tmp_path / "a", early, of_another), check) == []
    all_but_one = [*told()[:-1], printed(5, GAP[1], END - 1, 11) | {"run": "gone"}, printed(6, END - 1, END, 24)]
    assert judge(evidence(tmp_path / "b", early, all_but_one), check) == too_early


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


def test_what_a_rule_asked_for_in_a_journal_that_was_lost_may_lie_there_as_often_and_no_more(tmp_path: Path) -> None:
    rule = structure(settled(3, GAP[0], GAP[0] + 1, GAP[1], AGAIN), GapSettled)
    lies = evidence(tmp_path, printed_again)
    assert judge(lies, [judged_paper.nothing_twice])[0] == "laid twice, by column: 10 columns from 100 to 109"
    lost = replace(lies, settled_and_lost=[rule])
    assert judge(lost, [judged_paper.nothing_twice]) == []
    both = replace(evidence(tmp_path / "told", printed_again, [unstructure(rule)]), settled_and_lost=[rule])
    assert set(laid_again(both).values()) == {1}, "one that was told, too, counts once"


def test_a_server_whose_clock_was_ahead_lets_columns_be_early_by_as_much_and_no_more(tmp_path: Path) -> None:
    good = evidence(tmp_path, early)
    assert judge(replace(good, ahead=[(instant(0), 0.2 * COLUMN_S)]), [judged_paper.nothing_early]) == []
    for not_ahead in ([], [(instant(0), -600.0)], [(instant(END), 600.0)]):
        assert judge(replace(good, ahead=not_ahead), [judged_paper.nothing_early]) == ["0.60 columns too early"]


def by_hand(seq: int, **more: Any) -> dict[str, Any]:
    return unstructure(OperatorActed(seq=seq, at=utc(instant(END)), **more))


def fed_and_cut(paper: PaperWriter) -> None:
    """After all was printed, a person feeds six columns of paper, prints on two of them, and cuts."""
    good_paper(paper)
    blank = np.zeros((PROFILE.dots_across, 6), dtype=bool)
    blank[3, 4:] = True
    paper.lay(25, blank, NO_COLUMN, np.full(6, instant(END)))
    paper.cut(20, instant(END))


def test_what_a_person_had_fed_printed_and_cut_lies_where_it_was_told(tmp_path: Path) -> None:
    fed = by_hand(6, action="test-pattern", pattern="nozzles", paper_position=25, paper_columns=6)
    cut = by_hand(6, action="cut", paper_position=20)
    assert judge(evidence(tmp_path / "a", fed_and_cut, [*told(), fed, cut | {"seq": 7}])) == []
    assert judge(evidence(tmp_path / "b", fed_and_cut, [*told(), cut])) == [
        "by hand, and nobody was told: 6 places from 25 to 30"
    ]
    assert judge(evidence(tmp_path / "c", fed_and_cut, [*told(), fed])) == ["cuts without a report at places [20]"]
    elsewhere = by_hand(7, action="cut", paper_position=21)
    assert "cut by hand as reported, and not on the paper: places [21]" in judge(
        evidence(tmp_path / "d", fed_and_cut, [*told(), fed, elsewhere])
    )
    lost = evidence(tmp_path / "e", fed_and_cut, told())
    assert judge(replace(lost, boards_lost=True)) == [], "a board that is lost told nobody"
