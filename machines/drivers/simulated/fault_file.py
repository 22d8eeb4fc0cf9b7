"""The faults of a simulated machine as a JSON file, read again whenever it changes.

    {"faults": [{"kind": "slip", "at": "2026-11-02T09:00:00Z", "share": 0.005}, {"kind": "jam", "at": ...}],
     "chance": {"seed": 1, "begins": ..., "days": 30, "rates": [{"kind": "dead-nozzles", "per_day": 0.2}]},
     "cleared": [{"kind": "jam", "at": "2026-11-02T11:30:00Z"}]}

Each part may be left out. `python -m machines.drivers.simulated.fault_file FILE KIND` clears what is wrong of a kind
now, as a person at the machine would.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import get_args

from machines.clock import true_clock
from machines.drivers.simulated.faults import Cleared, Fault, FaultKind, FaultPlan
from machines.drivers.simulated.random_faults import Chance
from machines.errors import InputError
from machines.model.profile import Profile
from machines.serialization import structure, unstructure

log = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True)
class FaultDocument:
    """What such a file holds; see the module."""

    faults: tuple[Fault, ...] = ()
    chance: Chance | None = None
    cleared: tuple[Cleared, ...] = ()

    def plan(self, profile: Profile) -> FaultPlan:
        """For a machine of a profile, with what chance brings it."""
        drawn = () if self.chance is None else self.chance.draw(profile)
        return FaultPlan(faults=(*self.faults, *drawn), cleared=self.cleared)


def read_faults(path: Path) -> FaultDocument:
    """Read the file.

    Raises:
        InputError: it is not there, or names what is wrong in it.
    """
    try:
        return structure(json.loads(path.read_bytes()), FaultDocument)
    except OSError as error:
        raise InputError("faults", f"{path} cannot be read ({error.strerror})", "give a JSON file of faults") from error
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        raise InputError("faults", f"{path} is no JSON ({error})", "give a JSON file of faults") from error
    except InputError as error:
        raise error.within("faults") from None


def write_faults(path: Path, document: FaultDocument) -> None:
    """Write the file, so that whoever reads it finds the old one or the new one."""
    partial = path.with_name(path.name + ".partial")
    partial.write_text(json.dumps(unstructure(document), indent=2))
    partial.replace(path)


def clear_faults(path: Path, kind: FaultKind, now: float) -> None:
    """A person puts right what is wrong of a kind now (POSIX seconds, by the true clock).

    Raises:
        InputError: the file cannot be read.
    """
    document = read_faults(path)
    plan = FaultPlan(cleared=document.cleared).clear(kind, now)
    write_faults(path, replace(document, cleared=plan.cleared))


class FaultFile:
    """The plan in a file for one machine; call it for the plan as it stands."""

    def __init__(self, path: Path, profile: Profile) -> None:
        """Read it for the first time.

        Raises:
            InputError: it cannot be read.
        """
        self._path = path
        self._profile = profile
        self._stamp = self._look()
        self._plan = read_faults(path).plan(profile)

    def __call__(self) -> FaultPlan:
        """The plan, read again if the file is another; what cannot be read is said, and the plan before it stands."""
        stamp = self._look()
        if stamp != self._stamp:
            self._stamp = stamp
            try:
                self._plan = read_faults(self._path).plan(self._profile)
            except InputError as error:
                log.error("%s", error)
        return self._plan

    def _look(self) -> tuple[int, int] | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino


def main(arguments: Sequence[str] | None = None) -> int:
    """Clear a kind in a file, and return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m machines.drivers.simulated.fault_file", description="Clear faults."
    )
    parser.add_argument("file", type=Path, help="the JSON file of faults")
    parser.add_argument("kind", choices=get_args(FaultKind), help="what a person puts right")
    options = parser.parse_args(arguments)
    try:
        clear_faults(options.file, options.kind, true_clock(os.environ).now())
    except InputError as error:
        sys.stderr.write(f"fault_file: {error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
