"""Work for other processes, found there by name."""

from __future__ import annotations

import os
import time


def add(job, shared):
    return job + shared


def kill_itself_on_three(job, shared):
    """Stand for a decoder that crashes on one photo."""
    if job == 3:
        os._exit(11)
    time.sleep(0.05)
    return add(job, shared)


def fail_on_three(job, shared):
    if job == 3:
        raise ZeroDivisionError
    return add(job, shared)


def threads_and_process(_job, _shared):
    return os.environ["OMP_NUM_THREADS"], os.getpid()


def process(_job, _shared):
    return os.getpid()


def wait_a_little(job, _shared):
    time.sleep(0.2)
    return job
