"""Many voyages, each in a process of its own pool."""

import multiprocessing
import time
import traceback
from collections.abc import Iterator
from itertools import count, islice

from .oracles import Verdict, judge
from .plan import make
from .sail import sail


def one(task: tuple[int, bool]) -> Verdict:
    """A seed's verdict; whatever goes wrong is told in it. `again`: sail it twice, the bytes must be the same."""
    seed, again = task
    begun = time.perf_counter()
    try:
        v = judge(sail(seed))
        if again and sail(seed).digest() != v.digest:
            v.failures.append("the same seed gave other bytes")
    except KeyboardInterrupt:
        raise
    except BaseException:
        # The simulation's power cut is no Exception, so that nothing of the product catches it.
        v = Verdict(seed, make(seed).days, [f"crashed: {traceback.format_exc(limit=-6)}"])
    v.took_s = time.perf_counter() - begun
    return v


def swarm(first: int, jobs: int, until_s: float, seeds: int | None, again: int) -> Iterator[Verdict]:
    """Verdicts, in the order of seeds, until the time is over."""
    tasks = ((seed, again > 0 and seed % again == 0) for seed in count(first))
    if seeds is not None:
        tasks = islice(tasks, seeds)  # type: ignore[assignment]
    # Not ProcessPoolExecutor: in Python 3.11 it hangs once its workers have had their `max_tasks_per_child`.
    with multiprocessing.get_context("spawn").Pool(jobs, maxtasksperchild=50) as pool:
        while time.monotonic() < until_s and (some := list(islice(tasks, 16 * jobs))):
            yield from pool.imap(one, some)
