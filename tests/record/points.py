"""Points for the tests of records."""

from __future__ import annotations

from hypothesis import strategies as st

from coilwright.point import Flag, Point

readings = st.floats(-1e15, 1e15).map(lambda value: value if abs(value) > 1e-30 else 0.0)
"""Other numbers the reader refuses: docs/record-format.md."""
whole = st.integers(0, 2**31)

any_point = st.builds(
    Point,
    index=st.integers(0, 10**6),
    time_s=readings,
    requested_frequency_hz=whole,
    requested_duty=readings,
    frequency_hz=readings,
    duty=readings,
    supply_a=readings,
    probe_v=readings,
    light_v=readings,
    supply_sd_a=readings,
    probe_sd_v=readings,
    light_sd_v=readings,
    averages=st.integers(1, 1024),
    flags=st.integers(0, 511).map(Flag),
)

any_stage = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,31}", fullmatch=True)


def point(i: int = 0) -> Point:
    """A point that differs in every field from those of other numbers."""
    return Point(
        i, 0.013 * i, 165_000 + i, 0.2, 165_016.502 + i, 0.199218, 0.1 + i / 1e6,
        1.2 + i / 1e6, 0.3, 0.001, 0.002, 0.003, 32, Flag(i % 4),
    )  # fmt: skip
