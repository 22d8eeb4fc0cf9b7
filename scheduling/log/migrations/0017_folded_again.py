"""How often the rows of a view were put right."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("log", "0016_positions_in_line")]

    operations = [
        migrations.CreateModel(
            name="FoldedAgain",
            fields=[
                (
                    "view",
                    models.TextField(
                        help_text="a name in scheduling.log.projections.VIEWS", primary_key=True, serialize=False
                    ),
                ),
                ("times", models.BigIntegerField(default=0, help_text="how often")),
            ],
        ),
    ]
