"""What records hold for the fit: readings with their spreads, by channel, and the few to use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.errors import BadRecord
from coilwright.point import Flag
from coilwright.record import Record

Reals = NDArray[np.float64]
Bools = NDArray[np.bool_]

CHANNELS = ("supply", "probe", "light")
SUPPLY, PROBE, LIGHT = range(3)

LEAST_POINTS = 12
"""Points a record must have with supply or probe; fewer show neither a valley nor a peak."""

_COLUMNS = (("supply_a", "supply_sd_a"), ("probe_v", "probe_sd_v"), ("light_v", "light_sd_v"))
_SPOILT = (
    Flag.SUPPLY_OVER | Flag.SUPPLY_UNDER,
    Flag.PROBE_OVER,
    Flag.LIGHT_OVER,
)
_UNUSABLE = Flag.OUTPUT_OFF | Flag.SENSOR_FAULT


@dataclass(frozen=True)
class Observations:
    """Points of all records, one after the other (N,).

    Attributes:
        frequency_hz, duty: As the chip really set them (N,).
        record: Index of the record of each point (N,).
        reading: Supply current A, probe V, light V (3, N); NaN where there is none.
        sd: Standard deviation of the mean reading (3, N).
        loads: Numbers of lamps that differ from the build, by receiver index, one a record.
        labels: Names of the records.
    """

    frequency_hz: Reals
    duty: Reals
    record: NDArray[np.int64]
    reading: Reals
    sd: Reals
    loads: tuple[Mapping[int, int], ...]
    labels: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.frequency_hz)

    @property
    def used(self) -> Bools:
        """Which readings are there (3, N)."""
        return np.isfinite(self.reading)

    def at(self, places: NDArray[np.int64]) -> Observations:
        """Some of the points."""
        return Observations(
            self.frequency_hz[places],
            self.duty[places],
            self.record[places],
            self.reading[:, places],
            self.sd[:, places],
            self.loads,
            self.labels,
        )


def observe(
    records: Sequence[Record],
    loads: Sequence[Mapping[int, int]] | None = None,
    *,
    light: bool = True,
    divider: float = 1.0,
) -> Observations:
    """Take the usable readings of records; those with the output off or out of range are left out.

    Args:
        records: Records of sweeps or tunes.
        loads: For each record, numbers of lamps that differ from the build.
        light: Whether the light sensor is used where it saw light.
        divider: Of the probe; its readings become volts across the probe's capacitor whatever
            gain the driver was calibrated to.

    Raises:
        BadRecord: A record has neither supply current nor pickup, or too few points.
    """
    parts = [_readings(record, light) for record in records]
    for record, part in zip(records, parts, strict=True):
        scale = _probe_scale(record, divider)
        part[2][PROBE] *= scale
        part[3][PROBE] *= scale
    names = [record.path.stem for record in records]
    distinct = len(set(names)) == len(names)
    count = [len(part[0]) for part in parts]
    return Observations(
        frequency_hz=np.concatenate([part[0] for part in parts]),
        duty=np.concatenate([part[1] for part in parts]),
        record=np.repeat(np.arange(len(parts)), count),
        reading=np.concatenate([part[2] for part in parts], axis=1),
        sd=np.concatenate([part[3] for part in parts], axis=1),
        loads=tuple(loads) if loads is not None else ({},) * len(parts),
        labels=tuple(names if distinct else [str(record.path) for record in records]),
    )


def _probe_scale(record: Record, divider: float) -> float:
    """What makes volts across the probe's capacitor of the record's; 1 where nothing is known."""
    told = record.metadata.facts.get("calibration") if record.metadata else None
    gain = told.get("probe_gain_v_per_v") if isinstance(told, dict) else None
    if not isinstance(gain, int | float) or not 0 < gain < 1e6:
        return 1.0
    return 1 / divider / gain


def _readings(record: Record, light: bool) -> tuple[Reals, Reals, Reals, Reals]:
    """Frequency, duty (N,), readings and their spreads (3, N) of one record."""
    flags = record["flags"].astype(np.int64)
    duty = record["duty"].astype(float)
    keep = ((flags & int(_UNUSABLE)) == 0) & (duty > 0) & (duty < 1)
    if not keep.any():
        raise BadRecord(
            f"{record.path} holds no point with the output on.",
            "Identify from records of `coilwright sweep` or `coilwright tune`.",
        )
    averages = np.maximum(record["averages"][keep].astype(float), 1)
    reading, sd = np.empty((3, int(keep.sum()))), np.empty((3, int(keep.sum())))
    for channel, (name, spread) in enumerate(_COLUMNS):
        reading[channel] = record[name][keep]
        reading[channel, (flags[keep] & int(_SPOILT[channel])) != 0] = np.nan
        sd[channel] = _spread_of_mean(record[spread][keep].astype(float), averages)
    for channel in range(3):
        wanted = channel != LIGHT or light
        if not wanted or not _shows_something(reading[channel], sd[channel]):
            reading[channel] = np.nan
    _demand(record, reading)
    some = np.isfinite(reading).any(axis=0)
    return record["frequency_hz"][keep][some], duty[keep][some], reading[:, some], sd[:, some]


def _spread_of_mean(sd: Reals, averages: Reals) -> Reals:
    """Spread of the mean of each reading, steadied by that of the whole record.

    A spread from few conversions is itself uncertain, and may be zero where the steps of the
    converter are coarser than the noise.
    """
    pooled = float(np.sqrt(np.nanmean(sd**2))) if np.isfinite(sd).any() else 0.0
    return np.asarray(np.sqrt((np.nan_to_num(sd) ** 2 + pooled**2) / 2 / averages))


def _shows_something(reading: Reals, sd: Reals) -> bool:
    """Whether a channel changes by more than its noise over the record."""
    good = np.isfinite(reading)
    if good.sum() < LEAST_POINTS:
        return False
    low, high = np.quantile(reading[good], [0.02, 0.98])
    return bool(high - low > 8 * float(np.median(sd[good])) and high - low > 1e-9)


def _demand(record: Record, reading: Reals) -> None:
    most = int(np.isfinite(reading[:2]).sum(axis=1).max(initial=0))
    if most >= LEAST_POINTS:
        return
    if reading.shape[1] < LEAST_POINTS:
        raise BadRecord(
            f"{record.path} has {reading.shape[1]} points with the output on; "
            f"at least {LEAST_POINTS} are needed.",
            "Sweep across the resonance with 61 points or more.",
        )
    raise BadRecord(
        f"{record.path} shows neither supply current nor pickup that changes over the sweep.",
        "The supply sensor and the pickup probe must be connected and within range; "
        "sweep across the resonance.",
    )


def thin(seen: Observations, wanted: int) -> NDArray[np.int64]:
    """Places of about `wanted` points where the curves change most, shared over the records.

    Points are spread evenly along the length of the curves, each reading drawn on a logarithmic
    or linear scale of its own range, so that peaks, valleys and their flanks get most of them.
    """
    count = len(seen.labels)
    if len(seen) <= wanted:
        return np.arange(len(seen))
    share = max(8, round(wanted / count))
    chosen = [_along_curve(seen, np.flatnonzero(seen.record == r), share) for r in range(count)]
    return np.concatenate(chosen)


def nearest(chosen: Observations, seen: Observations) -> NDArray[np.int64]:
    """For each point seen the chosen one most like it: of its record, in frequency and duty."""
    far = np.abs(np.log(chosen.frequency_hz / seen.frequency_hz[:, None]))
    far = far + np.abs(chosen.duty - seen.duty[:, None])
    return np.asarray(np.argmin(far + (chosen.record != seen.record[:, None]), axis=1))


def _along_curve(seen: Observations, places: NDArray[np.int64], wanted: int) -> NDArray[np.int64]:
    if len(places) <= wanted:
        return places
    order = places[np.lexsort((seen.duty[places], seen.frequency_hz[places]))]
    if np.ptp(seen.duty[places]) > 0.5 * np.ptp(seen.frequency_hz[places]) / 1e5:
        order = places[np.lexsort((seen.frequency_hz[places], seen.duty[places]))]
    steps = np.full(len(order) - 1, 1.0 / len(order))
    for channel in range(3):
        curve = _drawn(seen.reading[channel, order], seen.sd[channel, order])
        steps += np.abs(np.diff(curve))
    length = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.linspace(0, length[-1], wanted)
    return np.asarray(np.unique(order[np.searchsorted(length, at - 1e-12).clip(0, len(order) - 1)]))


def _drawn(reading: Reals, sd: Reals) -> Reals:
    """A curve from 0 to 1, rounded to its noise so that noise adds no length."""
    good = np.isfinite(reading)
    if not good.any():
        return np.zeros(len(reading))
    filled = np.interp(np.arange(len(reading)), np.flatnonzero(good), reading[good])
    low, high = filled.min(), filled.max()
    if high <= low:
        return np.zeros(len(reading))
    noise = max(3 * float(np.median(sd[good])) / (high - low), 1e-3)
    return np.asarray(np.round((filled - low) / (high - low) / noise) * noise)
