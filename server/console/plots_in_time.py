"""Small plots under a machine's paper along time, on the same axis: how late its columns came, how far the paper
slipped, and how surely its board knew the time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from scheduling.log.models import Machine, Segment
from scheduling.queries.machine_traces import Trace, clock_errors_s, slips_mm
from server.console import formatting
from server.console.days_span import DaysSpan
from server.console.formatting import NO_BREAK

HEIGHT = 40.0
# A line is broken where nothing was told for so many times the usual distance, and is seen from so many units on.
FAR, SHORTEST = 6.0, 3.0
# From so many seconds on they are said in minutes.
MINUTES_FROM_S = 120.0


@dataclass(frozen=True)
class Plot:
    """A plot of one number along time.

    Attributes:
        name: what is plotted.
        most: the largest in size, in words, which stands at its edge.
        lines: polylines, each as points of the drawing; a single value is a short line.
        zero: where nothing would stand, units.
    """

    name: str
    most: str
    lines: tuple[str, ...]
    zero: float


def plots(machine: Machine, segments: Sequence[Segment], span: DaysSpan) -> tuple[Plot, ...]:
    """Those of which anything was told within the days."""
    traces: tuple[tuple[str, Trace, Callable[[float], str]], ...] = (
        ("How late columns came", _late(segments, span), _seconds),
        ("How far the paper slipped", slips_mm(machine.id, span.begins, span.ends), _mm),
        ("How far off its clock may be", clock_errors_s(machine.id, span.begins, span.ends), _seconds),
    )
    return tuple(_plot(name, trace, said, span) for name, trace, said in traces if trace)


def _late(segments: Sequence[Segment], span: DaysSpan) -> Trace:
    """The worst of each segment, where it ends."""
    told = [(one.ends_at, one.worst_miss_s) for one in segments if one.worst_miss_s is not None]
    return sorted((at, late) for at, late in told if span.begins <= at < span.ends)


def _plot(name: str, trace: Trace, said: Callable[[float], str], span: DaysSpan) -> Plot:
    """From nothing to the largest in size; what lies on the other side of nothing has its room, too."""
    values = [value for _, value in trace]
    top, bottom = max(*values, 0.0), min(*values, 0.0)
    size = (top - bottom) or 1.0
    zero = HEIGHT * top / size
    points = [(span.x(at), round(zero - HEIGHT * value / size, 1)) for at, value in trace]
    lines = tuple(" ".join(f"{x:g},{y:g}" for x, y in line) for line in _unbroken(points))
    return Plot(name, f"{said(max(values, key=abs))} at most", lines, round(zero, 1))


def _unbroken(points: Sequence[tuple[float, float]]) -> Iterator[list[tuple[float, float]]]:
    """Lines of points that are not far from each other; one that stands alone is a short one."""
    usual = median([abs(b[0] - a[0]) for a, b in pairwise(points)] or [0.0])
    line: list[tuple[float, float]] = []
    for point in points:
        if line and abs(point[0] - line[-1][0]) > max(FAR * usual, SHORTEST):
            yield _seen(line)
            line = []
        line.append(point)
    yield _seen(line)


def _seen(line: list[tuple[float, float]]) -> list[tuple[float, float]]:
    (x, y), *more = line
    return line if more else [(x - SHORTEST / 2, y), (x + SHORTEST / 2, y)]


def _seconds(number: float) -> str:
    size = abs(number)
    return formatting.seconds(number) if size >= MINUTES_FROM_S else f"{formatting.two_digits(number)}{NO_BREAK}s"


def _mm(number: float) -> str:
    return f"{formatting.two_digits(number)}{NO_BREAK}mm"
