"""The judge can say no about the log: each check is shown evidence in which just what it looks for is wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from machines.clock import utc
from machines.protocol.journal_entries import (
    Action,
    ConditionsChanged,
    KnifeArmed,
    KnifeDisarmed,
    NodeStarted,
    OperatorActed,
    StripCut,
)
from machines.recovery import Override, Policy, Rule
from machines.serialization import format_instant, unstructure
from scheduling.planning.days_spans import DAYS
from scheduling.planning.quiet_hours import QuietHours, QuietSpan, QuietWeek
from server.demo.judging import column_outcomes, judged_knife, judged_log, judged_paper
from server.demo.judging.evidence import Evidence, Standing
from server.demo.judging.judge import judge
from tests.server.demo.judging.good_run import (
    AGAIN,
    BEGINS,
    END,
    FIRST,
    GAP,
    evidence,
    instant,
    printed,
    settled,
    told,
)


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


def test_only_a_journal_that_lost_its_newest_may_name_what_was_told_before_and_only_until_it_is_enrolled_again(
    tmp_path: Path,
) -> None:
    named = {"kind": "gap-settled", "data": settled(1, 106, 112, 112)}
    good = evidence(tmp_path)

    def complaints(*, lost: bool, enrolled_at: float, told_under: int = 3) -> list[str]:
        enrolled = {
            "kind": "node-enrolled",
            "data": {"epoch": 3},
            "said_at": format_instant(utc(enrolled_at)),
        }
        new = [enrolled, named] if told_under == 3 else [named, enrolled]
        found = replace(good, facts=[*good.facts, *new], newest_lost=lost)
        return judge(found, [judged_log.every_column_once])

    twice = ["more than one outcome: 6 columns from 106 to 111"]
    assert complaints(lost=True, enrolled_at=instant(113)) == []
    assert complaints(lost=False, enrolled_at=instant(113)) == twice
    assert complaints(lost=True, enrolled_at=instant(111)) == twice, "it knew what the server knows"
    assert complaints(lost=True, enrolled_at=instant(113), told_under=2) == twice, "its journal tells of both"


def test_a_column_on_the_paper_that_nobody_reported_is_seen(tmp_path: Path) -> None:
    complaints = judge(evidence(tmp_path, entries=told()[:-1]), [judged_paper.log_agrees_with_paper])
    assert complaints == ["on the paper, but not reported: 14 columns from 116 to 129"]


def test_only_a_board_that_lost_its_journal_leaves_unnamed_what_it_laid_and_only_beyond_what_is_planned(
    tmp_path: Path,
) -> None:
    good, unsaid = evidence(tmp_path, entries=told()[:-1]), "on the paper, but not reported: {} to 129"
    withdrawn = [good.runs[0] | {"withdrawn_at": format_instant(BEGINS)}]
    ended = [good.runs[0] | {"end_column": 120}]
    check = [judged_paper.log_agrees_with_paper]
    assert judge(replace(good, runs=withdrawn), check) == [unsaid.format("14 columns from 116")]
    assert judge(replace(good, runs=withdrawn, boards_lost=True), check) == []
    assert judge(replace(good, runs=ended, boards_lost=True), check) == [
        "on the paper, but not reported: 4 columns from 116 to 119"
    ]


def test_a_view_that_counts_otherwise_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    bad = replace(good, runs=[good.runs[0] | {"printed": 23}])
    assert "printed of run: the log says (24, 24)" in judge(bad, [judged_log.views_agree_with_log])[0]


def test_what_lies_as_the_run_before_is_not_left_out_of_the_next(tmp_path: Path) -> None:
    passed = settled(6, GAP[0], GAP[0], END) | {"run": "then"}
    skipped_of = {"first": 120, "end": END}
    passed |= {
        "gap": passed["gap"] | {"first": 120, "unknown_end": 120, "segment": None},
        "decision": passed["decision"] | {"skipped": skipped_of, "unknown": {"first": 120, "end": 120}},
    }
    good = evidence(tmp_path, entries=[*told(), passed])
    skipped = {"first_column": 120, "end_column": END, "longest_column": END, "skipped": 10, "printed": 0, "unknown": 0}
    then = good.runs[0] | skipped | {"id": "then"}
    rows = [good.segments[0] | {"end_column": 120, "printed": 14}, good.segments[0] | skipped | {"run": "then"}]
    before = good.runs[0] | {"end_column": 120, "beyond": 10, "printed": 14}
    both = replace(good, runs=[before, then], segments=rows)
    checks = [judged_log.every_column_once, judged_log.views_agree_with_log, judged_paper.log_agrees_with_paper]
    assert judge(both, checks) == []
    as_one_run = [*told(), passed | {"run": "run"}]
    denied = judge(replace(evidence(tmp_path, entries=as_one_run), runs=[before, then], segments=rows), checks)
    assert any("skipped of then" in one for one in denied)


def test_a_report_that_names_another_segment_is_seen(tmp_path: Path) -> None:
    good, check = evidence(tmp_path), [judged_log.reported_of_their_segments]
    assert judge(good, check) == []
    halves = [good.segments[0] | {"end_column": GAP[0]}, good.segments[0] | {"number": 2, "first_column": GAP[0]}]
    assert judge(replace(good, segments=halves), check) == ["columns 116 to 130 were reported of segment 1 of run"]


def test_an_entry_lost_doubled_or_changed_on_the_way_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    lost = replace(good, facts=[*good.facts[:3], *good.facts[4:]])
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
    by_another = replace(forgotten, facts=[*forgotten.facts, {"kind": "gap-settled", "data": entry}, differs])
    assert judge(by_another, [judged_log.settled_alike]) == [
        "1 gaps would have been settled otherwise by the server: entries [3]"
    ]


def test_a_run_that_was_not_handed_out_or_has_an_open_segment_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    forgotten = replace(good, runs=[*good.runs, good.runs[0] | {"id": "next", "first_column": END, "end_column": 140}])
    assert judge(forgotten, [judged_log.every_run_is_there]) == ["run next has 0 segments, not finished of them: []"]
    unfinished = replace(good, segments=[good.segments[0] | {"finished_at": None}])
    assert judge(unfinished, [judged_log.every_run_is_there]) == ["run run has 1 segments, not finished of them: [1]"]
    beyond = good.segments[0] | {"number": 2, "first_column": END, "end_column": 140, "finished_at": None}
    assert judge(replace(good, segments=[*good.segments, beyond]), [judged_log.every_run_is_there]) == []
    longer = replace(good, segments=[*good.segments, beyond], runs=[good.runs[0] | {"end_column": 140}])
    assert judge(longer, [judged_log.every_run_is_there]) == ["run run has 2 segments, not finished of them: [2]"]
    assert judge(forgotten, [judged_log.every_column_once]) == ["no outcome: 10 columns from 130 to 139"]


def test_a_word_that_nobody_followed_is_seen_unless_a_notice_says_so(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    ignored = replace(good, words=[{"id": "word", "run": "run", "used_by": None}])
    assert len(judge(ignored, [judged_log.words_are_used])) == 1
    told_so = replace(ignored, notices=[{"said": "the word of 12:00 was passed over: the gap was settled before"}])
    assert judge(told_so, [judged_log.words_are_used]) == []
    assert (
        judge(replace(good, words=[{"id": "word", "run": "run", "used_by": "m-7"}]), [judged_log.words_are_used]) == []
    )
    moot = replace(ignored, runs=[good.runs[0] | {"withdrawn_at": format_instant(BEGINS)}])
    assert judge(moot, [judged_log.words_are_used]) == []
    beside = replace(moot, words=[*moot.words, {"id": "other", "run": "next", "used_by": None}])
    assert judge(beside, [judged_log.words_are_used]) == ["words that nobody followed, and nobody said so: ['other']"]


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
    enrolled = {"kind": "node-enrolled", "data": {"epoch": 3}}
    anew = [{"kind": one["kind"], "data": one | {"seq": seq}} for seq, one in enumerate(told()[3:], 1)]
    again = replace(good, facts=[*good.facts[:6], enrolled, *anew], machine={"accepted_through": 2})
    kept = [(entry | {"seq": seq}, True) for seq, entry in enumerate(told()[3:], 1)]
    assert judge(replace(again, journal=kept), [judged_log.entries_taken_once]) == []
    lost = [*kept[:1], (printed(2, GAP[1], END - 1, 11), True)]
    assert "are not in the log" in judge(replace(again, journal=lost), [judged_log.entries_taken_once])[0]


def test_what_was_left_out_of_a_segment_that_is_printed_again_is_printed_after_all(tmp_path: Path) -> None:
    first = settled(3, 105, 105, 107)
    half = settled(5, GAP[0], GAP[0] + 1, GAP[1], AGAIN)
    told_all = [printed(2, FIRST, 105, 0), first, printed(4, 107, GAP[0], 5), half, printed(6, FIRST, GAP[0] + 4, 9)]
    counted = evidence(tmp_path, entries=told_all)
    assert sorted(column_outcomes.named(counted, "skipped")) == [114, 115]
    assert sorted(column_outcomes.named(counted, "unknown")) == [GAP[0]]


def test_what_is_perhaps_on_the_paper_stays_so_where_it_is_left_out_before_it_is_printed_once_more(
    tmp_path: Path,
) -> None:
    again = Policy(kind="skip", half_printed="again")
    entries = [*told()[:2], settled(3, GAP[0], GAP[0] + 2, GAP[1], again), settled(4, GAP[0], GAP[0], GAP[1])]
    counted = evidence(tmp_path / "a", entries=entries)
    assert sorted(column_outcomes.named(counted, "unknown")) == [GAP[0], GAP[0] + 1]
    assert sorted(column_outcomes.named(counted, "skipped")) == [*range(GAP[0] + 2, GAP[1])]
    from_its_beginning = [*entries[:-1], settled(4, FIRST, FIRST, GAP[1])]
    counted = evidence(tmp_path / "b", entries=from_its_beginning)
    assert sorted(column_outcomes.named(counted, "skipped")) == [*range(GAP[0] + 2, GAP[1])], "what was laid lies there"


def test_a_cut_by_a_knife_that_nobody_armed_is_seen(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    check, complaint = [judged_knife.cut_only_while_armed], ["cut at place 5, and nobody had armed the knife"]
    assert judge(good, check) == []
    assert judge(replace(good, facts=[good.facts[0], *good.facts[2:]]), check) == complaint
    off = {"kind": "knife-disarmed", "data": unstructure(KnifeDisarmed(seq=2, at=BEGINS, why="paused"))}
    began = {"kind": "node-started", "data": unstructure(NodeStarted(seq=2, at=BEGINS, unplanned_stop=True))}
    for disarming in (off, began):
        assert judge(replace(good, facts=[*good.facts[:2], disarming, *good.facts[2:]]), check) == complaint
    assert judge(replace(good, taken_over=frozenset({2})), check) == complaint, "another board had armed it"
    assert judge(replace(good, taken_over=frozenset({1})), check) == []


def test_a_strip_left_uncut_ends_an_arming_unless_it_had_passed_before(tmp_path: Path) -> None:
    armed = {"kind": "knife-armed", "data": unstructure(KnifeArmed(seq=6, at=utc(instant(GAP[1]))))}
    good = evidence(tmp_path)
    told = [one for one in good.facts if one["kind"] not in ("knife-armed", "strip-cut")]

    def complaints(left: int) -> list[str]:
        found = replace(good, facts=[*told, armed, _strip(left, made=False), _strip(20, made=True)])
        return judge(found, [judged_knife.cut_only_while_armed])

    assert complaints(10) == [], "what was laid next begins at place 11"
    assert complaints(11) == ["cut at place 20, and nobody had armed the knife"]


def test_a_strip_left_uncut_among_columns_that_are_unknown_ends_no_arming(tmp_path: Path) -> None:
    """Another board may have laid them, whose knife it was then."""
    good = evidence(tmp_path)
    told = [one for one in good.facts if one["kind"] not in ("gap-settled", "strip-cut")]
    unknown = {"kind": "gap-settled", "data": settled(3, GAP[0], GAP[1] - 2, GAP[1])}  # four, from place 10

    def complaints(left: int) -> list[str]:
        found = replace(good, facts=[*told, unknown, _strip(left, made=False), _strip(20, made=True)])
        return judge(found, [judged_knife.cut_only_while_armed])

    assert complaints(13) == []
    assert complaints(14) == ["cut at place 20, and nobody had armed the knife"]


def test_a_strip_that_does_not_end_at_its_boundary_is_seen(tmp_path: Path) -> None:
    good, check = evidence(tmp_path), [judged_knife.cut_at_its_boundary]

    def complaints(boundary: int, place: int) -> list[str]:
        data = StripCut(seq=7, at=BEGINS, run="run", boundary=boundary, paper_position=place, made=True)
        return judge(replace(good, facts=[*good.facts, {"kind": "strip-cut", "data": unstructure(data)}]), check)

    assert complaints(105, 5) == complaints(GAP[1], 11) == []
    assert complaints(105, 6) == complaints(105, 4) == ["strips that do not end at their boundaries: [105]"]
    left_out = GAP[0] + 3
    assert complaints(left_out, 11) == complaints(left_out, 10) == [], "nothing lies in place 10"
    assert (
        complaints(left_out, 12)
        == complaints(left_out, 9)
        == [f"strips that do not end at their boundaries: [{left_out}]"]
    )


def test_the_knife_is_still_in_quiet_hours_and_held_in_no_others(tmp_path: Path) -> None:
    good, check = evidence(tmp_path), [judged_knife.still_in_quiet_hours]
    all_day = QuietWeek(**dict.fromkeys(DAYS, (QuietSpan(begins="00:00", ends="24:00"),)))
    before, after = BEGINS - timedelta(hours=1), BEGINS + timedelta(hours=1)

    def complaints(said: list[tuple[datetime, QuietHours]], **entry: Any) -> list[str]:
        data = unstructure(
            StripCut(seq=7, at=utc(instant(END)), run="run", boundary=105, paper_position=20, made=False)
        )
        facts = [fact for fact in good.facts if fact["kind"] != "strip-cut"]
        return judge(replace(good, facts=[*facts, {"kind": "strip-cut", "data": data | entry}], quiet_said=said), check)

    quiet = [(before, QuietHours(week=all_day))]
    assert complaints(quiet, why="quiet") == complaints([], made=True) == []
    assert complaints(quiet, made=True) == ["cut at place 20, in quiet hours"]
    nobody = ["the knife was held at place 20, and nobody had said to be quiet"]
    assert complaints([], why="quiet") == complaints([(before, QuietHours())], why="quiet") == nobody
    assert complaints([(after, QuietHours(week=all_day))], made=True) == [], "the board may not have heard it"
    assert complaints([*quiet, (after, QuietHours())], made=True) == [], "or that it is over"
    armed_on = [_strip(13, made=False), _strip(20, made=True)]
    armed_on[0]["data"]["why"] = "quiet"
    found = replace(good, facts=[*good.facts, *armed_on])
    assert judge(found, [judged_knife.cut_only_while_armed]) == [], "a knife that is held is not disarmed by that"


def _strip(place: int, *, made: bool) -> dict[str, Any]:
    data = StripCut(seq=7, at=utc(instant(END)), run="run", boundary=100 + place, paper_position=place, made=made)
    return {"kind": "strip-cut", "data": unstructure(data)}


def test_an_attended_machine_that_prints_on_after_a_jam_is_seen(tmp_path: Path) -> None:
    jammed = unstructure(ConditionsChanged(seq=2, at=BEGINS, keywords=("media-jam-error",)))
    resumed = unstructure(OperatorActed(seq=3, at=BEGINS, action="resume"))
    laid = printed(4, FIRST, END, 0)
    check = [judged_log.stood_until_resumed]
    assert judge(replace(evidence(tmp_path / "a", entries=[jammed, resumed, laid]), attended=True), check) == []
    assert judge(replace(evidence(tmp_path / "b", entries=[jammed, laid]), attended=True), check) == [
        "columns 100 to 130 were laid after an unplanned stop, and nobody resumed"
    ]
    still = unstructure(ConditionsChanged(seq=4, at=BEGINS, keywords=("media-jam-error",)))
    told_so = [jammed, resumed, still, printed(5, FIRST, END, 0)]
    too_early = evidence(tmp_path / "c", entries=told_so)
    assert judge(replace(too_early, attended=True), check), "it was let go on while it was jammed"
    before = BEGINS - timedelta(minutes=5)
    early = [unstructure(ConditionsChanged(seq=2, at=before, keywords=("media-jam-error",))), laid]
    assert judge(replace(evidence(tmp_path / "d", entries=early), attended=True), check) == [], "nothing moved before"


def test_a_machine_that_prints_while_a_person_holds_it_is_seen(tmp_path: Path) -> None:
    def acted(seq: int, action: Action) -> dict[str, Any]:
        return unstructure(OperatorActed(seq=seq, at=utc(instant(GAP[0])), action=action))

    def of(*entries: Any) -> list[str]:
        good = replace(evidence(tmp_path), facts=[{"kind": one["kind"], "data": one} for one in entries])
        return judge(good, [judged_log.stood_while_held])

    before, after = printed(1, FIRST, GAP[0], 0), printed(3, GAP[0], END, 10)
    assert of(before, acted(2, "pause"), acted(3, "resume"), after) == []
    assert of(acted(1, "pause"), before, acted(2, "resume")) == [], "it was laid before, and reported after"
    for action in ("pause", "park", "stop"):
        held = [before, acted(2, action), acted(3, "release"), after]
        assert of(*held) == ["columns 110 to 130 were laid while a person held the machine"]


def test_a_segment_that_broke_off_and_is_taken_for_whole_is_seen(tmp_path: Path) -> None:
    check = [judged_log.half_printed_is_seen]
    gap = settled(3, GAP[0], GAP[0], GAP[1])
    seen = [*told()[:2], gap]
    unseen = [*told()[:2], gap | {"gap": gap["gap"] | {"segment": None}}]
    assert judge(evidence(tmp_path / "a", entries=seen), check) == []
    assert judge(evidence(tmp_path / "b", entries=unseen), check) == [
        "the segment up to 130 broke off at 110, and was taken for whole"
    ]
    by_another = [*told()[:1], unseen[2]]
    assert judge(evidence(tmp_path / "c", entries=by_another), check) == [], "this board laid nothing of it"
    of_the_next = [*told()[:2], unseen[2] | {"run": "then"}]
    broke_off = evidence(tmp_path / "d", entries=of_the_next)
    assert judge(broke_off, check) == [], "of the run that goes on there, nothing was laid"
    both = evidence(tmp_path / "e", entries=[*of_the_next, unseen[2] | {"seq": 4}])
    assert judge(both, check) == judge(evidence(tmp_path / "b", entries=unseen), check)


STANDS = Standing(hold="", conditions=["media-low-warning"], knife_armed=False)
SHOWN = {"hold": "", "conditions": ["media-low-warning"], "knife_armed": False}
WRONGLY_HELD = ["held: False by the board, True by the server"]


def as_shown(folder: Path, *, knows: Standing = STANDS, **shown: Any) -> list[str]:
    good = evidence(folder)
    found = replace(good, stands=knows, machine=good.machine | SHOWN | shown)
    return judge(found, [judged_log.stands_as_told])


def test_what_the_server_shows_of_a_machine_otherwise_than_its_board_is_seen(tmp_path: Path) -> None:
    assert as_shown(tmp_path) == []
    assert as_shown(tmp_path, hold="paused") == WRONGLY_HELD
    held = replace(STANDS, hold="paused")
    assert as_shown(tmp_path, knows=held) == ["held: True by the board, False by the server"]
    assert as_shown(tmp_path, conditions=[]) == ["says: ['media-low-warning'] by the board, [] by the server"]
    assert as_shown(tmp_path, knife_armed=True) == ["knife armed: False by the board, True by the server"]


def test_what_stops_it_by_its_own_words_holds_it_too(tmp_path: Path) -> None:
    jammed = ["media-jam-error"]
    knows = replace(STANDS, conditions=jammed)
    assert as_shown(tmp_path, knows=knows, conditions=jammed, hold="fault") == []
    assert as_shown(tmp_path, knows=knows, conditions=jammed, hold="paused") == WRONGLY_HELD
    assert as_shown(tmp_path, hold="fault") == WRONGLY_HELD
