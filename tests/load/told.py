"""What was measured, in lines for people and as JSON."""

from __future__ import annotations

from typing import Any

from tests.load.figures import Figures, percentile
from tests.load.play import Asked, Played
from tests.load.processes import Taken


def summary(asked: Asked, played: Played) -> dict[str, Any]:
    """All of it, for `var/load.json`; times in milliseconds."""
    return {
        "nodes": asked.nodes,
        "venues": asked.venues,
        "real_s": played.real_s,
        "rate": asked.rate,
        "load_average": played.load_average,
        "calls": calls(played.figures),
        "told_after_s": {
            "p50": percentile(played.figures.told_after_s, 50),
            "most": max(played.figures.told_after_s, default=0.0),
        },
        "entries": len(played.written.taken),
        "failed": dict(played.figures.failed),
        "processes": {name: _process(one, played.real_s) for name, one in played.taken.items()},
        "broken": played.broken,
        "holds": not played.broken,
    }


def calls(figures: Figures) -> dict[str, dict[str, float]]:
    """Of each kind: how many, and percentiles in milliseconds."""
    return {
        kind: {
            "count": len(took_s),
            "p50_ms": round(1000 * percentile(took_s, 50), 1),
            "p99_ms": round(1000 * percentile(took_s, 99), 1),
            "most_ms": round(1000 * max(took_s), 1),
        }
        for kind, took_s in sorted(figures.took_s.items())
    }


def _process(taken: Taken, real_s: float) -> dict[str, float]:
    share = 100 * taken.processor_s / real_s
    return {
        "processor_s": round(taken.processor_s, 1),
        "core_percent": round(share),
        "memory_mb": round(taken.memory_mb),
    }
