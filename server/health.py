"""For whatever watches the server: whether the process lives, and whether it can do its work."""

from __future__ import annotations

import logging
from functools import cache

from django.db import DEFAULT_DB_ALIAS, DatabaseError, connections
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from scheduling.log.projecting.projector import broken_views
from server.own_work import late

logger = logging.getLogger(__name__)

_said: set[tuple[str, str]] = set()


def _plain(status: int, said: str) -> HttpResponse:
    return HttpResponse(said + "\n", status=status, content_type="text/plain; charset=utf-8")


@require_safe
@never_cache
def live(request: HttpRequest) -> HttpResponse:
    """The process answers. Needs nothing else."""
    return _plain(200, "live")


@require_safe
@never_cache
def ready(request: HttpRequest) -> HttpResponse:
    """The database answers and has every migration, and no view is set aside.

    A server whose own work is late is ready all the same: it shows pages and takes reports, and whatever asks here to
    know where to send people must not turn them away. It says so in a second line, which a watch can look for.
    """
    try:
        waiting = _migrations() - MigrationRecorder(connections[DEFAULT_DB_ALIAS]).applied_migrations().keys()
        broken = [] if waiting else sorted(broken_views(using=DEFAULT_DB_ALIAS))
        behind = [] if waiting else [one.name for one in late()]
    except DatabaseError:
        return _not_ready("the database does not answer", "")
    if waiting:
        return _not_ready("migrations are waiting", f"{len(waiting)} of them; run `dayroll migrate`")
    if broken:
        return _not_ready("views are set aside", f"{', '.join(broken)}; mend the fold, run `dayroll log rebuild`")
    if behind:
        _say("ready, but its own work is late", f"{', '.join(behind)}; see that what does it runs")
        return _plain(200, "ready\nlate: the server's own work; its first page and its log say more")
    _said.clear()
    return _plain(200, "ready")


@cache
def _migrations() -> frozenset[tuple[str, str]]:
    """All that this program has. They lie beside it, and are others only in another program."""
    return frozenset(MigrationLoader(None).graph.nodes)


def _not_ready(what: str, more: str) -> HttpResponse:
    _say(f"not ready: {what}", more)
    return _plain(503, f"not ready: {what}; the server's log says more")


def _say(what: str, more: str) -> None:
    """Anybody may ask; which ones, and what to do, is for who keeps the server, and said to them once."""
    if (what, more) not in _said:
        _said.add((what, more))
        logger.warning("%s: %s", what, more)
