"""Records as a bench with unknown parts and imperfect sensors would write them, solved not told.

The readings are those of the simulated bench's sensors: offset and gain errors drawn from a seed,
noise of single conversions, converter steps; the point itself comes from the circuit's solver.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from coilwright.build import Analogue, Build
from coilwright.circuit.driver import Circuit
from coilwright.circuit.steady_state import solve
from coilwright.identify.model import _loaded
from coilwright.point import Flag, Point
from coilwright.record import Record, RecordInfo, RecordWriter, read_record

AVERAGES = 32


class Bench:
    """Measures a build as it was really made; one seed, one set of sensor errors."""

    def __init__(self, build: Build, seed: int, top_v: float = 2.45) -> None:
        self.build, self.top_v = build, top_v
        self.random = np.random.default_rng(seed)
        self.errors = {
            name: (self.random.uniform(-1, 1) * pin.offset_v,
                   1 + self.random.uniform(-1, 1) * pin.gain_error)
            for name, pin in self._pins().items()
        }  # fmt: skip

    def _pins(self) -> dict[str, Analogue]:
        bench = self.build.bench
        return {"supply": bench.supply.pin, "probe": self.build.probe.pin, "light": bench.light.pin}

    def sweep(
        self, path: Path, frequency_hz: Sequence[float], duty: float,
        load: Mapping[int, int] | None = None,
    ) -> Record:  # fmt: skip
        """Write a record of a frequency sweep and read it back."""
        points = self.points(frequency_hz, duty, load)
        with RecordWriter(path, RecordInfo(kind="sweep")) as writer:
            for point in points:
                writer.write("sweep", point)
        return read_record(path)

    def points(
        self, frequency_hz: Sequence[float], duty: float, load: Mapping[int, int] | None = None
    ) -> list[Point]:
        """The points of a sweep."""
        true = true_readings(_loaded(self.build.bench_driver, load or {}), self.build,
                             np.asarray(frequency_hz), duty)  # fmt: skip
        return self.measured(frequency_hz, duty, true)

    def measured(
        self, frequency_hz: Sequence[float], duty: float, true: Mapping[str, np.ndarray]
    ) -> list[Point]:
        """Points as the sensors show true supply A, probe V (peak) and LED A."""
        bench, probe = self.build.bench, self.build.probe
        per_v = bench.supply.gain_a_per_v
        columns = {
            "supply": true["supply"] / per_v + bench.supply.pin.bias_v,
            "probe": np.array([probe.pin_v(v) for v in true["probe"]]),
            "light": true["light"] * bench.light.transimpedance_ohm + bench.light.pin.bias_v,
        }
        read = {name: self._read(name, volts) for name, volts in columns.items()}
        out = []
        for i, hertz in enumerate(frequency_hz):
            (supply, supply_sd), (volts, volts_sd), (light, light_sd) = (
                (read[name][0][i], read[name][1][i]) for name in ("supply", "probe", "light")
            )
            flags = Flag.PROBE_OVER if volts >= self.top_v else Flag.NONE
            out.append(
                Point(
                    i, 0.01 * i, round(hertz), duty, float(hertz), duty,
                    float((supply - bench.supply.pin.bias_v) * per_v),
                    float((volts - probe.pin.bias_v) / probe.divider),
                    float(light - bench.light.pin.bias_v), float(supply_sd * per_v),
                    float(volts_sd / probe.divider), float(light_sd), AVERAGES, flags,
                )
            )  # fmt: skip
        return out

    def _read(self, name: str, volts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        pin, (offset, gain) = self._pins()[name], self.errors[name]
        noise = pin.noise_v * self.random.standard_normal((AVERAGES, len(volts)))
        readings = np.clip(np.round((volts * gain + offset + noise) * 1e3) / 1e3, 0.0, 3.1)
        return readings.mean(axis=0), readings.std(axis=0, ddof=1)


def true_readings(
    driver: Circuit, build: Build, frequency_hz: np.ndarray, duty: float
) -> dict[str, np.ndarray]:
    """Supply A, peak across the probe's capacitor V and mean LED current A."""
    state = solve(driver, frequency_hz, duty)
    assert state.converged.all()
    light = state.led_a[:, build.light_index, :].mean(axis=1)
    return {"supply": state.supply_a, "probe": state.receiver_peak_v[:, -1], "light": light}
