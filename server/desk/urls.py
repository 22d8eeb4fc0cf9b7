"""The addresses of the studio's pages."""

from __future__ import annotations

from django.urls import path

from server.desk import boards, calibrations, contacts, keys, machines, own_calendar, people, see_to, told
from server.desk.drafts import draft
from server.desk.machine_log import machine_log
from server.desk.machines import MACHINES
from server.desk.models import MODELS
from server.desk.pages import addresses
from server.desk.pictures_handed_on import handed_on
from server.desk.pieces import PIECES, piece
from server.desk.policies import policies
from server.desk.rehearsal import rehearsal
from server.desk.runs import RUNS
from server.desk.seek import seek
from server.desk.series import SERIES
from server.desk.sources import SOURCES
from server.desk.venues import VENUES

urlpatterns = [
    path("people", people.listed, name="people"),
    path("people/new", people.new, name="new-person"),
    path("people/<int:number>/role", people.role, name="person-role"),
    path("people/<int:number>/close", people.close, name="close-person"),
    path("people/<int:number>/reopen", people.reopen, name="reopen-person"),
    path("see-to/<id:id>/<digest:secret>", see_to.acknowledge, name="see-to"),
    path("people/<int:number>/calendar/address", own_calendar.person_address, name="person-calendar-address-page"),
    path("told", told.told, name="told"),
    path("told/new", told.new, name="new-recipient"),
    path("told/<id:id>/change", told.change, name="change-recipient"),
    path("told/<id:id>/remove", told.remove, name="remove-recipient"),
    path("told/<id:id>/test", told.test, name="test-recipient"),
    path("told/matters/<id:id>/see-to", told.see_to_it, name="see-to-it"),
    path("calendar", own_calendar.own, name="own-calendar"),
    path("calendar/address", own_calendar.own_address, name="own-calendar-address"),
    path("calendar/studio/address", own_calendar.studio_address, name="studio-calendar-address-page"),
    path("venues/<id:id>/calendar/address", own_calendar.venue_address, name="venue-calendar-address-page"),
    path("keys", keys.listed, name="keys-page"),
    path("keys/new", keys.new, name="new-key"),
    path("keys/<prefix:prefix>/revoke", keys.revoke, name="revoke-key-page"),
    path("sources/draft.png", draft, name="picture-draft"),
    *(address for subject in (VENUES, MODELS, MACHINES, SOURCES, RUNS, SERIES) for address in addresses(subject)),
    path("venues/<id:id>/contacts", contacts.contacts, name="venue-contacts-page"),
    path("machines/<id:id>/board", boards.board, name="desk-board"),
    path("machines/<id:id>/board/<slug:act>", boards.do, name="board-act"),
    path("machines/<id:id>/log", machine_log, name="machine-log"),
    path("machines/<id:id>/calibration", calibrations.measure, name="measure-machine"),
    path("machines/<id:id>/proof.png", machines.proof, name="machine-paper-proof"),
    path("seek", seek, name="seek-run"),
    path("runs/<id:id>/policies", policies, name="run-policies-page"),
    path("runs/<id:id>/rehearsal", rehearsal, name="run-rehearsal-page"),
    path("runs/<id:id>/proof.png", handed_on, {"address": "runs/{}/proof.png"}, name="run-proof-picture"),
    path("sources/<id:id>/proof.png", handed_on, {"address": "sources/{}/proof.png"}, name="picture-proof"),
    path("sources/<id:id>/thumbnail.png", handed_on, {"address": "sources/{}/thumbnail.png"}, name="picture-thumbnail"),
    *(path(f"sources/<id:id>/{show}.png", piece, {"show": show}, name=f"picture-{show}") for show in PIECES),
]
