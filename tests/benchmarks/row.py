"""One line of the benchmark table."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Row:
    """A ratio measured against a named baseline in the same run; above 1, ours is faster."""

    name: str
    baseline: float
    ours: float
    unit: str
    goal: float

    @property
    def ratio(self) -> float:
        return self.baseline / self.ours

    @property
    def holds(self) -> bool:
        return self.ratio >= self.goal

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"ratio": self.ratio, "holds": self.holds}
