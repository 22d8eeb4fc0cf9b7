"""Streams that are over, closed into a file: the file holds for ever, and so does the log without them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.core.management import call_command
from django.db import IntegrityError, connections, transaction

from machines.errors import InputError
from scheduling.log import models
from scheduling.log.events.server import StreamClosed
from scheduling.log.integrity import append_only, archive
from scheduling.log.integrity.archive import close_streams
from scheduling.log.integrity.signed_head import make_key
from scheduling.log.integrity.transfer import check_file, export_log, import_log
from scheduling.log.integrity.verify import BrokenLink, verify
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append, read, stream_version
from tests.scheduling.log.facts import NOW, a_run_on_a_machine, by, printed, run, say, segments, venue

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OLD = ("run/spring", "venue/lamp")


class ArchiveContract:
    using: str

    @pytest.fixture(autouse=True)
    def a_log(self) -> None:
        """Two streams that are over, the newest event among them, and others that go on."""
        a_run_on_a_machine(0, 1, using=self.using)
        say("run/summer", run(), using=self.using)
        say("machine/left", printed(1, 0, 10), printed(2, 10, 20, run="summer"), using=self.using)
        say("run/spring", segments(2), using=self.using)
        say("venue/lamp", venue(), venue(name="The Lamp Room"), using=self.using)

    def test_the_file_and_the_log_both_hold(self, tmp_path: Path) -> None:
        before = list(read(using=self.using))
        heads = verify(using=self.using)
        file = tmp_path / "old.jsonl"
        signed = close_streams(OLD, file, by(), key=KEY, using=self.using)
        assert signed.statement.heads == {stream: heads[stream] for stream in OLD}
        with file.open() as lines:
            assert check_file(lines, key=KEY.public_key()).statement.events == 5
        after = list(read(using=self.using))
        assert after[:-2] == [fact for fact in before if fact.stream not in OLD]
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
        assert [fact.event for fact in after[-2:]] == [
            StreamClosed(closed="run/spring", version=3, digest=heads["run/spring"].digest, file_digest=digest),
            StreamClosed(closed="venue/lamp", version=2, digest=heads["venue/lamp"].digest, file_digest=digest),
        ]
        assert after[-2].position == before[-1].position + 1
        remaining = verify(using=self.using)
        assert {stream: head for stream, head in remaining.items() if not stream.startswith("archive/")} == {
            stream: head for stream, head in heads.items() if stream not in OLD
        }

    def test_the_views_are_those_of_what_remains(self, tmp_path: Path) -> None:
        close_streams(OLD, tmp_path / "old.jsonl", by(), key=None, using=self.using)
        assert all(result.equal for result in rebuild(swap=False, using=self.using))
        assert not models.Run.objects.using(self.using).filter(id="spring").exists()
        assert not models.Segment.objects.using(self.using).filter(run_id="spring").exists()
        assert models.Run.objects.using(self.using).get(id="summer").first_column == 0
        # What the machine said of the run is a fact of the machine, and stays.
        assert models.PrintedStretch.objects.using(self.using).filter(run_id="spring").count() == 1
        assert set(models.ClosedStream.objects.using(self.using).values_list("stream", flat=True)) == set(OLD)

    def test_a_closed_stream_is_never_begun_again(self, tmp_path: Path) -> None:
        close_streams(OLD, tmp_path / "old.jsonl", by(), key=None, using=self.using)
        for expected in (None, 0, 3):
            with pytest.raises(InputError, match="run/spring was closed into an archive"):
                append([Append("run/spring", expected, [run()])], by(), using=self.using)
        assert stream_version("run/spring", using=self.using) == 0

    def test_it_is_sealed_again(self, tmp_path: Path) -> None:
        close_streams(OLD, tmp_path / "old.jsonl", by(), key=None, using=self.using)
        assert append_only.missing(connections[self.using]) == []
        with pytest.raises(IntegrityError), transaction.atomic(using=self.using):
            models.Event.objects.using(self.using).all().delete()

    def test_the_log_goes_on_and_can_be_closed_further_and_carried_elsewhere(self, tmp_path: Path) -> None:
        close_streams(OLD, tmp_path / "old.jsonl", by(), key=KEY, using=self.using)
        say("machine/left", printed(3, 20, 30, run="summer"), using=self.using)
        close_streams(["run/summer"], tmp_path / "older.jsonl", by(), key=KEY, using=self.using)
        say("venue/a", venue(), using=self.using)
        verify(using=self.using)
        out = StringIO()
        export_log(out, made_at=NOW, key=KEY, using=self.using)
        signed = check_file(out.getvalue().splitlines(), key=KEY.public_key())
        assert signed.statement.events == len(list(read(using=self.using)))

    def test_an_event_that_goes_missing_besides_is_missed(self, tmp_path: Path) -> None:
        close_streams(OLD, tmp_path / "old.jsonl", by(), key=None, using=self.using)
        append_only.lift(connections[self.using])
        models.Event.objects.using(self.using).filter(stream="profile/carriage").delete()
        with pytest.raises(BrokenLink, match="missing"):
            verify(using=self.using)

    def test_a_closing_that_is_forged_is_found(self, tmp_path: Path) -> None:
        """Somebody says that a stream was closed which is there."""
        closed = StreamClosed(closed="run/summer", version=1, digest="", file_digest="")
        say("archive/forged", closed, using=self.using)
        with pytest.raises(BrokenLink, match="0 events are missing, and 1 were closed"):
            verify(using=self.using)

    @pytest.mark.parametrize("streams", [["run/none"], ["run/spring", "run/none"], ["archive/empty"]])
    def test_what_cannot_be_closed_leaves_no_file(self, tmp_path: Path, streams: list[str]) -> None:
        say("archive/empty", StreamClosed(closed="run/x", version=0, digest="", file_digest=""), using=self.using)
        before = list(read(using=self.using))
        with pytest.raises(InputError):
            close_streams(streams, tmp_path / "old.jsonl", by(), key=None, using=self.using)
        assert not list(tmp_path.iterdir())
        assert list(read(using=self.using)) == before

    def test_a_failure_half_way_leaves_the_log_as_it_was(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        before = list(read(using=self.using))

        def fails(**_: object) -> None:
            raise ZeroDivisionError

        monkeypatch.setattr(archive, "rebuild", fails)
        with pytest.raises(ZeroDivisionError):
            close_streams(OLD, tmp_path / "old.jsonl", by(), key=None, using=self.using)
        assert list(read(using=self.using)) == before
        assert append_only.missing(connections[self.using]) == []
        assert models.Run.objects.using(self.using).filter(id="spring").exists()


@pytest.mark.django_db
class TestOnSQLite(ArchiveContract):
    using = "default"


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
class TestOnPostgreSQL(ArchiveContract):
    using = "postgres"

    def test_whether_it_may_be_is_asked_where_nobody_else_can_append(self, tmp_path: Path) -> None:
        """A run that was planned in between would hang on what is gone."""
        held: list[int] = []

        def require(streams: Sequence[str]) -> None:
            with connections[self.using].cursor() as cursor:
                cursor.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND pid = pg_backend_pid()")
                held.extend(cursor.fetchone())
            raise InputError("stream", f"{streams[0]} is still named", "leave it")

        with pytest.raises(InputError, match="run/spring is still named"):
            close_streams(OLD, tmp_path / "old.jsonl", by(), key=None, require=require, using=self.using)
        assert held == [1]
        assert not (tmp_path / "old.jsonl").exists()
        assert not models.ClosedStream.objects.using(self.using).exists()


@pytest.mark.django_db(transaction=True)
def test_an_archive_is_not_a_log_to_import(tmp_path: Path, settings: Any) -> None:
    settings.LOG_KEY = tmp_path / "keys" / "log-key.pem"
    make_key(settings.LOG_KEY)
    a_run_on_a_machine(0)
    file = tmp_path / "all.jsonl"
    streams = [*verify()]
    out = StringIO()
    call_command("log", "close", str(file), *streams, stdout=out)
    assert out.getvalue() == "7 events of 5 streams closed.\n"
    append_only.lift(connections["default"])
    models.Event.objects.all().delete()
    with file.open() as lines, pytest.raises(InputError, match="an archive of some streams only"):
        import_log(lines)


@pytest.mark.django_db
def test_an_archive_that_was_changed_does_not_fit_the_log(tmp_path: Path) -> None:
    a_run_on_a_machine(0)
    file = tmp_path / "old.jsonl"
    close_streams(["run/spring"], file, by(), key=None)
    file.write_text(file.read_text().replace('"nozzle_seed":7', '"nozzle_seed":8'))
    with file.open() as lines, pytest.raises(BrokenLink, match="changed after it was written"):
        check_file(lines, key=None)
    closing = models.ClosedStream.objects.get()
    assert hashlib.sha256(file.read_bytes()).hexdigest() != closing.file_digest
