"""The tables, as Django finds them: the log with what lies beside it, and the views."""

from __future__ import annotations

from scheduling.log.models.folded import Folded
from scheduling.log.models.log import (
    BrokenView,
    Contacts,
    Event,
    FoldedAgain,
    GivenCommand,
    Heartbeat,
    PassedOverEntry,
    Remark,
)
from scheduling.log.models.run_views import (
    NO_RUN,
    Outage,
    Override,
    PrintedStretch,
    Run,
    Segment,
    Strip,
    ToldBefore,
)
from scheduling.log.models.views import (
    ClosedStream,
    HandUse,
    Machine,
    Notice,
    Opening,
    OpeningSeries,
    Profile,
    ProfileVersion,
    ServiceWindow,
    Source,
    SourceVersion,
    SupplyChange,
    Venue,
)

__all__ = [
    "NO_RUN",
    "BrokenView",
    "ClosedStream",
    "Contacts",
    "Event",
    "Folded",
    "FoldedAgain",
    "GivenCommand",
    "HandUse",
    "Heartbeat",
    "Machine",
    "Notice",
    "Opening",
    "OpeningSeries",
    "Outage",
    "Override",
    "PassedOverEntry",
    "PrintedStretch",
    "Profile",
    "ProfileVersion",
    "Remark",
    "Run",
    "Segment",
    "ServiceWindow",
    "Source",
    "SourceVersion",
    "Strip",
    "SupplyChange",
    "ToldBefore",
    "Venue",
]
