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
