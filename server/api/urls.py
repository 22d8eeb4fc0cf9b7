"""The addresses of the API, relative to ``/api/v1/``."""

from __future__ import annotations

from django.urls import path, re_path
from drf_spectacular.views import SpectacularSwaggerSplitView

from server.api import (
    about,
    access,
    calendar,
    events,
    forecast,
    machines,
    node,
    outages,
    plates,
    proofs,
    resources,
    runs,
    service_windows,
    state,
    uploads,
    venues,
)

urlpatterns = [
    *(address for resource in resources.RESOURCES for address in resource.addresses()),
    path(
        "opening-series/<id:pk>/openings",
        resources.OpeningsOfSeries.as_view(said="The openings of a series."),
        name="openings-of-series",
    ),
    path("node/enrol", node.NodeEnrol.as_view(), name="node-enrol"),
    path("node/clock", node.NodeClock.as_view(), name="node-clock"),
    path("node/work", node.NodeWork.as_view(), name="node-work"),
    path("node/reports", node.NodeReports.as_view(), name="node-reports"),
    path("plates/<digest:digest>.png", plates.OnePlate.as_view(), name="plate"),
    path("venues/<id:pk>/hours", venues.VenueHours.as_view(), name="venue-hours"),
    path(
        "venues/<id:pk>/service-windows",
        service_windows.VenueServiceWindows.as_view(),
        name="venue-service-windows",
    ),
    path("venues/<id:pk>/calendar.ics", calendar.VenueFeed.as_view(), name="venue-calendar"),
    path("machines/<id:pk>/heartbeat", machines.MachineHeartbeat.as_view(), name="machine-heartbeat"),
    path("machines/<id:pk>/enrolment", access.MachineEnrolment.as_view(), name="machine-enrolment"),
    path("machines/<id:pk>/enrolment/cancel", access.MachineEnrolmentCancel.as_view(), name="machine-enrolment-cancel"),
    path("machines/<id:pk>/board", access.MachineBoard.as_view(), name="machine-board"),
    path("machines/<id:pk>/board/revoke", access.MachineBoardRevoke.as_view(), name="machine-board-revoke"),
    path("keys", access.Keys.as_view(), name="keys"),
    path("keys/<prefix:prefix>/revoke", access.KeyRevoke.as_view(), name="key-revoke"),
    path("machines/<id:pk>/calibration", machines.MachineCalibration.as_view(), name="machine-calibration"),
    path("machines/<id:pk>/forecast", forecast.MachineForecast.as_view(), name="machine-forecast"),
    path("machines/<id:pk>/next", machines.MachineNext.as_view(), name="machine-next"),
    path("machines/<id:pk>/proof.png", proofs.MachineProof.as_view(), name="machine-proof"),
    path("uploads", uploads.Uploads.as_view(), name="uploads"),
    path("sources/<id:pk>/thumbnail.png", proofs.SourceThumbnail.as_view(), name="source-thumbnail"),
    path("sources/<id:pk>/proof.png", proofs.SourceProof.as_view(), name="source-proof"),
    path("sources/<id:pk>/seam", proofs.SourceSeam.as_view(), name="source-seam"),
    path("run-checks", runs.RunChecks.as_view(), name="run-checks"),
    path("runs/<id:pk>/override", runs.RunOverride.as_view(), name="run-override"),
    path("runs/<id:pk>/proof.png", proofs.RunProof.as_view(), name="run-proof"),
    path("runs/<id:pk>/geometry", proofs.RunGeometry.as_view(), name="run-geometry"),
    path("runs/<id:pk>/supplies", forecast.RunSupplies.as_view(), name="run-supplies"),
    path("runs/<id:run>/segments", runs.RunSegments.as_view(), name="run-segments"),
    path("runs/<id:run>/state", state.RunState.as_view(), name="run-state"),
    path("outages/<id:pk>/override", outages.OutageOverride.as_view(), name="outage-override"),
    path("events", events.Events.as_view(), name="events"),
    path("schema", about.Description.as_view(), name="api-schema"),
    path("reference", SpectacularSwaggerSplitView.as_view(url_name="api-schema"), name="api-reference"),
    path("problems/<slug:slug>", about.Explanation.as_view(), name="problem"),
    re_path("", about.Nothing.as_view()),
]
