"""Plates and uploads in a store of objects: a real server of the protocol S3, which is ended, held up and emptied."""

from __future__ import annotations

import io
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.imaging.plate import Plate
from scheduling.rendering import object_files, plate_store
from scheduling.rendering.kept_files import StoreAway
from scheduling.rendering.object_files import ObjectFiles
from scheduling.rendering.plate_store import PlateGone, PlateOutOfReach, PlateStore
from scheduling.rendering.upload_store import UploadStore, UploadTooLarge
from tests.services import BUCKET, KEY, SECRET, Objects


def plate(seed: int) -> Plate:
    return Plate(np.random.default_rng(seed).random((16, 30)) < 0.4)


def files(objects: Objects, location: str = "plates", bucket: str = BUCKET) -> ObjectFiles:
    return ObjectFiles(
        bucket_name=bucket, location=location, access_key=KEY, secret_key=SECRET, endpoint_url=objects.endpoint
    )


@pytest.fixture
def plates(objects: Objects) -> PlateStore:
    return PlateStore(files(objects))


@pytest.fixture
def uploads(objects: Objects) -> UploadStore:
    return UploadStore(files(objects, "uploads"), limit=20_000_000)


def keys(objects: Objects) -> list[str]:
    return [one["Key"] for one in objects.client.list_objects_v2(Bucket=BUCKET).get("Contents", ())]


def test_a_plate_comes_back_under_its_digest_and_its_recipe(objects: Objects, plates: PlateStore) -> None:
    digest = plates.put(plate(1), "ab" * 32)
    assert digest == plate(1).digest
    assert plates.has(digest) and np.array_equal(plates.get(digest).dots, plate(1).dots)
    assert plates.drawn("ab" * 32) == digest and plates.drawn("cd" * 32) is None
    assert keys(objects) == [f"plates/{digest[:2]}/{digest}.png", f"plates/recipes/ab/{'ab' * 32}"]


def test_keeping_a_plate_again_sends_nothing(objects: Objects, plates: PlateStore) -> None:
    digest = plates.put(plate(1))
    name = f"plates/{digest[:2]}/{digest}.png"
    marked = objects.client.get_object(Bucket=BUCKET, Key=name)["Body"].read()
    objects.client.put_object(Bucket=BUCKET, Key=name, Body=marked, Metadata={"touched": "by nobody"})
    assert plates.put(plate(1)) == digest
    assert objects.client.head_object(Bucket=BUCKET, Key=name)["Metadata"] == {"touched": "by nobody"}


@pytest.mark.parametrize("octets", [0, 11, 12, 50, -1])
def test_a_plate_that_is_cut_short_is_as_good_as_none_until_it_is_kept_again(
    objects: Objects, plates: PlateStore, octets: int
) -> None:
    digest = plates.put(plate(1))
    name, whole = f"plates/{digest[:2]}/{digest}.png", plates.png(digest)
    objects.client.put_object(Bucket=BUCKET, Key=name, Body=whole[:octets])
    assert not plates.has(digest)
    with pytest.raises(PlateGone, match="is not in the server's store"):
        plates.png(digest)
    assert plates.png(plates.put(plate(1))) == whole


def test_all_are_listed_page_by_page_and_those_that_are_missing_are_named(
    plates: PlateStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_files, "PAGE", 2)
    kept = [plates.put(plate(seed), plate(seed).digest) for seed in range(40)]
    assert plates.sizes() == {digest: len(plates.png(digest)) for digest in kept}
    plates.remove(kept[3])
    plates.remove(kept[3])
    for one_by_one in (0, 100):
        monkeypatch.setattr(plate_store, "ASKED_ONE_BY_ONE", one_by_one)
        assert list(plates.missing([*kept, "0" * 64])) == [kept[3], "0" * 64]


def pieces(octets: int) -> Iterator[bytes]:
    dice = np.random.default_rng(octets)
    while octets > 0:
        yield dice.bytes(min(octets, 1 << 20))
        octets -= 1 << 20


@pytest.mark.parametrize("octets", [0, 1, 17_000_001])
def test_an_upload_comes_back_also_one_that_is_sent_in_parts(uploads: UploadStore, octets: int) -> None:
    kept = uploads.put(pieces(octets))
    assert uploads.get(kept.digest) == b"".join(pieces(octets))
    assert uploads.put(pieces(octets)) == kept


