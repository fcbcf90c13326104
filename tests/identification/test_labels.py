"""Parts that contradict their label: found, named, and fitted without it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coilwright.build import load_build
from coilwright.identify.fit import Fit, Fitted
from coilwright.identify.identification import THOROUGH
from coilwright.identify.labels import Contradiction, contradiction, freed, without_label
from coilwright.identify.model import Given, Parameter, parameters
from identification.test_fit import SENSORS, PowerLaws

WITHIN = 0.05
SPREAD = WITHIN / 3**0.5


def labelled(model: PowerLaws, truth: np.ndarray, given: int = -1) -> tuple[Fit, Fitted]:
    """A fit of parts that are all labelled 2 within 5 %."""
    model.fitted = [
        replace(one, limit=WITHIN, given=i == given) for i, one in enumerate(model.fitted)
    ]
    model.seen = model.observed(truth, 1e-3)
    fit = Fit(model, SENSORS)  # type: ignore[arg-type]
    return fit, fit.run(fit.unknown(np.full(len(truth), 2.0)), THOROUGH, lambda text: None)


def named(fit: Fit, found: Fitted) -> Contradiction | None:
    return contradiction(fit.model.fitted, found)


def again(fit: Fit, fitted: list[Parameter], found: Fitted) -> Fitted:
    fit.model.fitted = fitted
    fresh = Fit(fit.model, SENSORS)
    return fresh.run(fresh.unknown(found.values), THOROUGH, lambda text: None)


def test_without_its_label_a_value_is_what_the_rest_says() -> None:
    # Worked by hand: readings say 3 with a variance of 0.5, the label 0 with 1; together they say
    # 3 · 2/(2 + 1) = 2 with 1/(2 + 1).
    mean, sd = without_label(2.0, 1 / 3)
    assert mean == pytest.approx(3.0)
    assert sd == pytest.approx(0.5**0.5)


@pytest.mark.parametrize("share", [0.2, -0.15])
def test_the_part_outside_is_named_and_intervals_hold_without_its_label(share: float) -> None:
    model = PowerLaws([SPREAD] * 3, seed=9)
    truth = np.array([2.0, 2.0 * (1 + share), 2.04])
    fit, found = labelled(model, truth)
    told = contradiction(model.fitted, found)
    assert told is not None
    assert told.places == (1,)
    free = again(fit, freed(model.fitted, told), found)
    spread = np.array([one.spread for one in model.fitted])
    sd = spread * np.sqrt(np.diag(free.covariance)[:3])
    assert (np.abs(np.log(free.values / truth)) < 3 * sd).all()
    assert contradiction(model.fitted, free) is None


def test_parts_within_their_tolerance_are_not_named() -> None:
    for seed in range(40):
        model = PowerLaws([SPREAD] * 3, seed=seed)
        truth = 2 * (1 + WITHIN * model.random.uniform(-1, 1, 3))
        assert named(*labelled(model, truth)) is None


@pytest.mark.parametrize(("share", "outside"), [(-0.45, False), (0.45, False), (0.6, True)])
def test_wide_tolerances_have_two_sides(share: float, outside: bool) -> None:
    model = PowerLaws([0.5])
    model.fitted = [replace(model.fitted[0], limit=0.5, spread=0.32)]
    model.seen = model.observed(np.array([2 * (1 + share)]), 1e-3)
    fit = Fit(model, SENSORS)  # type: ignore[arg-type]
    found = fit.run(fit.unknown(np.full(1, 2.0)), THOROUGH, lambda text: None)
    assert (named(fit, found) is not None) is outside


def test_what_only_their_product_tells_is_said_of_both() -> None:
    model = PowerLaws([SPREAD] * 2)
    model.power[:, :, 1] = model.power[:, :, 0]
    told = named(*labelled(model, np.array([2.5, 2.0])))
    assert told is not None
    assert told.places == (0, 1)


def test_a_label_is_doubted_before_what_was_measured() -> None:
    model = PowerLaws([SPREAD] * 2)
    model.power[:, :, 1] = model.power[:, :, 0]
    told = named(*labelled(model, np.array([2.5, 2.0]), given=1))
    assert told is not None
    assert told.places == (0,)


def test_only_stated_tolerances_are_labels() -> None:
    found = parameters(load_build("harbour"), {"coil.inductance": Given(9.6e-6, 0.01)})
    limits = {one.key: one.limit for one in found}
    assert limits["probe.capacitance"] == pytest.approx(0.05)
    assert limits["receiver[0].coupling"] is None
    assert limits["coil.inductance"] == pytest.approx(0.015)
