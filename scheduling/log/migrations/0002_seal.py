from __future__ import annotations

from typing import Any

from django.db import migrations

from scheduling.log.integrity import append_only


def apply(apps: Any, schema_editor: Any) -> None:
    append_only.apply(schema_editor.connection)


def lift(apps: Any, schema_editor: Any) -> None:
    append_only.lift(schema_editor.connection)


class Migration(migrations.Migration):
    """From the first day on the database refuses to change an event."""

    dependencies = [("log", "0001_initial")]

    operations = [migrations.RunPython(apply, lift)]
