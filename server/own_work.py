"""When the server's own work was done, of which each process tells the others by the database: see
`scheduling.background.own_work`. What the work is, stands in `server.jobs`.

It is told by the time that really passes, however fast the server's clock runs: it is of processes, not of machines.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from django.conf import settings
from django.db import Error

from scheduling.background.own_work import LateWork, late_work
from scheduling.log.beside import expect_own_work, keep_own_work, keep_planned, keep_unplanned
from server import wiring

logger = logging.getLogger(__name__)

# How much later than its period it may be before that is told. Only drawing takes long: a fleet ends it in half an
# hour, and a server alone draws for a minute at a time, and its last plate to the end.
LATE_AFTER, DRAWING_LATE_AFTER = timedelta(minutes=2), timedelta(minutes=35)
# How often it is written that it is done: what is done every few seconds would write as often.
KEPT_EVERY = timedelta(seconds=20)

_DRAWS = {"extend-plans", "redraw-plates"}
ALLOWED = {
    name: timedelta(seconds=period_s) + (DRAWING_LATE_AFTER if name in _DRAWS else LATE_AFTER)
    for name, period_s in settings.OWN_WORK_EVERY_S.items()
}
_kept: dict[str, datetime] = {}


def expect() -> None:
    """Say that all of it is to be done from now on, by whomever: a server begins. It does so too where its database
    does not answer yet."""
    try:
        expect_own_work(list(ALLOWED), wiring.really_now())
    except Error as error:
        logger.warning("what the server is to do by itself cannot be written: %s", error)


def late() -> tuple[LateWork, ...]:
    """What is not done."""
    return late_work(ALLOWED, LATE_AFTER, wiring.really_now())


def done(name: str) -> None:
    """Keep that some of it went well. Where that cannot be written, for whatever reason, it will seem late, as all else
    is then; who did it goes on."""
    now, before = wiring.really_now(), _kept.get(name)
    if before is not None and abs(now - before) < KEPT_EVERY:
        return
    try:
        keep_own_work(name, now)
        _kept[name] = now
    except Error as error:
        logger.warning("that job %s is done cannot be written: %s", name, error)


def tried(run: str, error: Exception | None) -> None:
    """Keep how planning a run went: that somebody plans, however it went, and apart from that whether it could be
    planned."""
    done("extend-plans")
    try:
        if error is None:
            keep_planned(run)
        else:
            keep_unplanned(run, wiring.really_now())
    except Error as refused:
        logger.warning("whether run %s can be planned cannot be written: %s", run, refused)
