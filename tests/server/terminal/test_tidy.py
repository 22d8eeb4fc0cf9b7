"""`dayroll tidy`: what would go is said before, and what went comes back by `dayroll redraw`."""

from __future__ import annotations

import io
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db.models import F

from scheduling.background.extend_plans import extend_plans
from scheduling.log.models import Run, Segment
from server import jobs, wiring
from tests.scheduling.house import MOON, NOON, furnish, plan
from tests.server.studio import HeldClock


def said(*arguments: str) -> tuple[str, str]:
    out, err = io.StringIO(), io.StringIO()
    call_command("tidy", *arguments, stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


@pytest.mark.django_db
def test_what_would_go_is_shown_then_goes_and_comes_back(clock: HeldClock) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=4)).isoformat())
    extend_plans(NOON, timedelta(days=8), wiring.plates())
    clock.at = NOON
    assert said("--days", "14") == ("Nothing is to go.\n", "")
    whole = F("end_column") - F("first_column")
    Run.objects.update(printed=whole)
    Segment.objects.update(printed=whole)
    digests = list(dict.fromkeys(Segment.objects.order_by("number").values_list("plate", flat=True)))
    before = {digest: wiring.plates().png(digest) for digest in digests}
    clock.at += timedelta(days=60)
    assert said() == ("Nothing is to go.\n", "")
    out, _ = said("--days", "30", "--preview")
    assert out.startswith(f"{digests[0]}  run first, ")
    assert f"Plates that would go: {len(digests) - 1}, " in out
    assert all(wiring.plates().has(digest) for digest in digests)
    out, err = said("--most-mb", "0")
    assert out == f"Plates removed: {len(digests) - 1}.\n"
    assert err.endswith(f"looked at {len(digests) - 1} of {len(digests) - 1} plates\n")
    assert [digest for digest in digests if wiring.plates().has(digest)] == digests[-1:]
    call_command("redraw", stdout=io.StringIO(), stderr=io.StringIO())
    assert {digest: wiring.plates().png(digest) for digest in digests} == before


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("arguments", "wrong"),
    [(("--days", "13"), "--days: 13: give 14 to 36500"), (("--most-mb", "-1"), "--most-mb: -1: give 0 or more")],
)
def test_numbers_that_cannot_be_are_refused(arguments: tuple[str, ...], wrong: str) -> None:
    with pytest.raises(CommandError, match=wrong):
        said(*arguments)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("days", "most_mb", "older_than", "at_most"),
    [
        (180, 0, timedelta(days=180), None),
        (0, 500, timedelta.max, 500_000_000),
        (30, 1, timedelta(days=30), 1_000_000),
        (0, 0, None, None),
    ],
)
def test_the_server_does_it_by_itself_as_the_settings_say(
    days: int, most_mb: int, older_than: timedelta | None, at_most: int | None, settings: Any,
    monkeypatch: pytest.MonkeyPatch, clock: HeldClock,
) -> None:  # fmt: skip
    settings.TIDY_AFTER_D, settings.PLATES_MOST_MB = days, most_mb
    given: list[tuple[Any, ...]] = []
    monkeypatch.setattr(jobs, "tidy_for_a_while", lambda *one: given.append(one))
    jobs.tidy()
    assert [one[3:5] for one in given] == ([] if older_than is None else [(older_than, at_most)])
