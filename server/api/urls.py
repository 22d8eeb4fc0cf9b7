"""The addresses of the API, relative to ``/api/v1/``."""

from __future__ import annotations

from django.urls import path, re_path
from drf_spectacular.views import SpectacularJSONAPIView, SpectacularSwaggerSplitView

from server.api import (
    about,
    events,
    forecast,
    machines,
    node,
    notices,
    openings,
    outages,
    plates,
    profiles,
    proofs,
    runs,
    sources,
    state,
    uploads,
    venues,
)

urlpatterns = [
    path("node/enrol", node.NodeEnrol.as_view(), name="node-enrol"),
    path("node/clock", node.NodeClock.as_view(), name="node-clock"),
    path("node/work", node.NodeWork.as_view(), name="node-work"),
    path("node/reports", node.NodeReports.as_view(), name="node-reports"),
    path("plates/<digest:digest>.png", plates.OnePlate.as_view(), name="plate"),
    path("venues", venues.Venues.as_view(), name="venues"),
    path("venues/<id:pk>", venues.OneVenue.as_view(), name="venue"),
    path("profiles", profiles.Profiles.as_view(), name="profiles"),
    path("profiles/<id:pk>", profiles.OneProfile.as_view(), name="profile"),
    path("machines", machines.Machines.as_view(), name="machines"),
    path("machines/<id:pk>", machines.OneMachine.as_view(), name="machine"),
    path("machines/<id:pk>/heartbeat", machines.MachineHeartbeat.as_view(), name="machine-heartbeat"),
    path("machines/<id:pk>/enrolment", machines.MachineEnrolment.as_view(), name="machine-enrolment"),
    path("machines/<id:pk>/forecast", forecast.MachineForecast.as_view(), name="machine-forecast"),
    path("machines/<id:pk>/proof.png", proofs.MachineProof.as_view(), name="machine-proof"),
    path("uploads", uploads.Uploads.as_view(), name="uploads"),
    path("sources", sources.Sources.as_view(), name="sources"),
    path("sources/<id:pk>", sources.OneSource.as_view(), name="source"),
    path("sources/<id:pk>/thumbnail.png", proofs.SourceThumbnail.as_view(), name="source-thumbnail"),
    path("sources/<id:pk>/proof.png", proofs.SourceProof.as_view(), name="source-proof"),
    path("sources/<id:pk>/seam", proofs.SourceSeam.as_view(), name="source-seam"),
    path("runs", runs.Runs.as_view(), name="runs"),
    path("runs/<id:pk>", runs.OneRun.as_view(), name="run"),
    path("runs/<id:run>/segments", runs.RunSegments.as_view(), name="run-segments"),
    path("runs/<id:run>/state", state.RunState.as_view(), name="run-state"),
    path("openings", openings.Openings.as_view(), name="openings"),
    path("openings/<id:pk>", openings.OneOpening.as_view(), name="opening"),
    path("outages", outages.Outages.as_view(), name="outages"),
    path("outages/<id:pk>", outages.OneOutage.as_view(), name="outage"),
    path("notices", notices.Notices.as_view(), name="notices"),
    path("notices/<id:pk>", notices.OneNotice.as_view(), name="notice"),
    path("events", events.Events.as_view(), name="events"),
    path("schema", SpectacularJSONAPIView.as_view(), name="api-schema"),
    path("reference", SpectacularSwaggerSplitView.as_view(url_name="api-schema"), name="api-reference"),
    path("problems/<slug:slug>", about.Explanation.as_view(), name="problem"),
    re_path("", about.Nothing.as_view()),
]
