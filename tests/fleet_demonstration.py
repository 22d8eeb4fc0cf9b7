"""`make demo FLEET=1`: the demonstration on a real PostgreSQL, a real Redis and a real store of objects, each from its
package, with workers, a beat and two processes that answer calls, none of which share a folder.

    python -m tests.fleet_demonstration [--exit]
"""

from __future__ import annotations

import subprocess
import sys

from tests.services import CAREFUL, objects, postgresql, redis


def main() -> int:
    """Start all three, play, and stop them; what the demonstration ended with."""
    with postgresql(settings=CAREFUL) as database, redis() as broker, objects() as store:
        parts = {"database": database, "broker": broker, "objects": store.whole_address}
        given = [f"--{name}={address}" for name, address in parts.items()]
        order = [sys.executable, "-m", "server.demo", *given, *sys.argv[1:]]
        playing = subprocess.Popen(order)
        while True:
            try:
                return playing.wait()
            except KeyboardInterrupt:  # it was told so, too, and ends its parts before all are stopped
                continue


if __name__ == "__main__":
    sys.exit(main())
