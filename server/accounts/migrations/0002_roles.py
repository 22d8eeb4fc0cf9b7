"""Keys and people have roles. What could change everything before, can still: every key and every account is the
studio's until somebody says otherwise."""

from __future__ import annotations

from typing import Any

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

ROLE = models.TextField(help_text="a server.accounts.principals.Role")
VENUES = models.JSONField(help_text="ids of the only venues that the role is for; null for every venue", null=True)


def leave_people_what_they_may(apps: Any, editor: Any) -> None:
    """Until now whoever could sign in could change everything; a superuser can without a row."""
    person_role = apps.get_model("accounts", "PersonRole").objects.using(editor.connection.alias)
    people = apps.get_model("auth", "User").objects.using(editor.connection.alias)
    for person in people.filter(is_superuser=False):
        person_role.create(person=person, role="studio", venues=None)


class Migration(migrations.Migration):
    dependencies = (
        ("accounts", "0001_initial"),
        ("auth", "0012_alter_user_first_name_max_length"),
    )

    operations = (
        migrations.RenameModel("StudioKey", "Key"),
        migrations.AddField(
            "key",
            "role",
            models.TextField(help_text="a server.accounts.principals.Role", default="studio"),
            preserve_default=False,
        ),
        migrations.AddField("key", "venues", VENUES),
        migrations.CreateModel(
            name="PersonRole",
            fields=[
                ("role", ROLE),
                ("venues", VENUES.clone()),
                (
                    "person",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="+",
                        serialize=False,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={"abstract": False},
        ),
        migrations.RunPython(leave_people_what_they_may, migrations.RunPython.noop),
    )
