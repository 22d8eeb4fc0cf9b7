"""The models are what the migrations make of an empty database."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connections

from scheduling.log import models
from scheduling.log.integrity import append_only
from scheduling.log.projections import VIEWS


@pytest.mark.django_db
def test_no_migration_is_missing() -> None:
    said = StringIO()
    call_command("makemigrations", "log", check=True, dry_run=True, skip_checks=True, stdout=said)
    assert said.getvalue() == "No changes detected in app 'log'\n"


@pytest.mark.django_db
def test_the_first_migrations_seal_the_log() -> None:
    assert append_only.missing(connections["default"]) == []


def test_every_table_is_the_log_a_view_or_known_not_to_be_one() -> None:
    tables = [table for view in VIEWS for table in view.tables]
    assert len(tables) == len(set(tables))
    others = {
        models.Event,
        models.GivenCommand,
        models.Remark,
        models.Heartbeat,
        models.Contacts,
        models.ClockSample,
        models.OwnWork,
        models.BrokenView,
        models.FoldedAgain,
        models.PassedOverEntry,
        models.Recipients,
        models.Matter,
        models.Message,
        models.Snapshot,
        models.SnapshotPart,
        models.SnapshotsTaken,
    }
    found = {model for model in vars(models).values() if isinstance(model, type) and hasattr(model, "_meta")}
    assert {*tables} | others == {model for model in found if not model._meta.abstract}


def test_no_name_of_a_table_or_of_the_seal_is_surprising() -> None:
    assert models.Event._meta.db_table == append_only.TABLE
