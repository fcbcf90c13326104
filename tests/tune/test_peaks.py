"""Peaks and prominences against SciPy's own finder (scipy.signal.find_peaks)."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import find_peaks

from coilwright.tune.peaks import peaks

LEVELS = st.lists(st.integers(-5, 5).map(float), min_size=1, max_size=40)


@given(levels=LEVELS, prominence=st.sampled_from([0.0, 1.0, 2.5]))
def test_peaks_are_those_of_scipy(levels: list[float], prominence: float) -> None:
    # Few levels, so that flat tops, equal peaks and steps come up often.
    level = np.array(levels)
    at, by = peaks(level, prominence)
    expected, about = find_peaks(level, prominence=prominence, plateau_size=(1, None))

    assert at.tolist() == expected.tolist()
    assert by.tolist() == about["prominences"].tolist()
