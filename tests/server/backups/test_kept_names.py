"""What of a store's is backed up: what it was given, and nothing that it keeps for itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from machines.imaging.plate import Plate
from scheduling.rendering.folder_files import FolderFiles
from scheduling.rendering.kept_files import PROBE, KeptFiles
from scheduling.rendering.object_files import ObjectFiles
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.upload_store import UploadStore
from server.backups.files import copy_kept, kept_names
from tests.services import BUCKET, KEY, SECRET, Objects


def require_only_what_was_given(uploads: KeptFiles, plates: KeptFiles, folder: Path) -> None:
    digest = UploadStore(uploads).put([b"a picture"]).digest
    plate = PlateStore(plates).put(Plate(np.eye(8, dtype=np.bool_)), "ab" * 32)
    for files in (uploads, plates):
        files.require_answers()  # as whoever watches has it written and read again and again
    assert uploads.read(PROBE)
    assert kept_names(uploads) == [f"{digest[:2]}/{digest}"]
    assert kept_names(plates, ".png") == [f"{plate[:2]}/{plate}.png"]
    copied = copy_kept(uploads, f"{digest[:2]}/{digest}", folder, f"uploads/{digest}")
    assert (copied.sha256, copied.octets) == (digest, 9)
    assert (folder / copied.name).read_bytes() == b"a picture"


def test_of_a_folder(tmp_path: Path) -> None:
    require_only_what_was_given(FolderFiles(tmp_path / "uploads"), FolderFiles(tmp_path / "plates"), tmp_path)


def test_of_a_store_of_objects(objects: Objects, tmp_path: Path) -> None:
    of_store = {"access_key": KEY, "secret_key": SECRET, "endpoint_url": objects.endpoint, "bucket_name": BUCKET}
    uploads, plates = (ObjectFiles(location=one, **of_store) for one in ("uploads", "plates"))
    require_only_what_was_given(uploads, plates, tmp_path)
