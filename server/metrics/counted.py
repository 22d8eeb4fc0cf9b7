"""What this process counts itself, since it began.

Nothing is counted by what comes from outside, such as a path or the id of a machine: what anybody can make up would
have no end.
"""

from __future__ import annotations

from prometheus_client import (
    CollectorRegistry,
    Counter,
    GCCollector,
    Histogram,
    ProcessCollector,
    disable_created_metrics,
)

disable_created_metrics()  # type: ignore[no-untyped-call]  # it says nothing of its types
REGISTRY = CollectorRegistry(auto_describe=True)
ProcessCollector(registry=REGISTRY)
GCCollector(registry=REGISTRY)

REQUEST_BOUNDS_S = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0)
APPEND_BOUNDS_S = (0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0)

REQUESTS = Counter("dayroll_requests", "Requests answered.", ["view", "status"], registry=REGISTRY)
REQUEST_SECONDS = Histogram(
    "dayroll_request_seconds",
    "Time from the head of a request to that of its answer.",
    ["view"],
    buckets=REQUEST_BOUNDS_S,
    registry=REGISTRY,
)
ENTRIES = Counter(
    "dayroll_report_entries", "Entries of boards' journals that were taken, those told again too.", registry=REGISTRY
)
EVENTS = Counter("dayroll_appended_events", "Events that this process appended to the log.", registry=REGISTRY)
APPEND_SECONDS = Histogram(
    "dayroll_append_seconds",
    "Time of an append to the log, with its wait and the folding of views.",
    buckets=APPEND_BOUNDS_S,
    registry=REGISTRY,
)
APPEND_WAIT_SECONDS = Histogram(
    "dayroll_append_wait_seconds",
    "Time until it was an append's turn, as one appends at a time.",
    buckets=APPEND_BOUNDS_S,
    registry=REGISTRY,
)
