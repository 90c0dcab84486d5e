"""Running a vectorised function over long batches: slices that fit the cache, one thread per core."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from prewarp.cores import one_blas_thread, usable_cores

SLICE = 8192


def over_slices(count: int, work: Callable[[slice], None], /) -> None:
    """Call `work` for slices that cover range(count). Long batches run on all cores, one BLAS thread each.

    Small matrix products are many times slower on two BLAS threads than on one.
    """
    if count == 0:
        return
    slices = [slice(low, min(low + SLICE, count)) for low in range(0, count, SLICE)]
    if len(slices) == 1:
        work(slices[0])
        return
    workers = min(len(slices), usable_cores())
    with one_blas_thread(), ThreadPoolExecutor(workers) as pool:
        # list() lets an exception of a worker through.
        list(pool.map(work, slices))
