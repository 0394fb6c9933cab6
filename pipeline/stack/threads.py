"""Work shared out among threads, its results in order."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from pipeline.stack.sources import Scratch


def in_order(
    pool: ThreadPoolExecutor, work: Callable[[Any, Scratch], Any], items: Iterable[Any], threads: int
) -> Iterator[Any]:
    """Results in the order of the items, at most two a thread in work or waiting, each with a thread's own scratch."""
    spare: queue.SimpleQueue[Scratch] = queue.SimpleQueue()
    for _ in range(threads):
        spare.put(Scratch())

    def run(item: Any) -> Any:
        scratch = spare.get()
        try:
            return work(item, scratch)
        finally:
            spare.put(scratch)

    waiting: list[Any] = []
    for item in items:
        waiting.append(pool.submit(run, item))
        if len(waiting) >= 2 * threads:
            yield waiting.pop(0).result()
    for future in waiting:
        yield future.result()
