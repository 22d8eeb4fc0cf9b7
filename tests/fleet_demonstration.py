"""`make demo FLEET=1`: the demonstration on a real PostgreSQL and a real Redis, each from its package, with workers, a
beat and two processes that answer calls.

    python -m tests.fleet_demonstration [--exit]
"""

from __future__ import annotations

import subprocess
import sys

from tests.services import CAREFUL, postgresql, redis


def main() -> int:
    """Start both, play, and stop them; what the demonstration ended with."""
    with postgresql(settings=CAREFUL) as database, redis() as broker:
        order = [sys.executable, "-m", "server.demo", f"--database={database}", f"--broker={broker}", *sys.argv[1:]]
        playing = subprocess.Popen(order)
        while True:
            try:
                return playing.wait()
            except KeyboardInterrupt:  # it was told so, too, and ends its parts before both are stopped
                continue


if __name__ == "__main__":
    sys.exit(main())
