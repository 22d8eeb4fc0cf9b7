import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    """What a person had a machine do by hand uses paper as well."""

    dependencies = [
        ('log', '0007_recovery'),
    ]

    operations = [
        migrations.CreateModel(
            name='HandUse',
            fields=[
                ('pk', models.CompositePrimaryKey('machine_id', 'version', blank=True, editable=False, primary_key=True, serialize=False)),
                ('version', models.IntegerField(help_text="of the event in the machine's stream")),
                ('action', models.TextField(help_text='feed, cut, test-pattern or place-set')),
                ('pattern', models.TextField(help_text='of a test pattern, which', null=True)),
                ('paper_position', models.BigIntegerField(help_text='place on the paper where it began, or was cut')),
                ('paper_columns', models.BigIntegerField(help_text='of paper that it took')),
                ('seen_done', models.BooleanField(help_text='False where it was not finished, as far as anybody saw')),
                ('at', models.DateTimeField()),
                ('machine', models.ForeignKey(db_constraint=False, db_index=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='log.machine')),
            ],
        ),
    ]
