"""What Django's checks (`dayroll check`, and each start) say of where the server stands."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Tags, Warning, register

from server.secret import OTHERS


@register(Tags.security)
def folder_is_ours(app_configs: Any, **options: Any) -> list[CheckMessage]:
    """Whether the server's folder is closed to the other users of the machine; somebody may have opened it for them."""
    if not settings.HOME.exists() or not settings.HOME.stat().st_mode & OTHERS:
        return []
    said = f"other users of this machine can look into {settings.HOME}, where keys and the database lie"
    return [Warning(said, hint=f"chmod 700 {settings.HOME}", id="dayroll.W001")]
