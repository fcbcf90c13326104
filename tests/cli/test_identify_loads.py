"""`coilwright identify --lamps`: a sweep of the bare driver and one with its lamps, jointly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cli.commandline import run_json
from coilwright.build import load_build
from coilwright.identify import keys
from identification.bench_records import Bench

SEED = 11
TRUE = load_build("harbour").drawn(SEED)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What identify makes of both records."""
    here: Path = tmp_path_factory.mktemp("loads")
    bench, hertz = Bench(TRUE, SEED), np.linspace(132e3, 208e3, 27).round().tolist()
    bench.sweep(here / "bare.csv", hertz, 0.35, {0: 0})
    bench.sweep(here / "lamps.csv", hertz, 0.35)
    capacitance = keys.value(TRUE, "tank.capacitance")
    return dict(
        run_json("identify", "bare.csv", "lamps.csv", "--build", "harbour", "--lamps",
                 "bare.csv:buoys=0", "--given", f"tank.capacitance={capacitance}F±1%", cwd=here)
    )  # fmt: skip


def test_one_set_of_values_follows_both_records(found: dict[str, Any]) -> None:
    # Lamps change the supply current severalfold: with the load untold no values could.
    assert [record["record"] for record in found["records"]] == ["bare", "lamps"]
    for record in found["records"]:
        assert record["supply_rms"] < 1.5
        assert record["probe_rms"] < 1.5


@pytest.mark.parametrize(
    ("key", "within"),
    [("coil.inductance", 0.02), ("receiver[0].coupling", 0.1), ("probe.coupling", 0.1)],
)
def test_values_are_near_the_truth(found: dict[str, Any], key: str, within: float) -> None:
    assert found["parts"][key]["value"] == pytest.approx(keys.value(TRUE, key), rel=within)
