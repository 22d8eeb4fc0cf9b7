from __future__ import annotations

from django.db import migrations, models


class Migration(migrations.Migration):
    """An order that is given again is known for the same."""

    dependencies = [("log", "0018_remark")]

    operations = [
        migrations.CreateModel(
            name="Ordered",
            fields=[
                ("stream", models.TextField(primary_key=True, serialize=False)),
                ("actor", models.TextField(help_text="who gave the order")),
                ("digest", models.TextField(help_text="SHA-256 of the order, see scheduling.commands.idempotency")),
            ],
        ),
    ]
