"""Records to compare: grouped by their metadata and brought to common ground, or refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coilwright.averaging import mean_sd
from coilwright.compare.figures import (
    DUTY_BAND,
    PICKUP,
    PICKUP_SQUARE,
    QUALITY,
    RESONANCE,
    UNITS,
    Sweep,
)
from coilwright.compare.side_by_side import Group
from coilwright.errors import BadRecord, NoResult
from coilwright.point import Flag
from coilwright.quantities import show, show_percent
from coilwright.record import Record
from coilwright.sensors import UNKNOWN, Resolution, resolution

LEAST_POINTS = 12
"""Points at one duty and different frequencies that make a frequency sweep."""

SAME_GAIN = 0.005
"""Share by which gains of the probe may differ and still be one probe's, calibrated again."""

LIT_SUPPLY = "least lit supply"

_UNUSABLE = int(Flag.OUTPUT_OFF | Flag.SENSOR_FAULT)
_SUPPLY_SPOILT = int(Flag.SUPPLY_OVER | Flag.SUPPLY_UNDER)
_PLAIN: dict[str, Callable[[Record], str]] = {
    "file": lambda record: record.path.stem,
    "note": lambda record: record.metadata.note if record.metadata else "",
    "kind": lambda record: record.metadata.kind if record.metadata else "",
    "tag": lambda record: ", ".join(sorted(record.metadata.tags)) if record.metadata else "",
    "title": lambda record: _title(record),
}


@dataclass(frozen=True, slots=True)
class Ground:
    """What records have in common, and what they have not.

    Attributes:
        groups: The sweeps, cut to one duty and one band where they can be.
        duty: That duty; None where the duties differ.
        band_hz: That band.
        left_out: Quantities that are not compared, with the reason.
        lit: For each group, supply current of its least-drawing lit settings with deviations.
        settings: The same settings whole, one line a record that has one.
        probe_scale: What makes volts across the probe's capacitor of the first group's, without
            the build's divider; None where not known.
        remarks: What else to know.
    """

    groups: tuple[Group, ...]
    duty: float | None
    band_hz: tuple[float, float]
    left_out: Mapping[str, str]
    lit: tuple[tuple[tuple[float, float], ...], ...]
    settings: tuple[Mapping[str, Any], ...]
    probe_scale: float | None
    remarks: tuple[str, ...] = field(default=())


def grouped(records: Sequence[Record], by: str | None) -> dict[str, list[Record]]:
    """Records by something of their metadata, groups in the order they first appear.

    Args:
        records: Records.
        by: `note`, `tag`, `title`, `kind`, `file`; the NAME of tags `NAME=value`; the path of a
            fact such as `driver.serial` or `settings.averages`. None for each record by itself.

    Raises:
        NoResult: No record has that.
    """
    if by is None:
        names = [record.path.stem for record in records]
        if len(set(names)) < len(names):
            names = [str(record.path) for record in records]
        again = [names[:place].count(name) for place, name in enumerate(names)]
        names = [f"{name} ({n + 1})" if n else name for name, n in zip(names, again, strict=True)]
        return _collected(names, records)
    found = [value_of(record, by) for record in records]
    if not any(found):
        raise NoResult(
            f"No record says anything of {by!r}.",
            "Records are grouped by note, tag, title, kind or file, by NAME where their tags are "
            "NAME=value (--tag receiver=sleeved), or by a fact such as driver.serial. "
            + _known(records),
        )
    return _collected([text or f"without {by}" for text in found], records)


def _collected(names: Sequence[str], records: Sequence[Record]) -> dict[str, list[Record]]:
    groups: dict[str, list[Record]] = {}
    for name, record in zip(names, records, strict=True):
        groups.setdefault(name, []).append(record)
    return groups


def value_of(record: Record, by: str) -> str:
    """What the metadata of a record says of something; empty where it says nothing."""
    if by in _PLAIN:
        return _PLAIN[by](record)
    if record.metadata is None:
        return ""
    for tag in record.metadata.tags:
        name, sign, text = tag.partition("=")
        if sign and name.strip() == by:
            return text.strip()
    value: Any = record.metadata.facts
    for word in by.split("."):
        value = value.get(word) if isinstance(value, Mapping) else None
    if value is None or isinstance(value, Mapping | list):
        return ""
    return str(value)


def _title(record: Record) -> str:
    told = record.metadata.document.get("dc:title") if record.metadata else None
    return told if isinstance(told, str) else ""


