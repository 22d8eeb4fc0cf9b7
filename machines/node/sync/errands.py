"""Errands to the server, none of which ends the exchange, whatever is answered and whatever goes wrong with it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass

from machines.node.sync.client import BACKOFF_LONGEST_S
from machines.node.sync.failures import NO_CONNECTION, FailureKind, Refused, Unreachable


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """Why an errand came to nothing.

    Attributes:
        kind: by which people are told.
        detail: more of it, for the log and for whoever keeps the network.
        wait_s: how long the other side wants to be left alone, seconds; 0 if it did not say.
        is_ours: it was the server that answered.
        fault: of this program; None where it is none.
    """

    kind: FailureKind
    detail: str
    wait_s: float = 0.0
    is_ours: bool = False
    fault: Exception | None = None

    @property
    def is_cut_off(self) -> bool:
        """Whether no connection came about, so that the next errand would fare no better."""
        return self.kind in NO_CONNECTION


def attempt(errand: Callable[[], object]) -> Trouble | None:
    """Run an errand; why it came to nothing, None if it did not."""
    try:
        errand()
    except Unreachable as error:
        # Whatever stands in between may be the only one that wants this wait; so it is not believed for long.
        return Trouble(kind=error.kind, detail=str(error), wait_s=min(error.retry_after_s or 0.0, BACKOFF_LONGEST_S))
    except Refused as refusal:
        return Trouble(kind=refusal.kind, detail=str(refusal), wait_s=refusal.retry_after_s or 0.0, is_ours=True)
    except (sqlite3.Error, OSError) as error:  # a full card, for one; the print loop has its own say
        return Trouble(kind="files", detail=f"the exchange with the server cannot write: {error}")
    except Exception as error:  # noqa: BLE001 - the machine prints on without the server, so it does without this, too
        return Trouble(kind="fault", detail=f"{type(error).__name__}: {error}"[:500], fault=error)
    return None
