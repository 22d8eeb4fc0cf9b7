from django.db import migrations, models


class Migration(migrations.Migration):
    """A view goes on without an entry that it cannot take, and a machine's reports may be refused."""

    dependencies = [
        ('log', '0011_service_dates_off'),
    ]

    operations = [
        migrations.CreateModel(
            name='PassedOver',
            fields=[
                ('pk', models.CompositePrimaryKey('view', 'position', blank=True, editable=False, primary_key=True, serialize=False)),
                ('view', models.TextField(help_text='a name in scheduling.log.projections.VIEWS')),
                ('position', models.BigIntegerField(help_text='of the event')),
                ('problem', models.TextField(help_text='in words')),
            ],
        ),
        migrations.AddField(
            model_name='machine',
            name='refused_since',
            field=models.DateTimeField(help_text='since when its reports are refused', null=True),
        ),
    ]
