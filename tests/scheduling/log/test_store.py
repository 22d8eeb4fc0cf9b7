"""What every database must do for the log: one set of tests, run on SQLite and on PostgreSQL."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import Any

import pytest
from django.db import connections, transaction

from machines.errors import InputError
from scheduling.log import event_records, models
from scheduling.log.event_records import insert, scan
from scheduling.log.events import EVENT_CLASSES
from scheduling.log.events.server import NodeEnrolled
from scheduling.log.integrity.verify import verify
from scheduling.log.store import Append, VersionConflict, append, last_position, read, stream_end, stream_version
from tests.scheduling.log.facts import (
    ONE_OF_EACH,
    a_run_on_a_machine,
    at,
    by,
    gap_settled,
    machine,
    printed,
    say,
    venue,
)


class StoreContract:
    using: str

    def test_events_come_back_as_they_were_said(self) -> None:
        said = [say(stream, event, using=self.using)[0] for stream, event in ONE_OF_EACH]
        assert list(read(using=self.using)) == said
        assert [(fact.stream, fact.event) for fact in said] == list(ONE_OF_EACH)
        assert {fact.kind for fact in said} == set(EVENT_CLASSES)

    def test_digests_that_were_made_ready_hold_wherever_the_stream_ends(self) -> None:
        """Made ready upon another end they would be of another past: then they are made anew."""
        append([Append("machine/left", 0, [NodeEnrolled(epoch=1)])], by(), using=self.using)
        end = stream_end("machine/left", using=self.using)
        ahead = Append("machine/left", end.version, [NodeEnrolled(epoch=2), NodeEnrolled(epoch=3)], digest=end.digest)
        stale = Append("machine/right", 0, [NodeEnrolled(epoch=1)], digest="of another past")
        append([ahead, stale], by(), using=self.using)
        lines = list(scan(using=self.using))
        assert [line.position for line in lines] == [1, 2, 3, 4]
        assert all(line.digest == line.computed_digest() for line in lines)
        assert [line.previous_digest for line in lines] == ["", lines[0].digest, lines[1].digest, ""]
        with pytest.raises(VersionConflict, match="version 3, not 1"):
            append([ahead], by(), using=self.using)

    def test_who_when_and_in_which_request(self) -> None:
        (fact,) = append([Append("venue/a", None, [venue()])], by(5, "account-9", None), using=self.using)
        (again,) = read(using=self.using)
        assert (again.actor, again.request, again.said_at) == ("account-9", None, by(5).said_at)
        assert again == fact

    def test_a_node_tells_itself_when_it_happened(self) -> None:
        entry = printed(1, 0, 10)
        (fact,) = say("machine/left", entry, using=self.using, minutes=600)
        assert (fact.happened_at, fact.said_at) == (entry.at, by(600).said_at)

    def test_others_happened_when_they_were_said_or_when_the_writer_says(self) -> None:
        earlier = by().said_at - timedelta(days=1)
        appends = [Append("venue/a", None, [venue()]), Append("venue/b", None, [venue()], earlier)]
        now, before = append(appends, by(), using=self.using)
        assert (now.happened_at, before.happened_at) == (by().said_at, earlier)

    def test_nothing_to_say(self) -> None:
        assert append([], by(), using=self.using) == ()
        assert append([Append("venue/a", 0, [])], by(), using=self.using) == ()
        assert last_position(using=self.using) == 0

    def test_more_streams_than_one_question_can_name(self) -> None:
        appends = [Append(f"venue/v-{index}", 0, [venue()]) for index in range(450)]
        append([*appends, *(Append(one.stream, 1, [venue()]) for one in appends)], by(), using=self.using)
        assert last_position(using=self.using) == 900
        assert stream_version("venue/v-449", using=self.using) == 2

    def test_positions_and_versions_have_no_holes(self) -> None:
        say("venue/a", venue(), using=self.using)
        append(
            [
                Append("venue/b", 0, [venue(), venue()]),
                Append("venue/a", 1, [venue()]),
                Append("venue/b", 2, [venue()]),
            ],
            by(),
            using=self.using,
        )
        facts = list(read(using=self.using))
        assert [fact.position for fact in facts] == [1, 2, 3, 4, 5]
        assert [(fact.stream, fact.version) for fact in facts] == [
            ("venue/a", 1),
            ("venue/b", 1),
            ("venue/b", 2),
            ("venue/a", 2),
            ("venue/b", 3),
        ]
        assert stream_version("venue/b", using=self.using) == 3
        assert stream_version("venue/none", using=self.using) == 0
        assert last_position(using=self.using) == 5

    def test_what_was_rolled_back_leaves_no_hole(self) -> None:
        say("venue/a", venue(), using=self.using)
        with transaction.atomic(using=self.using):
            say("venue/b", venue(), using=self.using)
            transaction.set_rollback(True, using=self.using)
        say("venue/c", venue(), using=self.using)
        assert [(fact.position, fact.stream) for fact in read(using=self.using)] == [(1, "venue/a"), (2, "venue/c")]
        assert not models.Venue.objects.using(self.using).filter(id="b").exists()

    def test_a_lost_race_says_what_changed_and_writes_nothing(self) -> None:
        say("machine/left", machine(), using=self.using)
        changes = say("machine/left", NodeEnrolled(epoch=1), NodeEnrolled(epoch=2), using=self.using)
        late = [Append("venue/a", None, [venue()]), Append("machine/left", 1, [NodeEnrolled(epoch=3)])]
        with pytest.raises(VersionConflict, match="version 3, not 1; since then: node-enrolled, node-enrolled") as lost:
            append(late, by(), using=self.using)
        assert (lost.value.stream, lost.value.expected, lost.value.actual) == ("machine/left", 1, 3)
        assert lost.value.changes == changes
        assert last_position(using=self.using) == 3
        assert not models.Venue.objects.using(self.using).exists()

    def test_a_version_that_is_not_reached_yet_is_a_lost_race_too(self) -> None:
        with pytest.raises(VersionConflict, match="version 0, not 4; since then: nothing"):
            append([Append("venue/a", 4, [venue()])], by(), using=self.using)

    def test_reading_by_stream_kind_run_and_position(self) -> None:
        a_run_on_a_machine(0, 1, using=self.using)
        say("machine/left", printed(1, 0, 10), gap_settled(2, 10, 12, 50), using=self.using)

        def kinds(**wanted: Any) -> list[str]:
            return [fact.kind for fact in read(using=self.using, **wanted)]

        assert kinds(streams=["machine/left"]) == ["machine-added", "node-enrolled", "columns-printed", "gap-settled"]
        assert kinds(kinds=["gap-settled", "run-planned"]) == ["run-planned", "gap-settled"]
        assert kinds(run="spring") == ["run-planned", "segments-planned", "columns-printed", "gap-settled"]
        assert kinds(after=7, limit=1) == ["columns-printed"]
        assert kinds(after=5, through=7) == ["run-planned", "segments-planned"]
        assert kinds(streams=["venue/none"]) == []

    @pytest.mark.parametrize("limit", [0, 1, 3, 4, 6, 7, 8, None])
    def test_reading_in_chunks(self, monkeypatch: pytest.MonkeyPatch, limit: int | None) -> None:
        monkeypatch.setattr(event_records, "CHUNK", 3)
        say("venue/a", *[venue()] * 7, using=self.using)
        positions = [fact.position for fact in read(limit=limit, using=self.using)]
        assert positions == list(range(1, 8))[:limit]

    def test_an_event_in_a_stream_of_another_kind_is_refused(self) -> None:
        for stream in ("run/left", "machine", "machine/", "machine/A", "machine/a/b"):
            with pytest.raises(InputError, match="machine/<id>"):
                append([Append(stream, None, [machine()])], by(), using=self.using)

    @pytest.mark.parametrize("name", ["a\0b", "\ud800", 5, None])
    def test_an_event_that_does_not_fit_is_refused_whole(self, name: Any) -> None:
        with pytest.raises(InputError):
            append([Append("venue/a", None, [venue(), venue(name=name)])], by(), using=self.using)
        assert last_position(using=self.using) == 0
        assert not models.Venue.objects.using(self.using).exists()

    @pytest.mark.parametrize(
        "name", ["Ébauche", "日本", "😀", '"', "\\", "\n\t\x1f", "{}", "%s", "'; DROP TABLE x; --"]
    )
    def test_any_text_comes_back(self, name: str) -> None:
        say("venue/a", venue(name=name), using=self.using)
        (fact,) = read(using=self.using)
        assert fact.event == venue(name=name)
        assert models.Venue.objects.using(self.using).get(id="a").name == name

    @pytest.mark.parametrize("number", [0.1, 1e-7, 1e-320, 123456789.123456789, 5e22 / 3, 2.0**53 - 1])
    def test_any_number_comes_back_to_the_last_bit(self, number: float) -> None:
        say("venue/a", venue(elevation_m=number), using=self.using)
        (fact,) = read(using=self.using)
        assert fact.event == venue(elevation_m=number)
        assert models.Venue.objects.using(self.using).get(id="a").elevation_m == number

    def test_instants_keep_their_microseconds(self) -> None:
        entry = printed(1, 0, 10, at=by().said_at + timedelta(microseconds=1))
        say("machine/left", entry, using=self.using)
        (fact,) = read(using=self.using)
        assert fact.event == entry
        assert fact.happened_at == entry.at

    def test_the_chains_hold(self) -> None:
        for stream, event in ONE_OF_EACH:
            say(stream, event, using=self.using)
        heads = verify(using=self.using)
        assert sum(head.version for head in heads.values()) == len(ONE_OF_EACH)
        assert heads["venue/boathouse"].version == sum(stream == "venue/boathouse" for stream, _ in ONE_OF_EACH)

    @pytest.mark.parametrize("field", ["happened_at", "said_at"])
    def test_a_span_of_time_is_found_without_reading_all(self, field: str) -> None:
        say("venue/a", *[venue()] * 5, using=self.using)
        (line,) = [one for one in scan(using=self.using) if one.version == 5]
        later = (
            line._replace(position=5 + n, version=5 + n, said_at=at(n), happened_at=at(n), digest=str(n))
            for n in range(1, 3000)
        )
        insert(later, using=self.using)
        if connections[self.using].vendor == "postgresql":
            with connections[self.using].cursor() as cursor:
                cursor.execute("ANALYZE log_event")
        wanted = models.Event.objects.using(self.using).filter(**{f"{field}__gte": at(2000), f"{field}__lt": at(2005)})
        assert [one.position for one in wanted.order_by("position")] == list(range(2005, 2010))
        assert f"log_event_{field.partition('_')[0]}" in wanted.order_by("position")[:101].explain()


class ConcurrencyContract:
    using: str

    def test_writers_at_once_lose_nothing_and_readers_never_see_a_later_event_first(self) -> None:
        """Four writers, each its own stream and one in common; a reader follows by position all the while."""
        done = threading.Event()
        seen: list[int] = []
        failures: list[BaseException] = []

        def write(name: int) -> None:
            for _ in range(10):
                append(
                    [Append(f"venue/own-{name}", None, [venue()]), Append("venue/common", None, [venue()])],
                    by(),
                    using=self.using,
                )

        def follow() -> None:
            while True:
                ending = done.is_set()
                seen.extend(fact.position for fact in read(after=seen[-1] if seen else 0, using=self.using))
                if ending:
                    return

        def guarded(work: Any, *arguments: Any) -> None:
            try:
                work(*arguments)
            except BaseException as error:  # noqa: BLE001 (a thread's failure must fail the test)
                failures.append(error)
            finally:
                connections.close_all()

        reader = threading.Thread(target=guarded, args=(follow,))
        writers = [threading.Thread(target=guarded, args=(write, name)) for name in range(4)]
        for thread in (reader, *writers):
            thread.start()
        for thread in writers:
            thread.join()
        done.set()
        reader.join()
        assert not failures
        assert not models.BrokenView.objects.using(self.using).exists()
        assert models.Venue.objects.using(self.using).count() == 5
        assert seen == list(range(1, 81))
        assert {stream: head.version for stream, head in verify(using=self.using).items()} == {
            "venue/common": 40,
            **{f"venue/own-{name}": 10 for name in range(4)},
        }

    def test_of_two_writers_with_the_same_knowledge_one_wins(self) -> None:
        outcomes: list[str] = []
        start = threading.Barrier(4)

        def write() -> None:
            start.wait()
            try:
                append([Append("venue/a", 0, [venue()])], by(), using=self.using)
                outcomes.append("won")
            except VersionConflict:
                outcomes.append("lost")
            finally:
                connections.close_all()

        threads = [threading.Thread(target=write) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(outcomes) == ["lost", "lost", "lost", "won"]


@pytest.mark.django_db
class TestOnSQLite(StoreContract):
    using = "default"


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
class TestOnPostgreSQL(StoreContract):
    using = "postgres"


@pytest.mark.django_db(transaction=True)
class TestConcurrencyOnSQLite(ConcurrencyContract):
    using = "default"


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"], transaction=True)
class TestConcurrencyOnPostgreSQL(ConcurrencyContract):
    using = "postgres"
