import django.db.models.deletion
from django.db import migrations, models

import scheduling.log.fields


class Migration(migrations.Migration):
    """What a machine told of a run that is not planned here waits until it is."""

    dependencies = [
        ('log', '0012_passed_over'),
    ]

    operations = [
        migrations.CreateModel(
            name='ToldBefore',
            fields=[
                ('pk', models.CompositePrimaryKey('machine_id', 'version', blank=True, editable=False, primary_key=True, serialize=False)),
                ('version', models.IntegerField(help_text="of the event in the machine's stream")),
                ('kind', models.TextField(help_text='of event')),
                ('schema', models.SmallIntegerField(help_text='version of the form of data')),
                ('data', scheduling.log.fields.CanonicalJSON(help_text='the event')),
                ('machine', models.ForeignKey(db_constraint=False, db_index=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='log.machine')),
                ('run', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='log.run')),
            ],
        ),
    ]
