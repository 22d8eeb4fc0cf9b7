from __future__ import annotations

from django.db import migrations, models


class Migration(migrations.Migration):
    """What people write in their own words lies beside the log, so that it can be blotted out."""

    dependencies = [("log", "0017_folded_again")]

    operations = [
        migrations.CreateModel(
            name="Remark",
            fields=[
                (
                    "digest",
                    models.TextField(
                        help_text="see scheduling.log.remarks.digest_of", primary_key=True, serialize=False
                    ),
                ),
                ("salt", models.TextField()),
                ("text", models.TextField()),
            ],
        ),
        migrations.AddField(
            model_name="override",
            name="remark",
            field=models.TextField(help_text="digest of why: a Remark", null=True),
        ),
        migrations.AlterField(
            model_name="override",
            name="reason",
            field=models.TextField(help_text="why, where it stands in the event", null=True),
        ),
        migrations.AddField(
            model_name="servicewindow",
            name="called_off_remark",
            field=models.TextField(help_text="digest of why: a Remark", null=True),
        ),
        migrations.AlterField(
            model_name="servicewindow",
            name="called_off_because",
            field=models.TextField(help_text="why, where it stands in the event", null=True),
        ),
    ]
