from django.db import migrations

import scheduling.log.fields


class Migration(migrations.Migration):
    """A weekly service window stands, but not on every date."""

    dependencies = [
        ('log', '0010_service_window'),
    ]

    operations = [
        migrations.AddField(
            model_name='servicewindow',
            name='dates_off',
            field=scheduling.log.fields.CanonicalJSON(default=list, help_text='local dates on which a weekly one does not begin, in order'),
        ),
    ]
