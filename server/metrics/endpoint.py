"""``/metrics``: open to whoever has a key, a reader's too, as all that the API shows."""

from __future__ import annotations

from django.http import HttpResponse
from prometheus_client import generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from rest_framework.request import Request
from rest_framework.views import APIView

from server.accounts.authentication import HasKey, KeyAuthentication
from server.metrics.counted import REGISTRY
from server.metrics.scraped import Scraped


class Metrics(APIView):
    """The numbers as they stand, in the text format of Prometheus. A program keeps a key and shows it, as
    ``authorization`` of a scrape does."""

    authentication_classes = (KeyAuthentication,)
    permission_classes = (HasKey,)
    schema = None

    def get(self, request: Request) -> HttpResponse:
        """What is read from the database, then what this process counts."""
        told = generate_latest(Scraped()) + generate_latest(REGISTRY)
        return HttpResponse(told, content_type=CONTENT_TYPE_LATEST, headers={"Cache-Control": "no-store"})
