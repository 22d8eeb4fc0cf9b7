from django.db import migrations, models


class Migration(migrations.Migration):
    """What happened, or was said, between two instants is found without reading the whole log."""

    dependencies = [("log", "0008_hand_use")]

    operations = [
        migrations.AddIndex("event", models.Index(fields=["happened_at"], name="log_event_happened")),
        migrations.AddIndex("event", models.Index(fields=["said_at"], name="log_event_said")),
    ]
