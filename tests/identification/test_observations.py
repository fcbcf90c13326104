"""Readings taken from records, and the few that are chosen."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from coilwright.errors import BadRecord
from coilwright.identify.observations import LIGHT, PROBE, SUPPLY, nearest, observe, thin
from coilwright.point import Flag, Point
from coilwright.record import Record, RecordInfo, RecordWriter, read_record


def peak(hertz: np.ndarray, q: float = 40.0) -> np.ndarray:
    u = q * (hertz / 165e3 - 165e3 / hertz)
    return 10 / np.sqrt(1 + u * u)


def written(path: Path, count: int = 61, gain: float | None = None, **changes: float) -> Record:
    """A record of a peak over a falling supply current; `changes` hold columns still."""
    calibration = {} if gain is None else {"probe_gain_v_per_v": gain}
    info = RecordInfo(kind="sweep", calibration=calibration)
    with RecordWriter(path, info) as writer:
        for i, hertz in enumerate(np.linspace(140e3, 200e3, count)):
            columns = {
                "supply_a": 0.08 - 3e-7 * (hertz - 140e3),
                "probe_v": float(peak(np.array(hertz))),
                "light_v": 0.0,
                "flags": Flag.NONE,
            } | changes
            writer.write(
                "sweep",
                Point(i, 0.01 * i, round(hertz), 0.3, hertz, 0.3, columns["supply_a"],
                      columns["probe_v"], columns["light_v"], 1e-4, 1e-3, 1e-3, 32,
                      Flag(int(columns["flags"]))),
            )  # fmt: skip
    return read_record(path)


def test_a_channel_that_shows_nothing_is_left_out(tmp_path: Path) -> None:
    seen = observe([written(tmp_path / "a.csv")])
    assert seen.used[SUPPLY].all()
    assert seen.used[PROBE].all()
    assert not seen.used[LIGHT].any()


def test_a_probe_out_of_range_keeps_the_supply_current(tmp_path: Path) -> None:
    seen = observe([written(tmp_path / "a.csv", flags=int(Flag.PROBE_OVER))])
    assert seen.used[SUPPLY].all()
    assert not seen.used[PROBE].any()


def test_pickup_is_in_volts_across_the_probe_whatever_the_calibration(tmp_path: Path) -> None:
    raw = observe([written(tmp_path / "a.csv", gain=1.0)], divider=0.1)
    told = observe([written(tmp_path / "b.csv", gain=10.0)], divider=0.1)
    assert raw.reading[PROBE] == pytest.approx(10 * told.reading[PROBE])
    assert raw.sd[PROBE] == pytest.approx(10 * told.sd[PROBE])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"flags": int(Flag.OUTPUT_OFF)}, "no point with the output on"),
        ({"count": 7}, "7 points"),
        ({"supply_a": 0.05, "probe_v": 0.0}, "neither supply current nor pickup"),
    ],
)
def test_a_record_without_use_is_refused_with_a_hint(
    tmp_path: Path, changes: dict[str, float], says: str
) -> None:
    record = written(tmp_path / "a.csv", **changes)  # type: ignore[arg-type]
    with pytest.raises(BadRecord, match=says) as caught:
        observe([record])
    assert caught.value.hint


def test_chosen_points_crowd_where_the_curve_changes(tmp_path: Path) -> None:
    seen = observe([written(tmp_path / "a.csv", count=241)])
    chosen = seen.frequency_hz[thin(seen, 30)]
    near = np.abs(chosen - 165e3) < 6e3
    assert 25 <= len(chosen) <= 30
    assert near.sum() > 2 * len(chosen) * 12 / 60
    assert chosen.min() < 145e3
    assert chosen.max() > 195e3


def test_every_record_keeps_its_share(tmp_path: Path) -> None:
    seen = observe([written(tmp_path / f"{i}.csv", count=20 + 60 * i) for i in (1, 2)])
    chosen = seen.record[thin(seen, 32)]
    assert [int((chosen == i).sum()) for i in (0, 1)] == pytest.approx([16, 16], abs=1)


def test_the_nearest_point_is_of_the_same_record(tmp_path: Path) -> None:
    seen = observe([written(tmp_path / "a.csv", 61), written(tmp_path / "b.csv", 61)])
    chosen = seen.at(np.array([0, 30, 60, 61 + 20, 61 + 55]))
    assert nearest(chosen, seen)[[2, 28, 59, 61, 61 + 40]].tolist() == [0, 1, 2, 3, 4]
