"""Records for the tests of reports: tunes and sweeps of the phasor bench, without hardware."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from coilwright.point import Point, Setpoint
from coilwright.record import RecordInfo, RecordWriter
from coilwright.tune import Stage, TuneOptions, TuneResult, tune
from coilwright.view.tune_text import advice, plain_words
from tune.bench_model import PhasorBench

DRIVER = {"maker": "Coilwright", "model": "resonant-driver", "serial": "e6614c311b5a9f2d"}
CALIBRATION = {"probe_gain_v_per_v": 1.0, "supply_gain_a_per_v": 0.5, "light_level_v": 0.2}
PLAN = {"purpose": "lowest-duty", "band": [100e3, 250e3], "lit": "light", "lit_level": None}


def tune_record(
    path: Path, *, finish: bool = True, dark: bool = False, **more: Any
) -> tuple[TuneResult, list[Point]]:
    """Tune the phasor bench and keep the record as `coilwright tune` does.

    Args:
        path: The CSV file.
        finish: Whether the record comes to its end; else it is cut off in the middle of a row.
        dark: Whether there is no light sensor; then the probe's level decides.
        more: Fields of `RecordInfo` in place of the usual ones.
    """
    bench = PhasorBench(chip="rp2", seed=4)
    plan = {**PLAN, "lit": "probe", "lit_level": 1.0} if dark else PLAN
    facts = {"driver": DRIVER, "calibration": CALIBRATION, "plan": plan, **more}
    writer = RecordWriter(path, RecordInfo(kind="tune", **facts))
    stage, points = ["rest"], []

    def keep(found: list[Point]) -> list[Point]:
        if dark:
            found = [replace(point, light_v=0.0, light_sd_v=0.0) for point in found]
        for point in found:
            writer.write(stage[0], point)
        points.extend(found)
        return found

    def begin(next_stage: Stage) -> None:
        stage[0] = next_stage.name

    (rest,) = keep([bench.rest()])
    options = TuneOptions(light_rise_v=0.2, lit=_probe_level() if dark else None)
    result = tune(lambda s: keep(bench.measure(s)), options, rest=rest, on_progress=begin)
    if finish:
        words = {"summary": plain_words(result), "advice": advice(result), "answers": []}
        writer.finish("complete", {**result.to_json(), "model": None, **words})
    else:
        writer._stream.close()  # type: ignore[union-attr]
        path.write_bytes(path.read_bytes()[:-31])
    return result, points


def _probe_level() -> Any:
    from coilwright.tune import ProbeLevel

    return ProbeLevel(1.0)


def sweep_record(path: Path, *, probe_hz: float = 165e3, duty: float = 0.2) -> None:
    """A plain sweep over frequency."""
    bench = PhasorBench(chip="rp2", seed=int(probe_hz), probe_hz=probe_hz)
    with RecordWriter(path, RecordInfo(kind="sweep", driver=DRIVER, calibration=CALIBRATION)) as w:
        for point in bench.measure([Setpoint(150_000 + 500 * i, duty) for i in range(61)]):
            w.write("sweep", point)


def limit_record(path: Path) -> None:
    """Caps of a current limit, two of them, and two tries."""
    hertz = (150_000.0, 160_000.0, 160_001.0, 170_000.0)
    caps = (0.1, 0.1, 0.25, 0.25)
    tries = [
        {"frequency_hz": f, "duty": d, "supply_a": a, "held": held}
        for f, d, a, held in ((155e3, 0.1, 0.19, True), (165e3, 0.25, 0.17, True))
    ]
    results = {
        "max_supply_a": 0.2, "target_a": 0.19, "band_hz": [150e3, 170e3], "complete": True,
        "table": [{"frequency_hz": f, "duty": d} for f, d in zip(hertz, caps, strict=True)],
        "attempts": tries, "allowed_share": 0.35, "highest_supply_a": 0.195, "warnings": ["Hot."],
    }  # fmt: skip
    bench = PhasorBench(chip="rp2")
    with RecordWriter(path, RecordInfo(kind="limit")) as writer:
        places = [Setpoint(f, d) for f in range(150_000, 171_000, 5000) for d in (0.05, 0.1)]
        for point in bench.measure(places):
            writer.write("grid", point)
        writer.finish("complete", results)


def track_record(path: Path) -> None:
    """A tracking of eight moves upwards, three missed."""
    moves = [
        {"index": i, "time_s": 0.5 * i, "frequency_hz": 165_000.0 + 200 * i, "value": 1 + 0.1 * i}
        for i in range(8)
    ]
    found_at = {"mode": "probe", "moves": moves, "missed": 3}
    bench = PhasorBench(chip="rp2")
    with RecordWriter(path, RecordInfo(kind="track")) as writer:
        for point in bench.measure([Setpoint(165_000 + 200 * i, 0.2) for i in range(8)]):
            writer.write("tracking", point)
        writer.finish("complete", found_at)


def reach_record(path: Path) -> None:
    """Distance steps: red is seen to 60 mm, blue to 40 mm, pickup as one ring's field."""
    coil = {"coil_diameter": 0.06, "inner_diameter": None, "turns": 1, "pitch": 0.001}
    (point,) = PhasorBench(chip="rp2").measure([Setpoint(165_000, 0.2)])
    with RecordWriter(path, RecordInfo(kind="reach", plan={"coil": coil})) as writer:
        for mm in range(20, 91, 10):
            stage = f"{mm // 10:03d} {mm} mm"
            volts = 2 * (0.03**2 + 0.02**2) ** 1.5 / (0.03**2 + (mm / 1e3) ** 2) ** 1.5
            writer.write(stage, replace(point, probe_v=volts))
            lit = {"red": mm <= 60, "blue": mm <= 40}
            writer.mark(stage, distance_m=mm / 1e3, lit=lit, by="light")
