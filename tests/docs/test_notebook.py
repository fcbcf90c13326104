"""The examples of docs/notebook.md run as they stand there, one after the other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

PAGE = Path(__file__).resolve().parents[2] / "docs" / "notebook.md"


@pytest.mark.micropython
def test_the_examples_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    examples = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.M | re.S)
    for example in examples:
        exec(compile(example, str(PAGE), "exec"), names)
    told = capsys.readouterr().out
    assert len(examples) >= 4
    assert "most pickup at 16" in told  # the harbour's lamps are made for 165 kHz
    assert len(list((tmp_path / "runs").glob("*.csv"))) == 3
