"""How long each nozzle of a head has been idle, and which are to be fired into the waste now."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from machines.idle_firing import idle_drops
from machines.profile import CarriageHead, IdleFiring, Profile


class IdleNozzles:
    """Of one head, looked at whenever its driver is; a driver that was just opened knows nothing of what was before, so
    every nozzle is due at once."""

    def __init__(self, idle: IdleFiring, nozzles: int, now: float) -> None:
        """Begin to count; ``now`` as in every method by one clock, seconds."""
        self._idle = idle
        self._idle_s = np.full(nozzles, np.inf)
        self._at = now

    @classmethod
    def of(cls, profile: Profile, now: float) -> IdleNozzles | None:
        """Those of a profile's head; None where it has nothing to keep open."""
        head = profile.head
        if not isinstance(head, CarriageHead) or head.idle_firing is None:
            return None
        return cls(head.idle_firing, head.nozzles, now)

    @property
    def drops(self) -> int:
        """How many each nozzle that is due fires."""
        return self._idle.drops

    def due(self, now: float) -> NDArray[np.bool_]:
        """The nozzles that are due now, shape (nozzles,), and stay so until they are said to be `opened`."""
        idle_before_s = self._idle_s + (now - self._at)
        nothing_set = np.zeros((1, len(idle_before_s)), dtype=np.bool_)
        drops, _ = idle_drops(nothing_set, 0.0, self._idle, idle_before_s)
        due: NDArray[np.bool_] = drops[0] > 0
        return due

    def opened(self, nozzles: NDArray[np.bool_] | NDArray[np.int64] | list[int], now: float) -> None:
        """These, by number or by a mask, have just set dots or been fired into the waste."""
        self._idle_s += now - self._at
        self._idle_s[nozzles] = 0.0
        self._at = now
