"""The JSON of every command is a contract: each command against the answer frozen beside this file.

Files in `values/` hold figures, those in `keys/` only the keys and the kinds of the values, where
the figures are noisy or have tests of their own. A change that is meant: run this file with
`COILWRIGHT_FREEZE=1`, look at the difference, and tell of it in CHANGELOG.md.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from cli.commandline import run_json
from coilwright.circuit import _kernel
from coilwright.cli import cli

HERE = Path(__file__).parent
RECORDS = HERE.parent / "identification"
FREEZE = bool(os.environ.get("COILWRIGHT_FREEZE"))
LONG = 12
"""Lists of more numbers are frozen as their length, ends and mean."""
SAME, NOTHING = (1e-6, 1e-15) if _kernel.in_use() else (1e-2, 1e-3)
"""Another processor's last digits, and what a solver's iterations make of them. NumPy solves the
points of a sweep with steps in common, so that each depends a little on its company."""

COIL = "coil --diameter 60mm --turns 7 --wire 0.8mm --pitch 1mm --frequency 165k"
DRUM = "coil --drum 1.5m --resistance 9 --self-resonance 1.2M --frequency 165k"
VALUES = {
    "coil": COIL,
    "coil-wanted": "coil --diameter 60mm --want 9.6u --wire 0.8mm --pitch 1mm --frequency 165k",
    "coil-drum": DRUM,
    "tank": "tank --inductance 9.6u --frequency 165k",
    "tank-soft": "tank --inductance 9.6u --frequency 165k --duty 40% --build harbour --draws 300",
    "predict": "predict harbour --frequency 165k --duty 30%",
    "predict-sweep": "predict harbour --duty 30% --sweep 160k:170k:3",
    "cost": "cost harbour --kit-price 20 --kit-lamps 4 --shipping 5",
    "steps": "steps 165k --chip rp2040",
    "steps-band": "steps --band 165k:165.5k --chip esp32",
    "reach": "reach --points 5 --colours red --field-at 50mm",
}
KEYS = {
    "compare": f"compare {RECORDS}/ngspice-15.csv {RECORDS}/ngspice-35.csv --no-plot",
    "report": f"report {RECORDS}/ngspice-15.csv -o page.html",
    "records-list": f"records list {RECORDS}",
}
SIM = "--port sim://harbour?chip=rp2040&seed=4"
AT_THE_BENCH = {
    "status": "status",
    "check": "check",
    "sweep": "sweep --from 150k --to 180k --duty 10% --points 11",
    "tune": "tune --band 140k:200k",
    "limit": "limit --max-current 150mA --band 160k:176k --points 24 --settle 4m",
    "track": "track --frequency 165k --duty 10% --interval 0.04 --minutes 0.05",
    "calibrate-probe": "calibrate probe --at 150k:10%=1.97V --at 165k:10%=10.1V --dry-run",
    "calibrate-light": "calibrate light --dry-run",
    "calibrate-lit": "calibrate lit --dark-at 165k:2% --lit-at 165k:20% --dry-run",
    "reach-measured": "reach --measure --frequency 165k --duty 12% --distances 20mm,40mm"
    " --colour red --lit light --lit-level 400mV",
}


@pytest.mark.parametrize("name", VALUES)
def test_what_a_command_answers(name: str) -> None:
    check("values", name, _shortened(_answer(VALUES[name])))


@pytest.mark.parametrize("name", KEYS)
def test_the_keys_of_an_answer(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    kinds = _kinds(_answer(KEYS[name]))
    check("keys", name, sorted(kind.replace(f"{RECORDS}/", "") for kind in kinds))


@pytest.mark.micropython
@pytest.mark.parametrize("name", AT_THE_BENCH)
def test_the_keys_of_an_answer_at_the_bench(name: str, tmp_path: Path) -> None:
    answer = run_json(*AT_THE_BENCH[name].split(), *SIM.split(), cwd=tmp_path)
    check("keys", name, sorted(_kinds(answer)))
    if isinstance(answer.get("log"), str):
        record = Path(tmp_path / f"{answer['log']}-metadata.json")
        kept = json.loads(record.read_text(encoding="utf-8"))
        check("keys", f"{name}-record", sorted(_kinds(kept)))


def check(folder: str, name: str, answer: Any) -> None:
    """Compare with the frozen answer, or freeze it."""
    file = HERE / folder / f"{name}.json"
    if FREEZE:
        file.parent.mkdir(exist_ok=True)
        file.write_text(json.dumps(answer, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    frozen = json.loads(file.read_text(encoding="utf-8"))
    if folder == "keys":
        assert answer == frozen
    else:
        _same(answer, frozen, name)


def _answer(line: str) -> Any:
    done = CliRunner().invoke(cli, [*line.split(), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def _same(value: Any, frozen: Any, where: str) -> None:
    """The same keys in the same order, texts and truths, and numbers but for their last digits."""
    if isinstance(frozen, dict):
        assert isinstance(value, dict), where
        assert list(value) == list(frozen), where
        for key, item in frozen.items():
            _same(value[key], item, f"{where}.{key}")
    elif isinstance(frozen, list):
        assert isinstance(value, list), where
        assert len(value) == len(frozen), where
        for index, item in enumerate(frozen):
            _same(value[index], item, f"{where}[{index}]")
    elif ".residual" in where:  # what an iteration leaves is nothing but last digits
        assert abs(value) < 1e-4, where
    elif isinstance(frozen, float):
        assert value == pytest.approx(frozen, rel=SAME, abs=NOTHING), where
    else:
        assert value == frozen, where


def _shortened(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _shortened(item) for key, item in value.items()}
    if isinstance(value, list):
        numbers = all(isinstance(item, int | float) for item in value)
        if numbers and len(value) > LONG:
            mean = sum(map(abs, value)) / len(value)
            return {"length": len(value), "ends": [value[0], value[-1]], "mean size": mean}
        return [_shortened(item) for item in value]
    return value


def _kinds(value: Any, where: str = "") -> set[str]:
    """Each place of an answer with the kind of its value; the items of a list are one place."""
    if isinstance(value, dict):
        items = [_kinds(item, f"{where}.{key}") for key, item in value.items()]
        return {f"{where} object"}.union(*items)
    if isinstance(value, list):
        return {f"{where} list"}.union(*(_kinds(item, f"{where}[]") for item in value))
    if value is None:
        return {f"{where} null"}
    kind = {bool: "truth", str: "text"}.get(type(value), "number")
    return {f"{where} {kind}"}
