"""What the gate pin did: duties, spans, states of no length."""

from __future__ import annotations

import pytest

from coilwright.bench.chips import CHIPS, HIGH, OFF, Gate
from coilwright.bench.clock import GateLog

HALF, FULL = Gate(1000, 16, 500), Gate(1000, 16, 1000)


def log(*entries: tuple[int, Gate], end_us: int = 1000) -> GateLog:
    """A log of an RP2 board."""
    times, gates = zip(*entries, strict=True) if entries else ((), ())
    return GateLog(CHIPS["rp2040"], times, gates, end_us)


def test_a_pin_that_never_did_anything_is_low() -> None:
    quiet = log()
    assert quiet.is_low()
    assert quiet.most() == quiet.longest_high_us() == quiet.high_s() == 0


def test_what_was_high_and_for_how_long() -> None:
    seen = log((100, HALF), (300, HIGH), (350, OFF), (400, FULL), (480, Gate(1000, 16, 0)))
    assert seen.duties() == [(100, 0.5), (300, 1.0), (350, 0.0), (400, 1.0), (480, 0.0)]
    assert seen.longest_high_us() == 80
    assert seen.high_s() == pytest.approx((100 + 50 + 80) * 1e-6)
    assert seen.high_s(200, 320) == pytest.approx((50 + 20) * 1e-6)
    assert seen.most(110, 290) == 0.5
    assert seen.most(360, 390) == 0
    assert not seen.is_low()  # duty 0, but still a PWM
    assert log((100, HALF), (300, OFF)).is_low()


def test_a_state_of_no_length_counts() -> None:
    """Two writes at one moment of the virtual clock: the port passes through what is between."""
    seen = log((100, HALF), (200, FULL), (200, HALF), (300, OFF))
    assert seen.most() == 1.0
    assert seen.longest_high_us() == 0
    assert seen.most(201) == 0.5


def test_what_lasts_to_the_end_lasts_until_now() -> None:
    assert log((100, HIGH), end_us=600).longest_high_us() == 500
