"""Known weaknesses of what the locks name: `python -m tests.audit`, a part of `make check`.

Asked is the index that pip installs from, by pip-audit. Where it cannot be reached, or tells of no weaknesses, that is
said, and nothing is claimed.
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# What is installed where the project serves or prints; the tools of development stay at home.
LOCKS = ("server.lock.txt", "node.lock.txt")
OPTIONS = ("--require-hashes", "--disable-pip", "--progress-spinner=off", "--format=json", "--timeout=5")
PATIENCE_S = 120.0


@dataclass(frozen=True)
class Audited:
    """What is known of the packages of a lock.

    Attributes:
        weak: package, version and the names of what is known against it.
        asked: how many packages an answer was had about.
        unanswered: how many others there are.
        why: in words, where nothing could be asked.
    """

    weak: tuple[str, ...] = ()
    asked: int = 0
    unanswered: int = 0
    why: str = ""

    def in_words(self) -> str:
        """A line for people."""
        if self.why:
            return f"not audited: {self.why}"
        unanswered = f"; {self.unanswered} not audited: the index tells nothing of them" if self.unanswered else ""
        return f"{self.asked} packages audited, {len(self.weak)} with known weaknesses{unanswered}"


def judged(answer: dict[str, Any]) -> Audited:
    """What pip-audit's answer says."""
    found = answer["dependencies"]
    asked = [one for one in found if "vulns" in one]
    weak = tuple(
        f"{one['name']} {one['version']}: {', '.join(vuln['id'] for vuln in one['vulns'])}"
        for one in asked
        if one["vulns"]
    )
    return Audited(weak, len(asked), len(found) - len(asked))


def audit(lock: Path) -> Audited:
    """Ask about all that a lock names."""
    command = [sys.executable, "-m", "pip_audit", f"--requirement={lock}", *OPTIONS]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    except subprocess.TimeoutExpired:
        return Audited(why=f"the index did not answer within {PATIENCE_S:g} s")
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        return Audited(why=(done.stderr.strip().splitlines() or ["no answer"])[-1][:200])
    return judged(answer)


def main() -> int:
    """Audit each lock; 1 where something is known against what it names."""
    weak = False
    for name in LOCKS:
        audited = audit(Path(name))
        print(f"{name}: {audited.in_words()}")
        for one in audited.weak:
            print(f"  {one}")
        weak = weak or bool(audited.weak)
    return int(weak)


if __name__ == "__main__":
    sys.exit(main())
