"""What all processes count together."""

from __future__ import annotations

from django.db import models


class Tally(models.Model):
    """How often something was done, by whichever process. Telemetry: only ever added to, and no facts."""

    name = models.TextField(primary_key=True, help_text="of what: see server.metrics.tallies")
    times = models.BigIntegerField(default=0)
    seconds = models.FloatField(default=0.0, help_text="how long it took in all")
