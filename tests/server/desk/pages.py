"""What the tests of the studio's pages share: somebody who looks at them, and how an order is looked at and kept."""

from __future__ import annotations

import re
from typing import Any

from django.contrib.auth.models import User
from django.test import Client

from server.accounts.models import PersonRole
from server.console.formatting import NO_BREAK


def signed_in(role: str = "") -> Client:
    """Somebody of a role; the studio's where none is said."""
    person = User.objects.create_user(role) if role else User.objects.create_superuser("robin")
    if role:
        PersonRole.objects.create(person=person, role=role, venues=None)
    client = Client()
    client.force_login(person)
    return client


def shown(client: Client, path: str, body: dict[str, Any] | None = None) -> str:
    answer = client.get(path) if body is None else client.post(path, body, follow=True)
    assert answer.status_code == 200, answer.content
    return answer.content.decode().replace(NO_BREAK, " ")


def hidden(page: str, name: str) -> str:
    """What a hidden field or the button that keeps it says."""
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found is not None, page
    return found[1].replace("&quot;", '"')


def looked(client: Client, path: str, body: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """What an order means, and the body that keeps it."""
    tag = re.search(r'name="tag" value="([^"]*)"', shown(client, path))
    body = body | ({"tag": tag[1].replace("&quot;", '"')} if tag else {})
    page = shown(client, path, body)
    return page, body | {"keep": hidden(page, "keep")}


def kept(client: Client, path: str, body: dict[str, Any]) -> str:
    return shown(client, path, looked(client, path, body)[1])
