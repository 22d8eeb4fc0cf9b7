from django.db import migrations, models


class Migration(migrations.Migration):
    """A notice of a run that is not known ends when that run is planned."""

    dependencies = [
        ('log', '0013_told_before'),
    ]

    operations = [
        migrations.AddField(
            model_name='notice',
            name='run',
            field=models.TextField(help_text='the run whose planning clears it; null for none', null=True),
        ),
    ]
