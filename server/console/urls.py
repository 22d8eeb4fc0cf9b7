"""The addresses of the pages."""

from __future__ import annotations

from django.urls import path

from server.accounts.new_password import NewPassword
from server.accounts.signing_in import SignIn, SignOut
from server.console import (
    decide,
    hours,
    opening_changes,
    opening_page,
    openings,
    paper_at_page,
    service_windows,
    staff_sheet,
    views,
    visitor_page,
)
from server.console.strip_scale import SLIP_PX, STRIP_PX

urlpatterns = [
    path("", views.console, name="console"),
    path("overview", views.fragment, name="overview"),
    path("season", views.season_page, name="season"),
    path("machines/<id:machine>/plates/<digest:digest>.png", views.plate_picture, name="plate-picture"),
    path("machines/<id:machine>/paper", views.paper_page, name="paper-in-time"),
    path("machines/<id:machine>/paper/at", paper_at_page.page, name="paper-at"),
    path("machines/<id:machine>/paper.png", views.paper_picture, name="paper-picture"),
    path("machines/<id:machine>/strip.png", views.strip_picture, {"width_px": STRIP_PX}, name="strip-picture"),
    path("machines/<id:machine>/slip.png", views.strip_picture, {"width_px": SLIP_PX}, name="slip-picture"),
    path("machines/<id:machine>/now", visitor_page.now, name="now"),
    path("machines/<id:machine>/now/fragment", visitor_page.fragment, name="now-fragment"),
    path("openings", opening_changes.listed, name="openings"),
    path("openings/new", openings.new, name="new-opening"),
    path("openings/<id:opening>", opening_page.page, name="opening"),
    path("openings/<id:opening>/change", opening_changes.change, name="change-opening"),
    path("openings/<id:opening>/call-off", opening_changes.off, name="call-off-opening"),
    path("openings/<id:opening>/take-back", opening_changes.back, name="take-back-opening"),
    path("venues/<id:venue>/hours", hours.edit, name="hours"),
    path("venues/<id:venue>/quiet-hours", hours.edit_quiet, name="quiet-hours"),
    path("venues/<id:venue>/service-windows", service_windows.listed, name="windows"),
    path("venues/<id:venue>/service-windows/new", service_windows.new, name="new-window"),
    path("service-windows/<id:window>/call-off", service_windows.off, name="call-off"),
    path("venues/<id:venue>/today", staff_sheet.today, name="today"),
    path("runs/<id:run>/tile.png", views.tile_picture, name="run-tile"),
    path("runs/<id:run>/decide", decide.decide, name="decide"),
    path("sign-in", SignIn.as_view(), name="sign-in"),
    path("new-password", NewPassword.as_view(), name="new-password"),
    path("sign-out", SignOut.as_view(), name="sign-out"),
]
