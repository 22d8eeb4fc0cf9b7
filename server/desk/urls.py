"""The addresses of the studio's pages."""

from __future__ import annotations

from django.urls import path

from server.desk.pages import addresses
from server.desk.pictures_handed_on import handed_on
from server.desk.runs import RUNS
from server.desk.venues import VENUES

urlpatterns = [
    *(address for subject in (RUNS, VENUES) for address in addresses(subject)),
    path("runs/<id:id>/proof.png", handed_on, {"address": "runs/{}/proof.png"}, name="run-proof-picture"),
]
