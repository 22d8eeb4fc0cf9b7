"""How long each nozzle of a head has been idle, and which are to be fired into the waste now."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from machines.model.profile import CarriageHead, IdleFiring, Profile


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
        if not isinstance(head, CarriageHead) or head.idle_firing is None or head.idle_firing.drops == 0:
            return None
        return cls(head.idle_firing, head.nozzles, now)

    @property
    def drops(self) -> int:
        """How many each nozzle that is due fires."""
        return self._idle.drops

    def due(self, now: float) -> NDArray[np.bool_]:
        """The nozzles that are due now, shape (nozzles,), and stay so until they are said to be `opened`."""
        return self._idle_s + (now - self._at) > self._idle.every_s

    def opened(self, nozzles: NDArray[np.bool_] | NDArray[np.int64] | list[int], now: float) -> None:
        """These, by number or by a mask, have just set dots or been fired into the waste."""
        self._idle_s += now - self._at
        self._idle_s[nozzles] = 0.0
        self._at = now
