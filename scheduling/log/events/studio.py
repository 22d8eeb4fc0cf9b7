"""What people of a studio, or its planner on their behalf, say: see `scheduling.log.events`."""

from __future__ import annotations

from scheduling.log.events.equipment import EquipmentEvent
from scheduling.log.events.plans import RunEvent
from scheduling.log.events.visits import VisitEvent

StudioEvent = EquipmentEvent | RunEvent | VisitEvent
