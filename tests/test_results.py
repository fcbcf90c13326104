"""Results as JSON and back; the sentences where they cannot be read."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pytest

import coilwright
from coilwright.errors import BadRecord
from coilwright.kept_results import LimitKept, TuneKept
from coilwright.record import Record, read_record
from coilwright.record.metadata import Metadata
from coilwright.report import told
from coilwright.results import Result

RECORD = Path(__file__).parent / "identification" / "ngspice-15.csv"


@dataclass(frozen=True, slots=True)
class Buoy(Result):
    """A result of these tests."""

    name: str
    reach_m: float | None
    colours: tuple[str, ...] = ()


def test_there_and_back(tmp_path: Path) -> None:
    buoy = Buoy("pier", 0.031, ("red", "green"))
    kept = buoy.to_json()
    assert kept["version"] == 1
    assert Buoy.from_json(kept) == buoy
    assert Buoy.from_json(json.dumps(kept)) == buoy
    (tmp_path / "b.json").write_text(json.dumps(kept), encoding="utf-8")
    assert Buoy.from_json(tmp_path / "b.json") == buoy
    assert Buoy("pier", float("nan")).to_json()["reach_m"] is None
    assert Buoy.from_json({**kept, "added_later": 3}) == buoy


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        ({"name": "pier"}, "reach_m"),
        ({"name": "pier", "reach_m": "far"}, r"\$.reach_m"),
        ({"version": 2, "name": "pier", "reach_m": 1.0}, "version 2"),
        ("[1, 2]", "version"),
        ("{", "cannot be read back"),
        (Path("nowhere.json"), "nowhere.json"),
    ],
)
def test_what_is_wrong_is_named(kept: dict[str, object] | str | Path, said: str) -> None:
    with pytest.raises(BadRecord, match=said):
        Buoy.from_json(kept)


def with_results(results: object) -> Record:
    record = read_record(RECORD)
    meta = record.metadata
    assert meta is not None
    facts = {**meta.facts, "results": results}
    changed = Metadata(meta.document, facts)
    return Record(
        record.path, record.columns, record.stages, record.stage_codes, changed, False, ()
    )


def test_a_field_that_is_not_as_meant_takes_no_other_with_it() -> None:
    record = with_results(
        {
            "setting": {"frequency_hz": 165e3, "duty": "much", "supply_a": 0.03},
            "resonance": {"frequency_hz": 164e3, "frequency_ci_hz": [2.0, 1.0], "message": 3},
            "reason": "the\x07 pickup",
            "harmonic": 10**400,
        }
    )
    kept = told.results(record, TuneKept)
    assert kept.setting is not None
    assert (kept.setting.frequency_hz, kept.setting.duty) == (165e3, None)
    assert kept.setting.supply_a == 0.03
    assert kept.resonance is not None
    assert (kept.resonance.frequency_hz, kept.resonance.frequency_ci_hz) == (164e3, None)
    assert (kept.reason, kept.harmonic, kept.resonance.message) == ("the pickup", None, None)


@pytest.mark.parametrize("results", [None, 3, [], {"table": {"a": 1}}, {"table": [[]]}])
def test_results_of_anything(results: object) -> None:
    assert told.results(with_results(results), LimitKept).table == []


def test_in_a_notebook() -> None:
    found = coilwright.coil(diameter=0.06, turns=7, wire="0.8mm", frequency=165e3)
    html = found._repr_html_()
    assert "<td>at frequency, frequency</td><td>165 kHz</td>" in html
    assert (
        "<script"
        not in coilwright.coil(diameter=0.06, turns=1, shape="loop", wire="0.8mm")._repr_html_()
    )
    frame = read_record(RECORD).to_frame()
    assert list(frame.columns[:2]) == ["stage", "index"]
    assert frame["frequency_hz"].iloc[0] == read_record(RECORD)["frequency_hz"][0]
