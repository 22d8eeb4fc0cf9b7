"""Files in a store of objects on the network that speaks the protocol S3.

Each is put in one request, or in parts of which nothing shows before the last: so it is whole or not there, and what
comes and goes has a checksum, by which the library that speaks the protocol goes.

The store may be gone, or slow. Nobody waits for it longer than `CONNECT_S` and `READ_S`, twice; and where it did not
answer, it is asked again by one alone, `REST_S` later, while the others are told at once: a server has few threads,
and those who ask for work must not wait for plates.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from tempfile import SpooledTemporaryFile
from typing import Any

from boto3.exceptions import Boto3Error
from boto3.s3.transfer import TransferConfig
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError
from django.core.files.base import File
from storages.backends.s3 import S3Storage

from scheduling.rendering.kept_files import KeptFiles, StoreAway

CONNECT_S, READ_S, REST_S = 2.0, 5.0, 5.0
# Once more where a connection was closed that lay idle; who does the work tries again by itself.
TRIES = 2
# What is longer lies on the disk while it is read.
IN_MEMORY_BYTES = 1 << 22
PIECE_BYTES = 1 << 20
PAGE = 1000  # names in one answer, as many as a store gives
# Where an address says no region, one has to stand in what is signed all the same.
NO_REGION = "us-east-1"
REMEDY = "see that it runs, and that DAYROLL_STORE names it"
REFUSED = "see the bucket, the key and its rights, as DAYROLL_STORE names them"


class ObjectFiles(KeptFiles, S3Storage):
    """The objects of a bucket whose names begin with a location; the arguments are django-storages' own."""

    is_far = True

    def __init__(self, **options: Any) -> None:
        client = Config(
            connect_timeout=CONNECT_S,
            read_timeout=READ_S,
            retries={"mode": "standard", "total_max_attempts": TRIES},
            signature_version="s3v4",
            s3={"addressing_style": "path" if options.get("endpoint_url") else "auto"},
        )
        options = {"file_overwrite": True, "client_config": client, **options}
        options["region_name"] = options.get("region_name") or (NO_REGION if options.get("endpoint_url") else None)
        # In the thread that asks, so that nothing of it goes on when that is over.
        super().__init__(transfer_config=TransferConfig(use_threads=False), **options)
        self._patience = _Patience()

    def exists(self, name: str) -> bool:
        """Whether a file is there."""
        try:
            self.tail(name, 1)
        except FileNotFoundError:
            return False
        return True

    def delete(self, name: str) -> None:
        """Remove a file, if it is there."""
        with self._asking(name):
            super().delete(name)

    def tail(self, name: str, octets: int) -> bytes:
        """See `KeptFiles.tail`."""
        with self._asking(name):
            try:
                found = self._get(name, Range=f"bytes=-{octets}")["Body"].read()
            except ClientError as error:
                if _status(error) != 416:  # of an empty file there is no such range (RFC 9110 section 15.5.17)
                    raise
                return b""
        return bytes(found)[-octets:]

    def sizes(self, start: str) -> Iterator[tuple[str, int]]:
        """See `KeptFiles.sizes`."""
        beginning = self._key("")
        asked: dict[str, Any] = {"Bucket": self.bucket_name, "Prefix": beginning + start, "MaxKeys": PAGE}
        while True:
            with self._asking(start):
                page = self._client.list_objects_v2(**asked)
            for one in page.get("Contents", ()):
                yield one["Key"].removeprefix(beginning), one["Size"]
            if not page["IsTruncated"]:
                return
            asked["ContinuationToken"] = page["NextContinuationToken"]

    def _open(self, name: str, mode: str = "rb") -> File[Any]:
        """All of it is fetched before anything is read: what is cut short is noticed here."""
        file = SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115 - closed by whoever reads it
        try:
            with self._asking(name):
                for piece in self._get(name)["Body"].iter_chunks(PIECE_BYTES):
                    file.write(piece)
        except BaseException:
            file.close()
            raise
        file.seek(0)
        return File(file, name)

    def _save(self, name: str, content: File[Any]) -> str:
        with self._asking(name):
            return str(super()._save(name, content))

    @property
    def _client(self) -> Any:
        """One for each thread, as django-storages keeps them."""
        return self.connection.meta.client

    def _get(self, name: str, **more: str) -> Any:
        return self._client.get_object(Bucket=self.bucket_name, Key=self._key(name), **more)

    def _key(self, name: str) -> str:
        return f"{self.location}/{name}" if self.location else name

    @contextmanager
    def _asking(self, name: str) -> Iterator[None]:
        """Ask the store, unless it did not answer just now.

        Raises:
            FileNotFoundError: there is no such file.
            StoreAway: it does not answer, or refuses.
        """
        with self._patience.asking():
            try:
                yield
            except ClientError as error:
                if _code(error) in ("NoSuchKey", "404"):
                    raise FileNotFoundError(name) from None
                raise
            except (BotoCoreError, Boto3Error) as error:
                raise _Unanswered(f"the store does not answer ({type(error).__name__})", REMEDY) from error


class _Unanswered(StoreAway):
    """It did not answer; to ask again at once is in vain."""


class _Patience:
    """Whether the store may be asked: of one that did not answer, one alone asks, and not at once."""

    def __init__(self) -> None:
        self._changing = threading.Lock()
        self._away = ""
        self._again_at = 0.0

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Ask, or raise `StoreAway` at once."""
        self._take()
        try:
            yield
        except _Unanswered as error:
            self._rest(error.problem)
            raise
        except ClientError as error:
            if _status(error) < 500 and _status(error) != 429:
                self._rest("")
                raise StoreAway(f"the store refuses ({_code(error)})", REFUSED) from error
            self._rest(f"the store does not answer ({_code(error)})")
            raise StoreAway(self._away, REMEDY) from error
        except BaseException:
            self._rest("")  # it answered, whatever became of that
            raise
        self._rest("")

    def _take(self) -> None:
        with self._changing:
            if not self._away:
                return
            if time.monotonic() < self._again_at:
                raise StoreAway(self._away, REMEDY)
            # Until the one who asks now knows more; should that one end without a word, the next does.
            self._again_at = time.monotonic() + REST_S + TRIES * (CONNECT_S + READ_S)

    def _rest(self, away: str) -> None:
        with self._changing:
            self._away = away
            self._again_at = time.monotonic() + REST_S


def _code(error: ClientError) -> str:
    return str(error.response.get("Error", {}).get("Code", ""))


def _status(error: ClientError) -> int:
    return int(error.response.get("ResponseMetadata", {}).get("HTTPStatusCode", 0))
