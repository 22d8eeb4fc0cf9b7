import django.db.models.deletion
import scheduling.log.fields
from django.db import migrations, models

class Migration(migrations.Migration):

    dependencies = [
        ('log', '0002_seal'),
    ]

    operations = [
        migrations.CreateModel(
            name='Contacts',
            fields=[
                ('venue', models.TextField(help_text='id of the venue', primary_key=True, serialize=False)),
                ('said', scheduling.log.fields.CanonicalJSON(help_text='a scheduling.venues.contacts.VenueContacts')),
            ],
        ),
        migrations.AddField(
            model_name='venue',
            name='contacts_set_at',
            field=models.DateTimeField(help_text='when it was last said whom to ring; null for never', null=True),
        ),
        migrations.CreateModel(
            name='ClockSample',
            fields=[
                ('pk', models.CompositePrimaryKey('machine_id', 'at', blank=True, editable=False, primary_key=True, serialize=False)),
                ('at', models.DateTimeField(db_index=True, help_text='when the board was heard')),
                ('error_s', models.FloatField(help_text='bound on the error of its estimate of server time')),
                ('machine', models.ForeignKey(db_constraint=False, db_index=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='log.machine')),
            ],
        ),
    ]
