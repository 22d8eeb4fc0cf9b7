"""For whatever watches the server: whether the process lives, and whether it can do its work."""

from __future__ import annotations

from django.db import DEFAULT_DB_ALIAS, DatabaseError, connections
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from scheduling.log.folding import broken_views


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
    """The database answers and has every migration, and no view is set aside."""
    try:
        executor = MigrationExecutor(connections[DEFAULT_DB_ALIAS])
        waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
        broken = [] if waiting else sorted(broken_views(using=DEFAULT_DB_ALIAS))
    except DatabaseError:
        return _plain(503, "not ready: the database does not answer")
    if waiting:
        return _plain(503, f"not ready: {len(waiting)} migrations are waiting; run `dayroll migrate`")
    if broken:
        return _plain(503, f"not ready: set aside: {', '.join(broken)}; mend the fold, run `dayroll log rebuild`")
    return _plain(200, "ready")