def _known(records: Sequence[Record]) -> str:
    tags = {tag for record in records if record.metadata for tag in record.metadata.tags}
    return "Their tags: " + ", ".join(sorted(tags)) + "." if tags else "They have no tags."


def common_ground(groups: Mapping[str, Sequence[Record]]) -> Ground:
    """Bring the records of all groups to one duty and one band.

    Raises:
        BadRecord: A record holds no frequency sweep.
        NoResult: The records share no band.
    """
    flat = list({id(record): record for some in groups.values() for record in some}.values())
    sweeps = {id(record): _sweep(record) for record in flat}
    duty = _common_duty([sweeps[id(record)] for record in flat])
    at_duty = {
        id(r): _at(sweeps[id(r)], duty if duty is not None else _duties(sweeps[id(r)])[0])
        for r in flat
    }
    band = _band(flat, [at_duty[id(record)] for record in flat])
    cut = {id(r): _within(r, at_duty[id(r)], band) for r in flat}
    left_out, remarks = _left_out(flat, duty, [at_duty[id(r)] for r in flat])
    lit = [[_lit(record) for record in some] for some in groups.values()]
    return Ground(
        groups=tuple(
            Group(label, tuple(cut[id(record)] for record in some), _bench(some))
            for label, some in groups.items()
        ),
        duty=duty,
        band_hz=band,
        left_out=left_out,
        lit=tuple(
            tuple((one["supply_a"], one["sd_a"]) for one in some if one is not None) for some in lit
        ),
        settings=tuple(one for some in lit for one in some if one is not None),
        probe_scale=_gain(flat[0], "probe_gain_v_per_v"),
        remarks=remarks,
    )


def _sweep(record: Record) -> Sweep:
    """All usable points of a record."""
    flags = record["flags"].astype(np.int64)
    keep = ((flags & _UNUSABLE) == 0) & ((flags & _SUPPLY_SPOILT) == 0) & (record["duty"] > 0)
    if not keep.any():
        raise BadRecord(
            f"{record.path} holds no point with the output on.",
            "Compare records of `coilwright sweep` or `coilwright tune`.",
        )
    names = ("frequency_hz", "duty", "probe_v", "probe_sd_v", "supply_a", "supply_sd_a")
    steps = _steps(record)
    sweep = Sweep(
        record.path.stem,
        **{name: record[name][keep].astype(float) for name in names},
        averages=int(np.median(record["averages"][keep])),
        probe_over=(flags[keep] & int(Flag.PROBE_OVER)) != 0,
        probe_step_v=steps.probe_step_v,
        supply_step_a=steps.supply_step_a,
        light_step_v=steps.light_step_v,
    )
    light, over = record["light_v"].astype(float), (flags & int(Flag.LIGHT_OVER)) != 0
    if not np.isfinite(light[keep]).all() or over[keep].any():
        return sweep
    dark = light[(flags & int(Flag.OUTPUT_OFF)) != 0]
    dark_v = float(np.median(dark)) if dark.size else 0.0
    spread = record["light_sd_v"][keep].astype(float)
    return replace(sweep, light_v=light[keep] - dark_v, light_sd_v=spread)


def _steps(record: Record) -> Resolution:
    return resolution({} if record.metadata is None else record.metadata.facts)


def _gain(record: Record, name: str) -> float | None:
    told = record.metadata.facts.get("calibration") if record.metadata else None
    value = told.get(name) if isinstance(told, Mapping) else None
    if not isinstance(value, int | float) or not 0 < abs(value) < 1e6:
        return None
    return abs(float(value))


def _duties(sweep: Sweep) -> list[float]:
    """Duties at which a record holds a frequency sweep, the one with most points first."""
    found: dict[float, int] = {}
    for duty in np.unique(np.round(sweep.duty, 4)).tolist():
        near = np.abs(sweep.duty - duty) <= DUTY_BAND
        if len(np.unique(sweep.frequency_hz[near])) >= LEAST_POINTS:
            found[duty] = int(near.sum())
    if not found:
        raise BadRecord(
            f"{sweep.label} holds no frequency sweep: no duty has {LEAST_POINTS} frequencies.",
            "Compare records of frequency sweeps, `coilwright sweep --from … --to … --duty …`.",
        )
    return sorted(found, key=lambda duty: -found[duty])


def _common_duty(sweeps: Sequence[Sweep]) -> float | None:
    """The duty at which all records hold a sweep, the best kept one first."""
    every = [_duties(sweep) for sweep in sweeps]
    for duty in every[0]:
        if all(any(abs(duty - one) <= DUTY_BAND for one in some) for some in every[1:]):
            return float(duty)
    return None


