from __future__ import annotations

from unittest.mock import patch

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from skysample.fitting.multiple_tests import holm


@given(st.lists(st.one_of(st.floats(0.0, 1.0), st.floats(0.0, 0.02)), min_size=1, max_size=12, unique=True))
def test_the_step_down_is_that_of_statsmodels(p):
    # It collects garbage at every call, a tenth of a second each in a process that has loaded much.
    with patch("gc.collect"):
        expected = multipletests(p, alpha=0.05, method="holm")[0]
    np.testing.assert_array_equal(holm(p), expected)


def test_one_finding_too_many_takes_none_before_it():
    assert holm([0.04, 0.001, 0.9]).tolist() == [False, True, False]
    assert holm([0.01, 0.02, 0.03]).tolist() == [True, True, True]
    assert holm([]).tolist() == []
