"""A bad wire, by seed: it loses, garbles, repeats and delays octets, and lets some overtake others."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from machines.errors import InputError


@dataclass(frozen=True, kw_only=True)
class NoisePlan:
    """How bad.

    Attributes:
        seed: of all chances.
        rate: how likely each line, or a piece of it, is hurt; 0 to 1.
        longest_delay_s: of what comes late, seconds.
    """

    seed: int = 0
    rate: float = 0.0
    longest_delay_s: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.rate <= 1:
            raise InputError("rate", f"{self.rate} is no probability", "give 0 to 1")
        if not 0 <= self.longest_delay_s <= 60:
            raise InputError("longest_delay_s", f"{self.longest_delay_s} s", "give 0 to 60 s")


class Noise:
    """One direction of the wire."""

    def __init__(self, plan: NoisePlan) -> None:
        self._plan = plan
        self._random = Random(plan.seed)

    def through(self, octets: bytes) -> list[tuple[float, bytes]]:
        """What comes out at the other end: after how many seconds, and what."""
        out: list[tuple[float, bytes]] = []
        for line in octets.splitlines(keepends=True):
            if self._random.random() >= self._plan.rate:
                out.append((0.0, line))
            else:
                out.extend(self._hurt(line))
        return out

    def _hurt(self, line: bytes) -> list[tuple[float, bytes]]:
        first, end = 0, len(line)
        if self._random.random() < 0.5:  # only a piece of it
            first, end = sorted(self._random.choices(range(len(line) + 1), k=2))
        before, piece, after = line[:first], line[first:end], line[end:]
        kind = self._random.choice(["lose", "garble", "repeat", "delay"])
        late_s = self._random.uniform(0, self._plan.longest_delay_s) if kind == "delay" else 0.0
        if kind == "lose":
            piece = b""
        elif kind == "garble":
            piece = bytes(octet ^ (1 << self._random.randrange(8)) for octet in piece)
        elif kind == "repeat":
            piece = piece * self._random.randint(2, 3)
        return [(delay_s, part) for delay_s, part in ((0.0, before), (late_s, piece), (0.0, after)) if part]
