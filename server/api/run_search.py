"""A run that is sought: which beginning does what is wished of it."""

from __future__ import annotations

from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import structure, unstructure
from scheduling.commands.plan_run import PlanRun
from scheduling.commands.run_search import RunSearch, SeekRun, seek_run
from server import wiring
from server.api.base_views import ApiView
from server.heavy import TURNS


class RunSearches(ApiView):
    """The beginnings of a run that come nearest to what is wished of it; nothing is written."""

    command, reads, shows, answers = PlanRun, SeekRun, RunSearch, 200

    def post(self, request: Request) -> Response:
        """Seek when a run is to begin, with how many strips a turn and, of a period, by which epoch: so that a place is
        under the head or in sight at an instant, a strip falls then, and rolls and blades are changed when somebody
        comes, or not on some days. The nearest are told first, each with how far it is from every wish; order one by
        `POST runs`. Its picture is not drawn: `run-checks` says what else there is to an answer.
        Where too much is being made this comes to 429."""
        sought = structure(request.data, SeekRun)
        with TURNS.turn():
            return Response(unstructure(seek_run(sought, wiring.now())))
