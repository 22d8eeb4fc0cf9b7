"""What a machine told of a run before it was planned, kept in the view of runs.

A server that was put back from an older copy does not know the newest runs, which machines print and tell of all the
same. Once such a run is planned again, all of it counts as if the run had been known.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from machines.serialization import unstructure
from scheduling.log.events import from_data, schema_of
from scheduling.log.events.plans import RunPlanned
from scheduling.log.models import ToldBefore
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows


def keep(rows: Rows, fact: Recorded, event: Any) -> None:
    """Keep an entry about a run that is not planned."""
    rows.put(
        ToldBefore,
        machine_id=fact.subject,
        version=fact.version,
        run_id=event.run,
        kind=fact.kind,
        schema=schema_of(fact.kind),
        data=unstructure(event),
    )


def told_before(rows: Rows, planned: Recorded, event: RunPlanned) -> Iterator[Recorded]:
    """What the machine of a run told of it before, and can be of it; in the order of the log."""
    for kept in rows.change_where(ToldBefore, machine_id=event.machine, run_id=planned.subject):
        if kept.version not in event.without:
            said = from_data(kept.kind, kept.schema, kept.data)
            yield planned._replace(
                stream=f"machine/{kept.machine_id}", version=kept.version, kind=kept.kind, event=said
            )
