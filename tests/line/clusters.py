"""A Dask cluster on this machine that loses one of its two workers."""

import os
import signal
from contextlib import contextmanager

from tests.support import require_module


@contextmanager
def cluster_that_loses_a_worker(after):
    """Yield its address, and a step of `run_line` that kills a worker once so many units are done."""
    distributed = require_module("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        first = next(iter(cluster.workers.values())).process.pid

        def step(text, done):
            if done == after:
                os.kill(first, signal.SIGKILL)

        yield cluster.scheduler_address, step
