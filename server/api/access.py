"""Who may come in: the boards of machines, the codes by which they take over, and the keys to this API."""

from __future__ import annotations

from typing import Any

from django.http import Http404
from django.shortcuts import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import unstructure
from scheduling.log.models import Machine
from server import wiring
from server.accounts.access import take_key
from server.accounts.boards import Boards, boards_of, revoke_node
from server.accounts.enrolment import Code, cancel_codes, make_code
from server.accounts.models import Key
from server.accounts.principals import KeyHolder
from server.accounts.roles import require_role
from server.api.base_views import ApiView, List, attribution
from server.api.serializers import Row


def _as_it_stands(machine: Machine) -> Response:
    return Response(unstructure(boards_of(machine, wiring.now())), headers={"Cache-Control": "no-store"})


class MachineBoard(ApiView):
    """Which board may come in for this machine, and the codes by which another could take over."""

    shows = Boards

    def get(self, request: Request, pk: str) -> Response:
        """The board and the newest hundred codes, without what makes them good."""
        return _as_it_stands(get_object_or_404(Machine, pk=pk))


class MachineEnrolment(ApiView):
    """Asking for a one-time code that makes a board the node of this machine."""

    command = staticmethod(make_code)
    shows, answers = Code, 201

    def post(self, request: Request, pk: str) -> Response:
        """Make a code; it is shown this once."""
        machine = get_object_or_404(Machine, pk=pk)
        made = make_code(machine.id, attribution(request))
        return Response(unstructure(made), status=201, headers={"Cache-Control": "no-store"})


class MachineEnrolmentCancel(ApiView):
    """Making codes useless."""

    command = staticmethod(cancel_codes)
    shows, answers = Boards, 200

    def post(self, request: Request, pk: str) -> Response:
        """Cancel every code of this machine that nobody used."""
        machine = get_object_or_404(Machine, pk=pk)
        cancel_codes(machine.id, "ordered", attribution(request))
        return _as_it_stands(machine)


class MachineBoardRevoke(ApiView):
    """Shutting a board out."""

    command = staticmethod(revoke_node)
    shows, answers = Boards, 200

    def post(self, request: Request, pk: str) -> Response:
        """Shut out the board of this machine, and cancel its codes.

        A board that calls from then on is told that it is fenced off (409 ``stale-epoch``), and prints no more.
        """
        machine = get_object_or_404(Machine, pk=pk)
        revoke_node(machine.id, attribution(request))
        return _as_it_stands(machine)


class KeyRow(Row):
    """A key without its secret; ``prefix`` is how the log names it."""

    class Meta:
        model = Key
        fields = (
            "prefix", "name", "role", "venues", "made_at", "made_by", "ends_at", "last_used_at", "revoked_at",
        )  # fmt: skip


class Keys(List):
    """The keys to this API, for the studio alone: names stand in it."""

    queryset = Key.objects.all()
    serializer_class = KeyRow
    key = "prefix"

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Only for who may revoke one."""
        super().initial(request, *args, **kwargs)
        assert isinstance(request.user, KeyHolder)
        require_role(request.user.standing, take_key)


class KeyRevoke(ApiView):
    """Making a key useless."""

    command = staticmethod(take_key)
    serializer_class, answers = KeyRow, 200

    def post(self, request: Request, prefix: str) -> Response:
        """Revoke a key; what it did stays under its prefix."""
        try:
            take_key(prefix, attribution(request))
        except InputError as error:
            raise Http404(f"There is no key {prefix} that works.") from error
        return Response(KeyRow(Key.objects.get(prefix=prefix)).data)
