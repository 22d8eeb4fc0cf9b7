"""`make simulate N=1000 SEED=1`: seeded scenarios in simulated worlds, judged as the fault runs are."""

from __future__ import annotations

import sys

from tests.faults.kinds import ALL
from tests.faults.scenario import draw
from tests.simulated.command import Command
from tests.simulated.more import draw_more
from tests.simulated.series import FLOOR
from tests.simulated.wrongs import WRONGS

COMMAND = Command(
    floor=FLOOR,
    says="Seeded scenarios with the real server and nodes in one process under virtual time, so that the same seed"
    " gives the same bytes. What was found is put into var/simulate.json, whatever happens. Ends with 1 where a"
    " scenario broke or could not be played; each is told with the command that plays it again, with nothing that can"
    " be spared.",
    draw=draw_more,
    plain=draw,
    kinds=ALL,
    wrongs=WRONGS,
    scenarios=100,
)

if __name__ == "__main__":
    sys.exit(COMMAND.run())
