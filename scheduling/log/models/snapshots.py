"""What past states are folded from, so that nobody folds all years for one of them. See `scheduling.log.snapshots`."""

from __future__ import annotations

from typing import ClassVar

from django.db import models


class Snapshot(models.Model):
    """That the rows of a scope were kept as they stood after one of its facts.

    A place is one in what is folded: of a machine the version in its stream, of a run the position in the log.
    """

    id = models.BigAutoField(primary_key=True)
    scope = models.TextField(help_text="run/<id> or machine/<id>")
    place = models.BigIntegerField(help_text="of the last fact that it holds")
    since = models.BigIntegerField(help_text="place of the snapshot before it; 0 for none")
    program = models.TextField(help_text="digest of the program that folded it")
    happened_by = models.DateTimeField(null=True, help_text="by when all had happened that it holds; null for nothing")
    said_by = models.DateTimeField(null=True, help_text="by when all had been told that it holds; null for nothing")
    happened_from = models.DateTimeField(null=True, help_text="when the first happened of what it holds since the last")
    said_from = models.DateTimeField(null=True, help_text="when the first was told of what it holds since the last")

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(fields=["scope", "place"], name="log_snapshot_place")]


class SnapshotPart(models.Model):
    """Some rows of a scope's table as they stood at a snapshot, kept again only where one of them has changed."""

    pk = models.CompositePrimaryKey("scope", "rows_of", "part", "place")
    scope = models.TextField(help_text="that of its snapshot")
    rows_of = models.TextField(help_text="name of the rows' table")
    part = models.BigIntegerField(help_text="which of the table's rows, by their keys")
    place = models.BigIntegerField(help_text="that of its snapshot")
    end_column = models.BigIntegerField(null=True, help_text="before which all its rows end; null where they have none")
    data = models.BinaryField(help_text="the rows, see scheduling.log.snapshots.parts")

    class Meta:
        indexes: ClassVar = [models.Index(fields=["scope", "rows_of", "end_column"], name="log_snapshotpart_columns")]


class SnapshotsTaken(models.Model):
    """How far snapshots are taken; one row."""

    id = models.IntegerField(primary_key=True)
    program = models.TextField(default="", help_text="digest of the program that took them")
    position = models.BigIntegerField(default=0, help_text="up to which the log was looked through")
    dropped = models.BigIntegerField(default=0, help_text="how often all of them were dropped")
