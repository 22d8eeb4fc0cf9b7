"""Keys have an end and a last use, codes can be cancelled, nodes revoked; and of keys and codes stands who made
them."""

from __future__ import annotations

from django.db import migrations, models

MADE_BY = models.TextField(help_text="who, as the log names them; null where nobody wrote it down", null=True)


class Migration(migrations.Migration):
    dependencies = (("accounts", "0002_roles"),)

    operations = (
        migrations.AddField("key", "made_by", MADE_BY),
        migrations.AddField(
            "key", "ends_at", models.DateTimeField(help_text="when it opens nothing any more; null for never", null=True)
        ),
        migrations.AddField("key", "last_used_at", models.DateTimeField(help_text="to within a minute", null=True)),
        migrations.AddField("enrolmentcode", "made_by", MADE_BY.clone()),
        migrations.AddField("enrolmentcode", "cancelled_at", models.DateTimeField(null=True)),
        migrations.AddField("nodecredential", "revoked_at", models.DateTimeField(null=True)),
    )
