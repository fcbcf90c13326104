"""What a report says of a record, against the tune that made it."""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilwright.point import Flag
from coilwright.quantities import show, show_percent
from coilwright.record import Record, metadata_path, read_record
from coilwright.record.metadata import Metadata
from coilwright.report.by_kind import words_of
from coilwright.report.facts import ReportFacts, facts_of
from coilwright.report.measured import Measured, measured
from report.records import sweep_record, tune_record


def gathered(path: Path) -> tuple[Measured, ReportFacts]:
    record = read_record(path)
    found = measured(record)
    return found, facts_of(record, found)


def test_every_figure_of_a_tune_with_its_uncertainty(tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    result, _ = tune_record(path, note="before the tide", tags=("bare", "north"))
    _, facts = gathered(path)

    rows = {one.name: one for one in facts.findings}
    fit, lowest, setting = result.resonance, result.lowest, result.setting
    assert fit is not None
    assert lowest is not None
    resonance = rows["Resonance of the pickup"]
    assert resonance.value == f"{fit.frequency_hz / 1e3:.3f} kHz"
    low, high = (f"{end / 1e3:.3f}" for end in fit.frequency_ci_hz)
    assert resonance.interval == f"{low} to {high} kHz"
    assert rows["Q of the pickup"].interval.startswith(f"{fit.quality_factor_ci[0]:.1f} to ")
    assert rows["Lowest lit duty"].value == show_percent(lowest.duty)
    assert rows["Lowest lit duty"].interval.endswith(show_percent(lowest.duty_interval[1]))
    assert rows["Supply current there"].value == show(setting.supply_a, "A", 3)
    assert facts.warnings == result.warnings
    assert facts.summary.startswith("Drive at ")
    assert (facts.note, facts.tags) == ("before the tide", ("bare", "north"))
    assert facts.place is not None
    assert facts.place.frequency_hz == setting.frequency_hz
    headline = {entry.name: entry.text for entry in facts.headline}
    assert headline["Duty"] == show_percent(setting.duty)
    groups = {group.title: {e.name: e.text for e in group.entries} for group in facts.setup}
    assert groups["Driver"]["serial"] == "e6614c311b5a9f2d"
    assert groups["Calibration"]["supply gain"] == "0.5 A/V"
    assert groups["What was asked for"]["band"] == "100 kHz to 250 kHz"


def test_the_curve_is_the_tunes_own(tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    result, _ = tune_record(path)
    found, _ = gathered(path)

    assert found.fit is not None
    assert result.resonance is not None
    assert found.fit.by_tune
    grid = np.linspace(*result.resonance.window_hz, 50)
    assert found.fit.curve(grid) == pytest.approx(result.resonance.curve(grid), rel=1e-12)


def test_lit_is_what_the_tune_called_lit(tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    _, points = tune_record(path)
    found, _ = gathered(path)

    # The tune was asked for a rise of 0.2 V over the dark reading, its first with the output off.
    rest = [p for p in points if p.duty == 0][1]
    on = [p for p in points if p.duty > 0]
    lit = [p.light_v >= rest.light_v + 0.2 or Flag.LIGHT_OVER in p.flags for p in on]
    assert found.lit.tolist() == [int(one) for one in lit]
    assert 0 < sum(lit) < len(lit)
    assert found.lit_level_v == pytest.approx(rest.light_v + 0.2)


def test_answers_of_an_operator_are_taken_by_their_time(tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    _, points = tune_record(path, plan={"lit": "ask"})
    beside = metadata_path(path)
    document = json.loads(beside.read_text("utf-8"))
    (results,) = (n for n in document["notes"] if n["schema:name"] == "results")
    asked = [(points[5].time_s, True), (points[9].time_s, False)]
    results["schema:value"]["answers"] = [{"time_s": t, "lit": lit} for t, lit in asked]
    beside.write_text(json.dumps(document), "utf-8")

    found, _ = gathered(path)

    # By row of the record: readings with the output off are left out.
    known = {int(row): int(lit) for row, lit in zip(found.rows, found.lit, strict=True) if lit >= 0}
    assert known == {5: 1, 9: 0}
    assert found.lit_by == "operator"


def test_a_record_that_broke_off_is_fitted_anew(tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    tune_record(path, finish=False)
    found, facts = gathered(path)

    assert found.fit is not None
    assert not found.fit.by_tune
    low, high = found.fit.frequency_ci_hz
    assert found.fit.frequency_hz == pytest.approx(165e3, rel=0.01)
    assert low < found.fit.frequency_hz < high
    assert any("never finished" in text for text in facts.warnings)
    assert any("middle of a row" in text for text in facts.warnings)
    assert facts.place is not None
    assert facts.place.name == "peak of the pickup"
    assert (found.lit == 1).any()  # the level follows from plan, calibration and rest


def test_without_a_light_sensor(tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    tune_record(path, dark=True)
    found, facts = gathered(path)

    assert not found.has_light
    assert (found.lit_by, found.lit_level_v) == ("probe", 1.0)
    assert found.lit.tolist() == [int(v >= 1.0) for v in found.probe_v]
    assert {one.name: one.value for one in facts.findings}["Lit is told by"] == "pickup probe"


def test_a_plain_sweep(tmp_path: Path) -> None:
    path = tmp_path / "sweep.csv"
    sweep_record(path)
    found, facts = gathered(path)

    assert found.lit_by == ""
    assert (found.lit == -1).all()
    assert [one.name for one in facts.findings][:2] == [
        "Resonance of the pickup",
        "Q of the pickup",
    ]
    # Once fitted for the headline and the plots, once by `compare`: the same curve.
    assert facts.findings[0].value == facts.headline[0].text
    assert f"The pickup peaks at {facts.headline[0].text}" in facts.summary


def test_a_record_without_metadata(tmp_path: Path) -> None:
    path = tmp_path / "sweep.csv"
    sweep_record(path)
    metadata_path(path).unlink()
    found, facts = gathered(path)

    assert found.fit is not None
    assert facts.title == "Sweep"
    assert any("is missing" in text for text in facts.warnings)


junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Record:
    """A sound record of a tune."""
    path = tmp_path_factory.mktemp("sound") / "pier.csv"
    tune_record(path)
    return read_record(path)


@settings(max_examples=120)
@given(data=st.data())
def test_no_metadata_can_make_it_fail(sound: Record, data: st.DataObject) -> None:
    assert sound.metadata is not None
    facts: dict[str, Any] = json.loads(json.dumps(dict(sound.metadata.facts)))
    note = data.draw(st.sampled_from(sorted(facts)))
    spoiled = facts[note]
    for _ in range(data.draw(st.integers(0, 2))):
        inner = [key for key, value in spoiled.items() if isinstance(value, dict) and value]
        spoiled = spoiled[data.draw(st.sampled_from(inner))] if inner else spoiled
    spoiled[data.draw(st.sampled_from(sorted(spoiled)))] = data.draw(junk)
    damaged = Record(
        sound.path, sound.columns, sound.stages, sound.stage_codes,
        Metadata(sound.metadata.document, facts), sound.truncated, sound.warnings,
    )  # fmt: skip

    found = measured(damaged)

    assert facts_of(damaged, found).setup
    if found.fit is not None:
        assert np.isfinite(found.fit.curve(np.array([165e3]))).all()


KINDS: dict[str, dict[str, Any]] = {
    "limit": {
        "results": {
            "max_supply_a": 0.2, "target_a": 0.19, "band_hz": [150e3, 170e3], "complete": True,
            "table": [{"frequency_hz": 150e3, "duty": 0.1}, {"frequency_hz": 170e3, "duty": 0.3}],
            "attempts": [{"frequency_hz": 155e3, "supply_a": 0.19, "held": True}],
            "allowed_share": 0.35, "highest_supply_a": 0.195,
        }
    },
    "track": {
        "results": {
            "mode": "probe", "missed": 0,
            "moves": [{"time_s": t, "frequency_hz": 165e3 + t, "value": 1.0} for t in (0.0, 2.0)],
        }
    },
    "reach": {
        "plan": {
            "coil": {"coil_diameter": 0.06, "inner_diameter": None, "turns": 9, "pitch": 1e-3}
        },
        "marks": [
            {"stage": "refine", "distance_m": 0.01 * n, "lit": {"red": n < 3}} for n in (1, 2, 3, 4)
        ],
    },
}  # fmt: skip


def spoil(tree: Any, data: st.DataObject) -> None:
    """Put something else in one place of a tree."""
    while True:
        places = list(tree) if isinstance(tree, dict) else list(range(len(tree)))
        place = data.draw(st.sampled_from(places))
        if isinstance(tree[place], dict | list) and tree[place] and data.draw(st.booleans()):
            tree = tree[place]
            continue
        tree[place] = data.draw(junk | st.sampled_from([0, -1.0, 1e-300, 1e300, 10**400, math.nan]))
        return


@settings(max_examples=150)
@given(kind=st.sampled_from(sorted(KINDS)), data=st.data())
def test_no_record_of_another_kind_can_make_it_fail(
    sound: Record, kind: str, data: st.DataObject
) -> None:
    facts = copy.deepcopy(KINDS[kind])
    for _ in range(data.draw(st.integers(0, 2))):
        spoil(facts, data)
    odd = Record(
        sound.path, sound.columns, sound.stages, sound.stage_codes,
        Metadata({"dc:type": kind}, facts), sound.truncated, sound.warnings,
    )  # fmt: skip
    words = words_of(odd, kind)
    assert words is None or (words.summary and words.rows)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_the_kinds_as_they_are_told(sound: Record, kind: str) -> None:
    record = Record(
        sound.path, sound.columns, sound.stages, sound.stage_codes,
        Metadata({"dc:type": kind}, KINDS[kind]), sound.truncated, sound.warnings,
    )  # fmt: skip
    facts = facts_of(record, measured(record))
    wanted = {"limit": "no more than 200 mA", "track": "2 moves", "reach": "red 25"}[kind]
    assert wanted in facts.summary
    assert facts.headline
    assert facts.findings
