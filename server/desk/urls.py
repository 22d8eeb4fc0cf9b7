"""The addresses of the studio's pages."""

from __future__ import annotations

from django.urls import path

from server.desk import boards, machines
from server.desk.machines import MACHINES
from server.desk.models import MODELS
from server.desk.pages import addresses
from server.desk.venues import VENUES

urlpatterns = [
    *(address for subject in (VENUES, MODELS, MACHINES) for address in addresses(subject)),
    path("machines/<id:id>/board", boards.board, name="desk-board"),
    path("machines/<id:id>/board/<slug:act>", boards.do, name="board-act"),
    path("machines/<id:id>/proof.png", machines.proof, name="machine-paper-proof"),
]
