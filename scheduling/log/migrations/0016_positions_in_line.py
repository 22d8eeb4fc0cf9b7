from __future__ import annotations

from typing import Any

from django.db import migrations

from scheduling.log.integrity import append_only


def apply(apps: Any, schema_editor: Any) -> None:
    append_only.apply(schema_editor.connection)


class Migration(migrations.Migration):
    """The database refuses an event at any position but the next one, too."""

    dependencies = [("log", "0015_stopped_at")]

    operations = [migrations.RunPython(apply, migrations.RunPython.noop)]
