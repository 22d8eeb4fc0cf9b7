"""The boards of a scenario: processes of the field node whose power comes and goes, restarted as a service is."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from machines.node.store import identity
from machines.node.store.journal import FILE_NAME, open_journal
from machines.protocol.journal_entries import GapSettled
from machines.serialization import structure
from server.demo.judging.gathering import read_journal
from server.demo.processes import PATIENCE_S, DemoError
from tests.faults.board import boot_anew
from tests.faults.copies import Common
from tests.faults.lane import Lane
from tests.faults.program import Program
from tests.faults.scenario import Scenario

# What a service manager starts again: a fault of the program, files that cannot be read or written. The first is a
# broken promise all the same.
STARTED_AGAIN = (1, 5)
# How an agent ends that is fenced off.
FENCED = 4
ENROLMENTS_TRIED = 40


@dataclass
class Board:
    """A board beside a machine.

    Attributes:
        home: its folder, with the journal.
        paper: the folder of the machine's paper, which outlives the board.
        trouble: the folder that tells `tests.faults.board` what is wrong.
        child: its process.
        off: how many faults keep it without power now.
        full: how many faults keep its files from growing now.
        ended: exit statuses of agents that ended by themselves.
        asked: the last command that a person gave there.
        asked_before: the commands before that; each is waited for at the end.
    """

    home: Path
    paper: Path
    trouble: Path
    child: Program
    off: int = 1
    full: int = 0
    ended: list[int] = field(default_factory=list)
    asked: Any = None
    asked_before: list[Any] = field(default_factory=list)

    def power_on(self) -> None:
        """One fault less keeps it off."""
        self.off -= 1
        if not self.off:
            self.start()

    def power_off(self, *, in_order: bool = False) -> None:
        """One fault more keeps it off."""
        self.off += 1
        if self.off == 1:
            self._note_end()
            if self.child.process is None or self.child.process.poll() is not None:
                return
            if in_order:
                self.child.stop(2 * PATIENCE_S)
                self._note_end(asked=True)
            else:
                self.child.kill()

    def look(self) -> None:
        """Start an agent again that ended by itself, where a service manager would."""
        if self._note_end() in STARTED_AGAIN and not self.off:
            self.start()

    def runs(self) -> bool:
        """Whether its agent runs."""
        return self.child.process is not None and self.child.process.poll() is None

    def gave_up(self) -> bool:
        """Whether its agent ended in a way that only a person can help."""
        return not self.runs() and bool(self.ended) and self.ended[-1] not in STARTED_AGAIN

    def fenced(self) -> bool:
        """Whether its agent ended because it must not print any more."""
        return not self.runs() and bool(self.ended) and self.ended[-1] == FENCED

    def fill_card(self) -> None:
        """Its files cannot grow from now on."""
        self.full += 1
        self._limit()

    def clear_card(self) -> None:
        """They can again."""
        self.full -= 1
        self._limit()

    def ask(self, *arguments: str) -> None:
        """A person beside it gives a command; what comes of it is the board's own."""
        self.asked_before += [] if self.asked is None else [self.asked]
        self.asked = self.child.ask(*arguments)

    def hold(self) -> str | None:
        """What keeps it from printing on, by its journal; None where there is none that tells it."""
        if not (self.home / FILE_NAME).exists():
            return None
        try:
            with self.child.reading() as database:
                row = database.execute("SELECT hold FROM state").fetchone()
        except sqlite3.Error:
            return None
        return None if row is None else str(row[0])

    def epoch(self) -> int:
        """Which enrolment it was enrolled by."""
        journal = open_journal(self.home)
        try:
            with journal.reading() as db:
                credentials = identity.credentials(db)
        finally:
            journal.close()
        if credentials is None:
            raise DemoError("the board is not enrolled")
        return credentials.epoch

    def lose_newest(self) -> None:
        """What was not yet moved from the log of the journal into its file is gone."""
        for ending in ("-wal", "-shm"):
            self.home.joinpath(FILE_NAME + ending).unlink(missing_ok=True)

    def settled(self) -> list[GapSettled]:
        """What its journal says that it settled."""
        return [structure(entry, GapSettled) for entry in self.told() if entry["kind"] == "gap-settled"]

    def told(self) -> list[dict[str, Any]]:
        """What its journal says, read from a copy: who opens and closes the journal itself would move its newest into
        the file. Nothing where that cannot be read."""
        files = [self.home / (FILE_NAME + ending) for ending in ("", "-wal")]
        with TemporaryDirectory() as folder:
            for file in files:
                if file.exists():
                    shutil.copy(file, folder)
            try:
                return [entry for entry, _ in read_journal(Path(folder) / FILE_NAME)]
            except sqlite3.Error:
                return []

    def said(self) -> str:
        """Everything that its agents said so far."""
        return self.child.log.read_text(errors="replace") if self.child.log.exists() else ""

    def start(self) -> None:
        """Its agent begins, as after the power came or by a person's hand."""
        self.child.start()
        self._limit()

    def _limit(self) -> None:
        self.child.limit_files(full=self.full > 0)

    def _note_end(self, *, asked: bool = False) -> int | None:
        """The exit status of an agent that ended since the last look, as it was asked to or not; None for none."""
        process = self.child.process
        if process is None or process.poll() is None:
            return None
        self.child.process = None
        if process.returncode > 0 or (process.returncode == 0 and not asked):
            self.ended.append(process.returncode)
        return int(process.returncode)


