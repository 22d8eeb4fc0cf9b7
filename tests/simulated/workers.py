"""Work that is spread over processes, each of which stands in a folder of its own that need not outlive it."""

from __future__ import annotations

import gc
import multiprocessing
import os
import tempfile
import traceback
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

# Files that need not outlive the work lie in memory, where there is such a place.
IN_MEMORY = Path("/dev/shm")
# There are as many processes as processors: none of them needs threads for its arrays.
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
# Of so many things more, circles that nobody holds are looked for: there are few, and looking takes long.
GARBAGE_EVERY = 50_000

Task = TypeVar("Task")
Done = TypeVar("Done")
_FOR_GOOD = ExitStack()
# Why this process could not begin.
_BROKE: list[str] = []


@contextmanager
def in_memory(name: str) -> Iterator[Path]:
    """A folder that is gone afterwards."""
    place = IN_MEMORY if IN_MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(prefix=f"dayroll-{name}-", dir=place) as folder:
        yield Path(folder)


def spread(
    name: str,
    workers: int,
    begin: Callable[..., None],
    given: tuple[Any, ...],
    work: Callable[[Task], Done],
    tasks: Iterable[Task],
    *,
    chunk: int = 1,
) -> Iterator[Done]:
    """What becomes of tasks, each as soon as it is done.

    Args:
        name: of the folder.
        workers: processes; nothing of the server is in them before they begin.
        begin: called once in each, with a folder of its own and what is given.
        given: to each.
        work: what is done with a task.
        tasks: to be done.
        chunk: so many at a time go to a process.

    Raises:
        RuntimeError: a process could not begin.
    """
    for variable in ONE_THREAD:
        os.environ.setdefault(variable, "1")
    context = multiprocessing.get_context("spawn")
    with in_memory(name) as folder, context.Pool(workers, _begin, (str(folder), begin, given)) as pool:
        yield from pool.imap_unordered(partial(_do, work), tasks, chunksize=chunk)


def _begin(folder: str, begin: Callable[..., None], given: tuple[Any, ...]) -> None:
    """Where this raised, the pool would put another process in place of this one, and another, without end."""
    gc.set_threshold(GARBAGE_EVERY)
    try:
        begin(Path(tempfile.mkdtemp(dir=folder)), *given)
    except Exception:  # noqa: BLE001 - whatever it is, whoever asks for work is told
        _BROKE.append(traceback.format_exc())


def _do(work: Callable[[Task], Done], task: Task) -> Done:
    if _BROKE:
        raise RuntimeError(f"a process could not begin: {_BROKE[0]}")
    return work(task)


def stay(put: AbstractContextManager[object], stack: ExitStack = _FOR_GOOD) -> None:
    """Put something in place for as long as the process lives. Somebody has to keep hold of what puts it there: once it
    is garbage, it takes it away again."""
    stack.enter_context(put)


def keep_what_is_there() -> None:
    """What the programs are made of stays for good, and is not looked through for garbage again and again."""
    gc.collect()
    gc.freeze()
