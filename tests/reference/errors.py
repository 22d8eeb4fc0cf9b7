"""What the checks measured: for each quantity the mean, median and largest error, and the table of them all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

BEGIN = "<!-- sky-errors:begin -->"
END = "<!-- sky-errors:end -->"


@dataclass(frozen=True)
class Error:
    """The absolute errors of one quantity against one judge."""

    quantity: str
    judge: str
    unit: str
    count: int
    mean: float
    median: float
    largest: float


@dataclass
class Errors:
    """The errors noted so far, by quantity and judge, in the order of the checks."""

    sizes: dict[tuple[str, str, str], list[float]] = field(default_factory=dict)

    @property
    def noted(self) -> list[Error]:
        """One error for each quantity and judge."""
        return [
            Error(*key, len(sizes), float(np.mean(sizes)), float(np.median(sizes)), max(sizes))
            for key, sizes in self.sizes.items()
        ]

    def note(self, quantity: str, judge: str, unit: str, differences: npt.ArrayLike) -> float:
        """Note the differences of a quantity from what a judge says; returns the largest in size."""
        sizes = np.abs(np.asarray(differences, dtype=np.float64)).ravel()
        assert sizes.size, f"nothing was compared for {quantity}"
        assert np.isfinite(sizes).all(), f"{quantity} has a difference that is not finite"
        self.sizes.setdefault((quantity, judge, unit), []).extend(sizes.tolist())
        return float(sizes.max())


def markdown(noted: Iterable[Error]) -> str:
    """The errors as a table in Markdown."""
    lines = ["| quantity | judged by | checks | mean | median | largest | unit |", "|---|---|--:|--:|--:|--:|---|"]
    lines += [
        f"| {error.quantity} | {error.judge} | {error.count} | {_short(error.mean)} | {_short(error.median)}"
        f" | {_short(error.largest)} | {error.unit} |"
        for error in noted
    ]
    return "\n".join(lines)


def replace_table(path: Path, table: str) -> None:
    """Put the table between the two markers of a file, leaving the rest; raises ValueError without the markers."""
    text = path.read_text(encoding="utf-8")
    if text.count(BEGIN) != 1 or text.count(END) != 1 or text.index(BEGIN) > text.index(END):
        raise ValueError(f"{path} needs the lines {BEGIN} and {END}, once each and in this order")
    before, rest = text.split(BEGIN)
    after = rest.split(END)[1]
    path.write_text(f"{before}{BEGIN}\n{table}\n{END}{after}", encoding="utf-8")


def _short(value: float) -> str:
    return f"{value:.2g}" if value < 100 else f"{value:.0f}"