def make_board(lane: Lane, scenario: Scenario, folder: Path, name: str, paper: Path) -> Board:
    """A board without power in an empty folder, beside the machine of a paper."""
    home, trouble = folder / name, folder / "trouble"
    home.mkdir(parents=True)
    for made in (trouble, paper):
        made.mkdir(parents=True, exist_ok=True)
    (home / "paper").symlink_to(Path("..") / paper.relative_to(folder))
    boot_anew(trouble, 0.0)
    return Board(home, paper, trouble, lane.program(scenario, home, trouble))


def enrol(lane: Lane, board: Board, machine: str) -> None:
    """A person enrols a board, with a new code each time it does not work."""
    slip = board.home.with_suffix(".code")
    for _ in range(ENROLMENTS_TRIED):
        code = lane.studio.create(f"machines/{machine}/enrolment", None)["code"]
        slip.write_text(code)
        done = board.child.do("enrol", "--server", lane.address, "--code-file", str(slip))
        if done.returncode == 0:
            return
    raise DemoError(f"the board could not be enrolled: {done.stderr.strip()[-500:]}")


def begun(told: Iterable[dict[str, Any]]) -> set[str]:
    """When agents began, by a journal's entries."""
    return {entry["at"] for entry in told if entry["kind"] == "node-started"}


def clone(board: Board, into: Board) -> Common:
    """Copy the files of a board, as somebody copies a memory card, beside a machine with its own paper.

    Returns:
        what of the two papers is one and the same.
    """
    with (
        closing(sqlite3.connect(board.home / FILE_NAME)) as source,
        closing(sqlite3.connect(into.home / FILE_NAME)) as target,
    ):
        source.backup(target)
    if (board.home / "plates").exists():
        shutil.copytree(board.home / "plates", into.home / "plates")
    with closing(sqlite3.connect(into.home / FILE_NAME)) as copied:
        ordered = "SELECT max(place + end_column - first_column) FROM burst WHERE laid_at IS NULL"
        (end,) = copied.execute(f"SELECT max(paper_position, coalesce(({ordered}), 0)) FROM state").fetchone()
        due = {place for (place,) in copied.execute("SELECT place FROM strip WHERE state = 'due'")}
    return Common(end=end, uncut=frozenset(due))


def damage(home: Path, how: str, dice: random.Random) -> None:
    """Damage the journal of a board that is off."""
    with closing(sqlite3.connect(home / FILE_NAME)) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    path = home / FILE_NAME
    content = bytearray(path.read_bytes())
    if how == "cut-in-half":
        path.write_bytes(content[: len(content) // 2])
    elif how == "garbled":
        while _is_sound(path):  # what lies on a page that is free is nobody's, and rightly missed by none
            page = 4096 * dice.randrange(1, len(content) // 4096)
            path.write_bytes(content[:page] + dice.randbytes(4096) + content[page + 4096 :])
    else:
        path.write_bytes(b"")


def _is_sound(path: Path) -> bool:
    try:
        with closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as database:
            (verdict,) = database.execute("PRAGMA quick_check(1)").fetchone()
            return bool(verdict == "ok")
    except sqlite3.DatabaseError:
        return False
