"""A board's program beside a model of the server: as in a simulated world, but its power goes sooner when it goes."""

from __future__ import annotations

from tests.simulated.agent import KILLED, AgentProgram

# The power goes within so many virtual seconds, at one of so many places where it may.
KILLED_WITHIN_S, MOST_PLACES = 400.0, 20


class ModelledAgent(AgentProgram):
    """As the program that it is."""

    def kill(self) -> None:
        """The power goes, at some place of the next minutes where it may."""
        if self.runs:
            self.fuse.left = self.dice.randrange(MOST_PLACES)
            self.world.run(self.world.now + KILLED_WITHIN_S, lambda: not self.runs)
        if self.runs:
            self._cut(KILLED)
