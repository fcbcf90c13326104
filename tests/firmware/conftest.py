"""Fixtures of the firmware's tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware.rig import Rig


@pytest.fixture(autouse=True)
def no_collections(monkeypatch: pytest.MonkeyPatch) -> None:
    """The firmware collects often; of a whole test run's objects that takes long on CPython."""
    monkeypatch.setattr("gc.collect", lambda: 0)


@pytest.fixture(params=["esp32", "rp2"])
def rig(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Rig:
    """A driver on either chip, freshly powered on."""
    monkeypatch.chdir(tmp_path)
    if request.param == "rp2":
        supply = {"sensor": "adc", "pin": 34, "shunt_uohm": 100000, "amp": 20}
        return Rig(tmp_path, chip="rp2", gate=2, supply=supply)
    return Rig(tmp_path)


@pytest.fixture
def esp32(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Rig:
    """A driver on the ESP32."""
    monkeypatch.chdir(tmp_path)
    return Rig(tmp_path)
