"""Work spread over processes: what nobody wants any more ends at once."""

import time
from multiprocessing import active_children

from desk.parallel import pool_map

LONG_S = 60.0


def test_work_that_is_given_up_ends_at_once():
    """Two processes, ten long naps handed out behind two short ones: closed after the first result, it does not wait
    until what was handed out is done, and no process is left."""
    results = pool_map(time.sleep, [0.0, 0.0, *[LONG_S] * 10], 2)
    assert next(results) is None
    begun = time.monotonic()
    results.close()
    assert time.monotonic() - begun < LONG_S / 2 and not active_children()
