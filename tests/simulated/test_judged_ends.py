"""What was laid of a run that people let go of is found, also where another run has its columns now."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.server.demo.judging.good_run import END, FIRST, GAP, evidence, instant, printed, told
from tests.simulated.judged_ends import laid_beyond


@pytest.mark.parametrize(("since", "count"), [(GAP[1], 10), (124, 5), (END, 0)])
def test_what_is_laid_beyond_an_end_is_found_from_when_it_must_have_been_heard_of(
    tmp_path: Path, since: int, count: int
) -> None:
    good = evidence(tmp_path)
    ended = good.runs[0] | {"end_column": 120, "followed_by": None}
    assert laid_beyond(good, ended, instant(since)) == count


def test_of_a_run_that_was_withdrawn_all_is_beyond(tmp_path: Path) -> None:
    good = evidence(tmp_path)
    assert laid_beyond(good, good.runs[0] | {"withdrawn_at": "then", "followed_by": None}, instant(FIRST) - 1.0) == 24


def test_where_another_run_follows_only_what_was_told_as_of_this_one_is(tmp_path: Path) -> None:
    followed = {"end_column": 120, "followed_by": "then"}
    on_and_on = evidence(tmp_path / "a")
    assert laid_beyond(on_and_on, on_and_on.runs[0] | followed, instant(GAP[1])) == 10
    turned = [*told()[:-1], printed(5, GAP[1], 123, 11), printed(6, 123, END, 18) | {"run": "then"}]
    late = evidence(tmp_path / "b", entries=turned)
    assert laid_beyond(late, late.runs[0] | followed, instant(GAP[1])) == 3
