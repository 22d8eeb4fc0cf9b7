"""Bounds of numbers, texts and lists that the server holds, as the API's description says them.

They are kept where each thing is read (`machines.model.profile`, `scheduling.nodes.entry_bounds`, `received_entries`);
what is said of them here, a test holds against the server on both sides of each.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from scheduling.nodes.entry_bounds import LONGEST_REASON, MOST_CLOSED, MOST_MISS_S, MOST_PLACES
from scheduling.nodes.received_entries import MOST_ENTRIES
from scheduling.queries.names import ID

# JSON Schema has ECMA-262's expressions, which know no \A and \Z.
ID_PATTERN = f"^{ID.pattern}$"

POSITIVE = {"exclusiveMinimum": 0}
FROM_0 = {"minimum": 0}
FROM_1 = {"minimum": 1}
PLACE = {"minimum": 0, "maximum": MOST_PLACES}
RUN = {"pattern": ID_PATTERN}

# By schema and field.
BOUNDS: Mapping[tuple[str, str], Mapping[str, Any]] = {
    ("Profile", "name"): {"pattern": r"\S"},
    ("Profile", "columns_per_turn"): {"minimum": 2, "maximum": 2_000_000},
    ("Profile", "dots_across"): {"minimum": 8, "maximum": 65_536},
    ("Profile", "mm_per_turn"): POSITIVE,
    ("Profile", "print_width_mm"): POSITIVE,
    ("Profile", "highest_mm_per_hour"): POSITIVE,
    ("Profile", "clock_tolerance_dots"): POSITIVE,
    ("CarriageHead", "nozzles"): {"minimum": 1, "maximum": 4096},
    ("CarriageHead", "passes"): FROM_1,
    ("CarriageHead", "drop_pl"): POSITIVE,
    ("IdleFiring", "drops"): FROM_0,
    ("IdleFiring", "every_s"): POSITIVE,
    ("LineHead", "dot_current_a"): POSITIVE,
    ("LineHead", "supply_current_a"): POSITIVE,
    ("LineHead", "strobe_s"): POSITIVE,
    ("Knife", "head_to_knife_mm"): FROM_0,
    ("Knife", "cuts_per_blade"): FROM_1,
    ("Media", "width_mm"): POSITIVE,
    ("Media", "caliper_mm"): POSITIVE,
    ("Media", "roll_m"): POSITIVE,
    ("Reports", "entries"): {"maxItems": MOST_ENTRIES},
    ("Retelling", "first"): FROM_1,
    ("ColumnsPrinted", "run"): RUN,
    ("ColumnsPrinted", "paper_position"): PLACE,
    ("ColumnsPrinted", "columns_done"): FROM_0,
    ("ColumnsPrinted", "worst_miss_s"): {"minimum": -MOST_MISS_S, "maximum": MOST_MISS_S},
    ("GapSettled", "run"): RUN,
    ("GapSettled", "paper_position"): PLACE,
    ("Gap", "closed"): {"maxItems": MOST_CLOSED},
    ("Decision", "reason"): {"maxLength": LONGEST_REASON},
    ("Decision", "hours_until_true"): FROM_0,
    ("Decision", "shift_s"): FROM_0,
    ("TrueAgain", "run"): RUN,
    ("StripCut", "run"): RUN,
    ("StripCut", "paper_position"): PLACE,
    ("SlipMeasured", "run"): RUN,
    ("FeedCorrected", "run"): RUN,
    ("OperatorActed", "paper_columns"): PLACE,
    ("SetTimeCompared", "error_s"): FROM_0,
}
# An entry of whatever kind is numbered from 1.
OF_ENTRIES: Mapping[str, Mapping[str, Any]] = {"seq": FROM_1}


def say_bounds(schemas: dict[str, Any]) -> None:
    """Put them into schemas by name."""
    for (name, field), bounds in BOUNDS.items():
        schemas[name]["properties"][field] |= bounds
    for schema in schemas.values():
        if "kind" in schema.get("properties", {}) and "at" in schema["properties"]:
            for field, bounds in OF_ENTRIES.items():
                if field in schema["properties"]:
                    schema["properties"][field] |= bounds