def test_of_an_upload_that_is_too_long_or_breaks_off_nothing_is_kept(
    objects: Objects, uploads: UploadStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def broken() -> Iterator[bytes]:
        yield b"one"
        raise ConnectionResetError

    with pytest.raises(UploadTooLarge):
        uploads.put(pieces(20_000_001))
    with pytest.raises(ConnectionResetError):
        uploads.put(broken())
    assert keys(objects) == [] and list(tmp_path.iterdir()) == []


def test_an_upload_that_no_longer_holds_what_it_did_is_none(objects: Objects, uploads: UploadStore) -> None:
    kept = uploads.put([b"a picture"])
    objects.client.put_object(Bucket=BUCKET, Key=f"uploads/{kept.digest[:2]}/{kept.digest}", Body=b"another")
    with pytest.raises(KeyError):
        uploads.get(kept.digest)
    assert uploads.put([b"a picture"]) == kept
    assert uploads.get(kept.digest) == b"a picture"


EVERYTHING: list[Callable[[PlateStore], Any]] = [
    lambda plates: plates.put(plate(2)),
    lambda plates: plates.drawn("ab" * 32),
    lambda plates: plates.has(plate(1).digest),
    lambda plates: list(plates.missing([plate(1).digest])),
    lambda plates: plates.sizes(),
    lambda plates: plates.remove(plate(1).digest),
    lambda plates: plates.files.require_answers(),
    lambda plates: UploadStore(plates.files).put([b"a picture"]),
    lambda plates: UploadStore(plates.files).get("0" * 64),
]


def test_of_a_store_that_is_gone_nothing_is_taken_for_gone(
    objects: Objects, plates: PlateStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_files, "REST_S", 0.0)
    digest = plates.put(plate(1))
    objects.end()
    for ask in EVERYTHING:
        with pytest.raises(StoreAway, match="the store does not answer"):
            ask(plates)
    for read in (plates.png, plates.get):
        with pytest.raises(PlateOutOfReach, match=r"is out of reach, as the store does not answer"):
            read(digest)
    objects.begin()
    assert not plates.has(digest)
    assert plates.has(plates.put(plate(1)))


def test_one_that_hangs_holds_up_one_who_asks_and_the_others_are_told_at_once(
    objects: Objects, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_files, "READ_S", 0.3)
    monkeypatch.setattr(object_files, "REST_S", 3600.0)
    plates = PlateStore(files(objects))
    digest = plates.put(plate(1))
    assert objects.process is not None
    objects.process.send_signal(signal.SIGSTOP)
    with pytest.raises(PlateOutOfReach, match="ReadTimeoutError"):
        plates.png(digest)
    objects.process.send_signal(signal.SIGCONT)
    with pytest.raises(PlateOutOfReach, match="ReadTimeoutError"):  # it is not asked: it would answer now
        plates.png(digest)


def test_while_one_sees_whether_it_answers_again_the_others_do_not_wait(
    objects: Objects, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_files, "REST_S", 0.0)
    monkeypatch.setattr(object_files, "READ_S", 60.0)
    plates = PlateStore(files(objects))
    digest = plates.put(plate(1))
    objects.end()
    with pytest.raises(PlateOutOfReach):
        plates.png(digest)
    objects.begin()
    plates.files._patience._take()  # type: ignore[attr-defined]  # as who asks now and has no answer yet
    with pytest.raises(PlateOutOfReach):
        plates.png(digest)
    plates.files._patience._rest("")  # type: ignore[attr-defined]  # it has one
    with pytest.raises(PlateGone, match="is not in the server's store"):
        plates.png(digest)


def test_many_threads_ask_at_once(plates: PlateStore) -> None:
    digests = [plates.put(plate(seed)) for seed in range(4)]
    found: list[str] = []

    def read(digest: str) -> None:
        found.extend(plates.get(digest).digest for _ in range(5))

    threads = [threading.Thread(target=read, args=(digest,)) for digest in digests]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(found) == sorted(digests * 5)


def test_one_that_refuses_is_asked_again_at_once_and_says_what_to_look_at(objects: Objects) -> None:
    elsewhere = files(objects, bucket="another")
    with pytest.raises(StoreAway, match=r"the store refuses \(NoSuchBucket\); see the bucket, the key and its rights"):
        elsewhere.require_answers()
    objects.client.create_bucket(Bucket="another")
    elsewhere.require_answers()


def test_one_that_does_not_give_back_what_it_took_is_told(
    objects: Objects, plates: PlateStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    plates.files.require_answers()
    monkeypatch.setattr(ObjectFiles, "_open", lambda *_: io.BytesIO(b"something else"))
    with pytest.raises(StoreAway, match="does not give back what it took"):
        plates.files.require_answers()
