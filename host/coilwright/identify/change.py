"""What a change of parts would gain: the build as built before and after it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from coilwright.build import Build
from coilwright.circuit.operating_map import find_valley
from coilwright.circuit.steady_state import SteadyState, solve
from coilwright.errors import NoResult
from coilwright.identify import keys


@dataclass(frozen=True, slots=True)
class Working:
    """How a build works at a duty.

    Attributes:
        valley_hz, valley_a: Soft-switching valley: frequency and supply current there.
        led_a: Mean current of the brighter LED of the dimmest kind of lamp there; None without.
        pickup_hz, pickup_a: Peak of the pickup probe: frequency and supply current there.
        drain_v: Drain peak in the valley.
    """

    duty: float
    valley_hz: float
    valley_a: float
    led_a: float | None
    drain_v: float
    pickup_hz: float
    pickup_a: float


@dataclass(frozen=True, slots=True)
class Change:
    """A change of parts with what it does."""

    values: Mapping[str, float]
    before: Working
    after: Working

    def to_json(self) -> dict[str, Any]:
        """For `--json`."""
        from dataclasses import asdict

        return {
            "change": dict(self.values),
            "before": asdict(self.before),
            "after": asdict(self.after),
        }


def working(build: Build, duty: float) -> Working:
    """How a build works at a duty.

    Raises:
        NoResult: It has no valley, or no periodic state was found there or about the pickup.
    """
    driver = build.bench_driver
    valley = find_valley(driver, duty)
    at = solve(driver, valley.frequency_hz, duty)
    probe = build.probe.receiver
    own = 1 / (2 * np.pi * np.sqrt(probe.inductance_h * probe.capacitance_f))
    near = solve(driver, own * np.linspace(0.97, 1.03, 25), duty)
    if not at.converged.all() or not near.converged.all():
        raise NoResult(
            f"No periodic state of {build.name} was found in its valley or about its pickup peak "
            f"at duty {100 * duty:g} %.",
            "Try another --duty, or a smaller change.",
        )
    peak = int(np.argmax(near.receiver_peak_v[:, -1]))
    return Working(
        duty=duty,
        valley_hz=valley.frequency_hz,
        valley_a=float(at.supply_a[0]),
        led_a=_dimmest(build, at),
        drain_v=float(at.drain_peak_v[0]),
        pickup_hz=float(near.frequency_hz[peak]),
        pickup_a=float(near.supply_a[peak]),
    )


def _dimmest(build: Build, at: SteadyState) -> float | None:
    lamps = [i for i, receiver in enumerate(build.driver.receivers) if receiver.led is not None]
    return float(at.led_a[0, lamps].max(axis=1).min()) if lamps else None


def try_changes(build: Build, changes: Mapping[str, float], duty: float, before: Working) -> Change:
    """What changing these values of a build would do.

    Raises:
        BadBuild: An impossible value.
        NoResult: The changed build has no valley.
    """
    return Change(dict(changes), before, working(keys.with_values(build, changes), duty))
