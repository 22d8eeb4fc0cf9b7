"""When an agent ended in order, and when a person's word was passed over."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("log", "0014_notice_run")]

    operations = [
        migrations.AddField(
            model_name="machine",
            name="stopped_at",
            field=models.DateTimeField(
                help_text="when its agent ended in order; null while one runs, as far as is known", null=True
            ),
        ),
        migrations.AddField(
            model_name="override",
            name="passed_over_at",
            field=models.DateTimeField(
                help_text="when what it was about was over, and it was not followed; null if it was not", null=True
            ),
        ),
    ]
