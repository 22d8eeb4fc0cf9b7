"""Where plates and uploads are kept, as Django's settings say it: in folders of the server, or in a bucket of a store
of objects, whose address stands in a variable."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any
from urllib.parse import SplitResult, parse_qsl, unquote, urlsplit

from django.core.exceptions import ImproperlyConfigured

from server.environment import password_of

KEPT = ("plates", "uploads")
REMEDY = (
    "give s3://key@bucket/folder?endpoint=https://store.example.org&region=name, the secret in a file; folder, "
    "endpoint and region may be left out"
)
# As all stores of this kind take them (lower case, 3 to 63 octets, which are a part of a host's name as well).
_BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")
_FOLDER = re.compile(r"[A-Za-z0-9._-]+(/[A-Za-z0-9._-]+)*")
_ASKED = {"endpoint", "region"}


def storages(name: str, home: Path) -> dict[str, dict[str, Any]]:
    """Django's ``STORAGES``.

    Args:
        name: of the variable with the address.
        home: the server's folder, in which both lie where no address is given.

    Raises:
        ImproperlyConfigured: not an address of a bucket. It is not repeated: it may hold a secret.
    """
    address = os.environ.get(name, "")
    kept = _objects(name, address) if address else {one: _folder(home / one) for one in KEPT}
    return {
        # Nothing of ours is kept there; Django wants both named.
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    } | kept


def _folder(folder: Path) -> dict[str, Any]:
    return {"BACKEND": "scheduling.rendering.folder_files.FolderFiles", "OPTIONS": {"location": folder}}


def _objects(name: str, address: str) -> dict[str, dict[str, Any]]:
    parts, asked = _read(name, address)
    secret = password_of(name, stands_already=parts.password is not None) or unquote(parts.password or "")
    if bool(parts.username) != bool(secret):
        raise ImproperlyConfigured(f"{name}: a key and its secret go together: {REMEDY}")
    folder = parts.path.strip("/")
    common = {
        "bucket_name": parts.hostname,
        "access_key": unquote(parts.username or "") or None,
        "secret_key": secret or None,
        "endpoint_url": asked.get("endpoint"),
        "region_name": asked.get("region"),
    }
    backend = "scheduling.rendering.object_files.ObjectFiles"
    where = {one: f"{folder}/{one}" if folder else one for one in KEPT}
    return {one: {"BACKEND": backend, "OPTIONS": common | {"location": where[one]}} for one in KEPT}


def _read(name: str, address: str) -> tuple[SplitResult, dict[str, str]]:
    """The parts of the address, and what is asked in it."""
    try:
        parts = urlsplit(address)
        asked = dict(parse_qsl(parts.query, keep_blank_values=True, strict_parsing=bool(parts.query)))
        endpoint = urlsplit(asked.get("endpoint", "https://a"))
        port, its_port = parts.port, endpoint.port
    except ValueError:
        raise ImproperlyConfigured(f"{name} cannot be read: {REMEDY}") from None
    if parts.scheme != "s3" or not _BUCKET.fullmatch(parts.hostname or "") or port is not None or parts.fragment:
        raise ImproperlyConfigured(f"{name} names no bucket: {REMEDY}")
    if parts.path.strip("/") and not _FOLDER.fullmatch(parts.path.strip("/")):
        raise ImproperlyConfigured(f"{name}: the folder is to be of letters, digits, dots, dashes, slashes: {REMEDY}")
    if not asked.keys() <= _ASKED or not all(asked.values()):
        raise ImproperlyConfigured(f"{name} says something else than endpoint and region: {REMEDY}")
    if endpoint.scheme not in ("http", "https") or not endpoint.hostname or endpoint.username or its_port == 0:
        raise ImproperlyConfigured(f"{name}: the endpoint is no address of a store: {REMEDY}")
    return parts, asked
