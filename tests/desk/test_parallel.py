"""Work spread over processes: what nobody wants any more ends at once."""

import os
import signal
import time
from multiprocessing import active_children

import pytest

from desk.errors import DeskError
from desk.parallel import pool_map

LONG_S = 60.0


def holds_back_ctrl_c(_):
    """Whether this process was started so that Ctrl-C never reaches it, not even while it loads."""
    return signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def test_work_that_is_given_up_ends_at_once():
    """Two processes, ten long naps handed out behind two short ones: closed after the first result, it does not wait
    until what was handed out is done, and no process is left."""
    results = pool_map(time.sleep, [0.0, 0.0, *[LONG_S] * 10], 2)
    assert next(results) is None
    begun = time.monotonic()
    results.close()
    assert time.monotonic() - begun < LONG_S / 2 and not active_children()


def test_no_more_processes_are_started_than_there_is_work():
    """Sixty-four asked for: three naps take three, a single one is taken here."""
    results = pool_map(time.sleep, [0.0, LONG_S, LONG_S], 64, 1)
    assert next(results) is None and len(active_children()) == 3
    results.close()
    assert list(pool_map(lambda number: number + 1, [1], 64, 1)) == [2]  # no helper could be given a lambda


def test_a_helper_that_is_ended_is_a_line():
    """As the system does for want of memory; no traceback, no process left."""
    with pytest.raises(DeskError, match="expected 2 processes to work, got one that was ended"):
        list(pool_map(os._exit, [1, 1], 2, 1))
    assert not active_children()


def test_an_error_in_a_helper_arrives_as_it_was_raised():
    """And ends the others."""
    with pytest.raises(ValueError, match="invalid literal for int"):
        list(pool_map(int, ["x", "y"], 2, 1))
    assert not active_children()


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="Windows cannot hold signals back")
def test_ctrl_c_reaches_no_helper_and_this_process_as_before():
    """A helper broken off while it loads would write a traceback between the lines of the command."""
    assert list(pool_map(holds_back_ctrl_c, [1, 2], 2, 1)) == [True, True]
    assert not holds_back_ctrl_c(0)


def test_helpers_keep_to_one_thread_and_leave_no_trace(monkeypatch):
    """What the libraries read as they load is told to every helper, and is here as before afterwards."""
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "3")
    told = list(pool_map(os.getenv, ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"], 2, 1))
    assert told == ["1", "1"]
    assert "OMP_NUM_THREADS" not in os.environ and os.environ["OPENBLAS_NUM_THREADS"] == "3"
