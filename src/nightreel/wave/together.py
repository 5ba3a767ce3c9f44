"""Do the same to many files side by side.

A sync waits for the drive, not for the processor. One file after another, 64 syncs are most of a checkpoint; side by
side the file system joins them into few commits (bench/bench_wave.py measures both).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from nightreel.errors import NightreelError

MOST_AT_ONCE = 16  # more gained nothing with 64 files on a solid-state drive

_Out = TypeVar("_Out")


def together(tasks: Iterable[Callable[[], _Out]]) -> list[_Out]:
    """Results in the order of the tasks. Every task is tried; then the first trouble, if any, is raised."""
    work = list(tasks)
    if len(work) < 2:
        return [task() for task in work]
    with ThreadPoolExecutor(min(MOST_AT_ONCE, len(work)), thread_name_prefix="wave") as pool:
        waiting = [pool.submit(task) for task in work]
    troubles = [error for future in waiting if (error := future.exception()) is not None]
    for error in troubles:
        if not isinstance(error, NightreelError):
            raise error  # a fault of ours goes before trouble with a disk
    for error in troubles:
        raise error
    return [future.result() for future in waiting]
