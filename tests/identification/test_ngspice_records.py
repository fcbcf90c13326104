"""Identification from records that ngspice made, not the project's own solver.

`make_ngspice_records.py` writes them; they are committed, so ngspice is not needed here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from coilwright.build import Build
from coilwright.circuit.steady_state import SteadyState, solve_draws
from coilwright.identify import identification, keys, model
from coilwright.identify.identification import identify
from coilwright.identify.identified import Identified, summarize
from coilwright.identify.model import Given
from coilwright.identify.sensors import LARGEST_MODEL_ERROR
from coilwright.record import read_record
from identification.make_ngspice_records import FOLDER, TRUTH, built, planned

COMPARING: list[bool] = []
"""Whether each batch that was solved for the comparison and the plot was a rough one."""


SUMMED: list[tuple[Any, ...]] = []
"""What was put into words."""


@pytest.fixture(scope="module")
def found() -> Iterator[Identified]:
    said: list[str] = [""]

    def watched(*args: Any, **rest: Any) -> SteadyState:
        if said[-1].startswith("comparing"):
            COMPARING.append(rest.get("rough", False))
        return solve_draws(*args, **rest)

    records = [read_record(FOLDER / f"ngspice-{duty}.csv") for duty in (15, 35)]
    given = {"coil.inductance": Given(TRUTH["coil.inductance"], 0.01)}

    def kept(*args: Any) -> Identified:
        SUMMED.append(args)
        return summarize(*args)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(model, "solve_draws", watched)
        patch.setattr(identification, "summarize", kept)
        yield identify(records, planned(), given=given, say=said.append)


def resonance(build: Build, part: str) -> float:
    product = keys.value(build, f"{part}.inductance") * keys.value(build, f"{part}.capacitance")
    return 1 / (2 * math.pi * math.sqrt(product))


@pytest.mark.parametrize(
    ("key", "within"),
    [
        ("tank.capacitance", 0.02),
        ("coil.inductance", 0.02),
        ("receiver[0].coupling", 0.1),
        ("probe.coupling", 0.1),
        ("coil.resistance", 0.05),
        ("loop.inductance", 0.02),
    ],
)
def test_values_are_near_the_truth(found: Identified, key: str, within: float) -> None:
    assert found.part(key).value == pytest.approx(TRUTH[key], rel=within)


@pytest.mark.parametrize("part", ["probe", "receiver[0]"])
def test_receivers_resonate_where_they_do(found: Identified, part: str) -> None:
    assert resonance(found.built, part) == pytest.approx(resonance(built(), part), rel=0.002)


def test_intervals_hold_the_truth(found: Identified) -> None:
    parts = zip(found.keys, found.parts, strict=True)
    inside = [part.low <= TRUTH[key] <= part.high for key, part in parts]
    assert sum(inside) >= 0.9 * len(inside)


def test_the_curves_follow_the_records(found: Identified) -> None:
    for record in found.records:
        for channel in (0, 1):
            rms = record.rms(channel)
            assert rms is not None
            assert rms < 1.5


def test_rough_solutions_are_never_shown(found: Identified) -> None:
    """They find the way; a few in a thousand are off by a tenth and more, as spikes in a plot."""
    assert found.settled
    assert COMPARING == [False]


def test_the_models_error_is_told_by_the_records(found: Identified) -> None:
    error = SUMMED[0][1].model_error / LARGEST_MODEL_ERROR
    assert found.settled
    assert (error <= 1.0001).all()
    assert error[0] < 0.9


def test_a_fit_that_did_not_settle_shows_no_narrow_interval(found: Identified) -> None:
    plan, fit, fitted, *rest = SUMMED[0]
    stopped = summarize(plan, fit, replace(fitted, converged=False), *rest)
    assert not stopped.settled
    assert "did not settle" in stopped.remarks[0]
    for key, part, before in zip(found.keys, stopped.parts, found.parts, strict=True):
        assert part.source == "not settled"
        assert part.low <= part.value <= part.high
        spread = fit.spread[found.keys.index(key)]
        assert math.log(part.high / part.low) > 1.6 * 2 * spread  # 95 % of what was planned
        assert part.high / part.low > 0.9 * before.high / before.low


def test_it_says_what_comes_from_where(found: Identified) -> None:
    assert found.part("coil.inductance").source == "given"
    assert found.part("tank.capacitance").source == "records"
    told = " ".join(found.unclear)
    # A probe's peak tells its frequency; inductance against capacitance it cannot tell.
    assert "probe.inductance" in told
    assert "probe.capacitance" in told