def _at(sweep: Sweep, duty: float) -> Sweep:
    return sweep.part(np.abs(sweep.duty - duty) <= DUTY_BAND)


def _band(records: Sequence[Record], sweeps: Sequence[Sweep]) -> tuple[float, float]:
    lows = [float(sweep.frequency_hz.min()) for sweep in sweeps]
    highs = [float(sweep.frequency_hz.max()) for sweep in sweeps]
    low, high = max(lows), min(highs)
    if low >= high:
        first, second = records[highs.index(high)], records[lows.index(low)]
        raise NoResult(
            f"{first.path.name} ends at {show(high, 'Hz')} where {second.path.name} begins at "
            f"{show(low, 'Hz')}: they share no band.",
            "Sweep both over the same band.",
        )
    return low, high


def _within(record: Record, sweep: Sweep, band: tuple[float, float]) -> Sweep:
    f, slack = sweep.frequency_hz, 1e-3
    keep: NDArray[np.bool_] = (f >= band[0] * (1 - slack)) & (f <= band[1] * (1 + slack))
    if len(np.unique(f[keep])) < LEAST_POINTS:
        raise NoResult(
            f"{record.path.name} has {int(keep.sum())} points in the band that all records share, "
            f"{show(band[0], 'Hz')} to {show(band[1], 'Hz')}; {LEAST_POINTS} are needed.",
            "Sweep all over the same band.",
        )
    return sweep.part(keep)


def _left_out(
    records: Sequence[Record], duty: float | None, sweeps: Sequence[Sweep]
) -> tuple[dict[str, str], tuple[str, ...]]:
    left, remarks = dict[str, str](), list[str]()
    if duty is None:
        told = sorted({show_percent(float(np.median(sweep.duty))) for sweep in sweeps})
        why = f"the records were swept at different duties ({', '.join(told)})"
        left = dict.fromkeys((name for name in UNITS if name not in (RESONANCE, QUALITY)), why)
    gains = {gain for record in records if (gain := _gain(record, "probe_gain_v_per_v"))}
    if gains and max(gains) > min(gains) * (1 + SAME_GAIN):
        ends = f"{min(gains):.4g} and {max(gains):.4g}"
        left |= dict.fromkeys((PICKUP, PICKUP_SQUARE), f"the probe's gain differs ({ends} V/V)")
    blind = [record.path.name for record in records if record.metadata is None]
    if blind:
        remarks.append(
            f"Without metadata ({', '.join(blind)}) the sensors are taken for the same as those "
            "of the other records."
        )
    nameless = [record.path.name for record in records if not _steps(record).named]
    if nameless:
        remarks.append(
            f"No sensor is named in the metadata of {', '.join(nameless)}: they are taken for"
            f" converters in steps of {show(UNKNOWN.step_v, 'V')}, the coarsest known."
        )
    return left, tuple(remarks)


def _bench(records: Sequence[Record]) -> str:
    """Driver and supply sensor of a group, as far as its first record knows them."""
    words = (value_of(records[0], "driver.serial"), value_of(records[0], "board.supply_sensor"))
    return " ".join(word for word in words if word)


def _lit(record: Record) -> dict[str, Any] | None:
    """The setting that drew least of those seen lit: of a tune's results, or by the light level."""
    keep = ((record["flags"].astype(np.int64) & _UNUSABLE) == 0) & (record["duty"] > 0)
    if not keep.any():
        return None
    step_a = _steps(record).supply_step_a
    noise = float(np.median(mean_sd(record["supply_sd_a"][keep], record["averages"][keep], step_a)))
    told = record.metadata.facts.get("results") if record.metadata else None
    least = told.get("least_lit") if isinstance(told, Mapping) else None
    names = ("frequency_hz", "duty", "supply_a")
    if isinstance(least, Mapping) and all(isinstance(least.get(n), int | float) for n in names):
        found = {name: float(least[name]) for name in names}
        return {"record": record.path.stem, **found, "sd_a": noise}
    level = _gain(record, "light_level_v")
    if level is None:
        return None
    sweep = _sweep(record)
    lit = np.flatnonzero(sweep.light_v >= level) if sweep.light_v is not None else np.array([])
    if not lit.size:
        return None
    at = int(lit[np.argmin(sweep.supply_a[lit])])
    found = {name: float(getattr(sweep, name)[at]) for name in names}
    return {"record": record.path.stem, **found, "sd_a": noise}
