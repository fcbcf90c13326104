"""Grouping records by their metadata, and the ground they share or do not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coilwright.compare.figures import PICKUP, QUALITY, RESONANCE, UNITS
from coilwright.compare.records import common_ground, grouped, value_of
from coilwright.errors import BadRecord, NoResult
from coilwright.point import Flag, Point
from coilwright.record import Record, RecordInfo, RecordWriter, read_record


def written(
    path: Path,
    frequencies: np.ndarray | None = None,
    duty: float = 0.2,
    results: dict[str, Any] | None = None,
    rest_v: float | None = None,
    **info: Any,
) -> Record:
    """A record of a sweep with light of 0.5 V, supply of 50 mA and a pickup of 1 V."""
    f = np.linspace(150e3, 180e3, 41) if frequencies is None else frequencies
    with RecordWriter(path, RecordInfo(kind="sweep", **info)) as writer:
        if rest_v is not None:
            writer.write("rest", point(0, 150e3, 0.0, rest_v, Flag.OUTPUT_OFF))
        for i, hertz in enumerate(f.tolist()):
            writer.write("sweep", point(i, hertz, duty, 0.5, Flag.NONE))
        writer.finish("complete", results)
    return read_record(path)


def point(i: int, hertz: float, duty: float, light: float, flags: Flag) -> Point:
    return Point(
        i, 0.1 * i, round(hertz), duty, hertz, duty, 0.05, 1.0, light, 1e-3, 1e-3, 1e-3, 16, flags
    )


def test_groups_by_tag_note_and_fact(tmp_path: Path) -> None:
    records = [
        written(tmp_path / "a.csv", tags=("receiver=bare", "old"), note="first evening",
                driver={"serial": "17"}, settings={"averages": 32}),
        written(tmp_path / "b.csv", tags=("receiver=sleeved",), note="second evening",
                driver={"serial": "17"}, settings={"averages": 64}),
        written(tmp_path / "c.csv", tags=("receiver=bare",), note="second evening"),
    ]  # fmt: skip
    a, b, c = records
    assert grouped(records, "receiver") == {"bare": [a, c], "sleeved": [b]}
    assert grouped(records, "note") == {"first evening": [a], "second evening": [b, c]}
    assert grouped(records, "settings.averages") == {
        "32": [a], "64": [b], "without settings.averages": [c],
    }  # fmt: skip
    assert grouped(records, "tag")["old, receiver=bare"] == [a]
    assert grouped(records, None) == {"a": [a], "b": [b], "c": [c]}
    assert value_of(a, "driver.serial") == "17"
    assert value_of(a, "driver") == ""
    with pytest.raises(NoResult, match="colour") as refusal:
        grouped(records, "colour")
    assert "receiver=sleeved" in refusal.value.hint


def test_records_are_cut_to_the_band_they_share(tmp_path: Path) -> None:
    wide = written(tmp_path / "wide.csv", np.linspace(140e3, 190e3, 51))
    high = written(tmp_path / "high.csv", np.linspace(160e3, 200e3, 41))
    ground = common_ground(grouped([wide, high], None))
    assert ground.band_hz == (160e3, 190e3)
    for group in ground.groups:
        assert group.sweeps[0].frequency_hz.min() == pytest.approx(160e3)
        assert group.sweeps[0].frequency_hz.max() == pytest.approx(190e3)
    far = written(tmp_path / "far.csv", np.linspace(210e3, 250e3, 41))
    with pytest.raises(NoResult, match="share no band"):
        common_ground(grouped([wide, far], None))
    touching = written(tmp_path / "touching.csv", np.linspace(185e3, 250e3, 41))
    with pytest.raises(NoResult, match=r"touching\.csv has .* 12 are needed|wide\.csv has"):
        common_ground(grouped([wide, touching], None))


def test_a_duty_that_all_have_is_found_in_records_of_several(tmp_path: Path) -> None:
    f = np.linspace(150e3, 180e3, 41)
    path = tmp_path / "both.csv"
    with RecordWriter(path, RecordInfo(kind="tune")) as writer:
        for duty in (0.1, 0.2):
            for i, hertz in enumerate(f.tolist()):
                writer.write("sweep", point(i, hertz, duty, 0.5, Flag.NONE))
    one = written(tmp_path / "one.csv", duty=0.2004)
    ground = common_ground(grouped([read_record(path), one], None))
    assert ground.duty == pytest.approx(0.2, abs=0.001)
    assert len(ground.groups[0].sweeps[0].duty) == 41
    assert not ground.left_out


def test_other_duties_leave_resonance_and_q(tmp_path: Path) -> None:
    records = [written(tmp_path / "a.csv", duty=0.1), written(tmp_path / "b.csv", duty=0.2)]
    ground = common_ground(grouped(records, None))
    assert ground.duty is None
    assert set(UNITS) - set(ground.left_out) == {RESONANCE, QUALITY}
    assert "10 %, 20 %" in ground.left_out[PICKUP]


def test_other_probe_gains_leave_volts_out(tmp_path: Path) -> None:
    records = [
        written(tmp_path / f"{gain}.csv", calibration={"probe_gain_v_per_v": gain})
        for gain in (10.0, 20.0)
    ]
    ground = common_ground(grouped(records, None))
    assert PICKUP in ground.left_out
    assert "10 and 20 V/V" in ground.left_out[PICKUP]
    assert RESONANCE not in ground.left_out


def test_other_drivers_are_other_benches(tmp_path: Path) -> None:
    records = [
        written(tmp_path / f"{serial}.csv", driver={"serial": serial}) for serial in ("1", "2")
    ]
    first, second = common_ground(grouped(records, None)).groups
    assert first.bench != second.bench


def test_light_counts_from_the_dark_reading(tmp_path: Path) -> None:
    record = written(tmp_path / "a.csv", rest_v=0.1)
    light = common_ground(grouped([record], None)).groups[0].sweeps[0].light_v
    assert light is not None
    assert light == pytest.approx(0.4)


def test_lit_setting_is_that_of_the_tune(tmp_path: Path) -> None:
    least = {"frequency_hz": 170e3, "duty": 0.08, "supply_a": 0.012}
    tuned = written(tmp_path / "a.csv", results={"least_lit": least})
    by_level = written(tmp_path / "b.csv", calibration={"light_level_v": 0.3})
    ground = common_ground(grouped([tuned, by_level], None))
    assert ground.lit[0] == ((0.012, pytest.approx(1e-3 / 4)),)
    assert ground.lit[1][0][0] == pytest.approx(0.05)
    assert ground.settings[0]["duty"] == 0.08


def test_a_duty_sweep_is_refused(tmp_path: Path) -> None:
    record = written(tmp_path / "a.csv", np.full(30, 165e3))
    with pytest.raises(BadRecord, match="no frequency sweep"):
        common_ground(grouped([record], None))
