"""The quick median is numpy's."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from vision.medians import median

SMALL = st.floats(-1e6, 1e6, width=32)


@given(arrays(np.float32, array_shapes(min_dims=1, max_dims=2, min_side=1, max_side=9), elements=SMALL))
def test_it_is_numpys_median_of_floats(values):
    """Odd and even counts, one column or several."""
    assert np.allclose(median(values), np.median(values, axis=0), rtol=1e-6, atol=1e-6)


@given(arrays(np.uint8, st.integers(1, 9)))
def test_the_middle_of_two_bytes_may_not_overflow(values):
    """200 and 100 have 150 between them."""
    assert median(values) == np.median(values)
