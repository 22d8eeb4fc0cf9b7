"""What plates and uploads ask of whatever keeps their files: Django's storage, and a little more.

Files are named by what they hold, so that writing one twice is writing it once, and nobody changes one.
`scheduling.rendering.folder_files` keeps them in a folder, `scheduling.rendering.object_files` in a store of objects on
the network. A fleet whose parts have no disk in common needs the second.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.core.files.base import ContentFile, File
from django.core.files.storage import Storage

from machines.errors import DayrollError

# What is written and read back to see whether a store answers.
PROBE, SAID = "in-use", b"The server writes this file again and again to see whether it can.\n"


class StoreAway(DayrollError):
    """The store does not answer, or refuses: nothing is known of what it holds, and nothing was written.

    Attributes:
        problem: which, and what it says.
    """


class KeptFiles(Storage):
    """A storage of files that are whole or not there.

    Attributes:
        is_far: whether asking of many files one by one takes long.
    """

    is_far = False

    def get_available_name(self, name: str, max_length: int | None = None) -> str:
        """The name itself: what has it already is the same."""
        return name

    def read(self, name: str) -> bytes:
        """All of a file.

        Raises:
            FileNotFoundError: it is not there.
            StoreAway: the store does not answer.
        """
        with self.open(name) as file:
            content: bytes = file.read()
        return content

    def write(self, name: str, content: bytes) -> None:
        """Keep a file.

        Raises:
            OSError: the disk is full, or cannot be written; nothing is left of what could not be.
            StoreAway: the store does not answer.
        """
        self.save(name, ContentFile(content))

    def tail(self, name: str, octets: int) -> bytes:
        """The last octets of a file, fewer if it has fewer.

        Raises:
            FileNotFoundError: it is not there.
            StoreAway: the store does not answer.
        """
        raise NotImplementedError

    def sizes(self, start: str) -> Iterator[tuple[str, int]]:
        """The files whose names begin so, each with how many octets it has, in no order; asked for by pages.

        Raises:
            StoreAway: the store does not answer.
        """
        raise NotImplementedError

    def take(self, name: str, part: Path) -> None:
        """Keep a file that was written already, in a folder of `parts`; it may be gone from there afterwards.

        Raises:
            OSError: the disk cannot be written; nothing is left of it.
            StoreAway: the store does not answer.
        """
        with part.open("rb") as file:
            self.save(name, File(file))

    @contextmanager
    def parts(self) -> Iterator[Path]:
        """A folder of this computer where what comes in pieces is written before it is known what it is called."""
        with tempfile.TemporaryDirectory(prefix="dayroll-") as folder:
            yield Path(folder)

    def require_answers(self) -> None:
        """See whether files can be kept and read now.

        Raises:
            OSError: the disk is full, or cannot be written.
            StoreAway: the store does not answer, refuses, or does not give back what it took.
        """
        self.write(PROBE, SAID)
        try:
            found = self.read(PROBE)
        except FileNotFoundError:
            found = b""
        if found != SAID:
            raise StoreAway("the store does not give back what it took", "see that nothing else writes there")
