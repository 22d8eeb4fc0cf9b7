"""`make modelled N=100000 SEED=1`: hours of a node beside a model of the server, judged as fault runs are."""

from __future__ import annotations

import sys

from tests.faults.kinds import ALL
from tests.modelled.scenario import draw
from tests.modelled.series import FLOOR
from tests.modelled.wrongs import WRONGS
from tests.simulated.command import Command

COMMAND = Command(
    floor=FLOOR,
    says="Seeded hours of a real node under virtual time beside a model of the server; the same seed gives the same"
    " bytes. What was found is put into var/simulate.json, whatever happens. Ends with 1 where an hour broke or could"
    " not be played; each is told with the command that plays it again, with nothing that can be spared.",
    draw=draw,
    kinds=ALL,
    wrongs=WRONGS,
    scenarios=1000,
    told_every=1000,
)

if __name__ == "__main__":
    sys.exit(COMMAND.run())
