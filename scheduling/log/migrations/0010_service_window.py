import django.db.models.deletion
from django.db import migrations, models

import scheduling.log.fields


class Migration(migrations.Migration):
    """Somebody with hands is at a venue now and then, and parts are changed while they are."""

    dependencies = [
        ('log', '0009_event_times'),
    ]

    operations = [
        migrations.CreateModel(
            name='ServiceWindow',
            fields=[
                ('id', models.TextField(primary_key=True, serialize=False)),
                ('name', models.TextField()),
                ('comes', scheduling.log.fields.CanonicalJSON(help_text='a scheduling.planning.service_windows.Comes')),
                ('begins_at', models.DateTimeField(help_text='of one that comes once; null for a weekly one', null=True)),
                ('called_off_at', models.DateTimeField(null=True)),
                ('called_off_because', models.TextField(help_text="why, in the person's words", null=True)),
                ('venue', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='log.venue')),
            ],
        ),
    ]
