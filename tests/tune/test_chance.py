"""The probability of being lit: against scipy's distributions."""

import numpy as np
import pytest
from scipy import stats

from coilwright.point import Flag, Point
from coilwright.tune import LightLevel, Operator
from coilwright.tune.chance import chance


def point(light_v: float, sd_v: float = 0.0, flags: Flag = Flag.NONE) -> Point:
    return Point(0, 0.0, 165_000, 0.02, 165e3, 0.02, 0.03, 1.0, light_v, 0.0, 0.0, sd_v, 16, flags)


def test_readings_give_the_normal_probability_of_the_next_one() -> None:
    readings = [1.01, 1.03, 1.02, 1.06]
    found = chance([point(v) for v in readings], [True] * 4, LightLevel(0.0, 1.0))
    spread = np.std(readings, ddof=1) * np.sqrt(1 + 1 / 4)
    assert found.lit == pytest.approx(stats.norm.sf(1.0, np.mean(readings), spread))
    assert (found.by, found.seen) == ("readings", 4)


def test_the_noise_of_the_conversions_counts_where_the_readings_agree_by_luck() -> None:
    found = chance([point(1.01, 0.08)] * 3, [True] * 3, LightLevel(0.0, 1.0))
    assert found.lit == pytest.approx(stats.norm.sf(1.0, 1.01, 0.08 / 4 * np.sqrt(4 / 3)))


def test_the_level_itself_is_an_even_chance() -> None:
    found = chance([point(0.99), point(1.01)], [False, True], LightLevel(0.0, 1.0))
    assert found.lit == pytest.approx(0.5)


@pytest.mark.parametrize(("seen", "mean"), [([True] * 3, 3.5 / 4), ([True, False], 0.5)])
def test_answers_give_the_beta_posterior(seen: list[bool], mean: float) -> None:
    found = chance([point(0.0)] * len(seen), seen, Operator(lambda _: True))
    posterior = stats.beta(sum(seen) + 0.5, len(seen) - sum(seen) + 0.5)
    assert found.lit == pytest.approx(posterior.mean()) == pytest.approx(mean)
    assert found.by == "answers"


def test_a_clipped_reading_is_an_answer() -> None:
    found = chance([point(3.0, flags=Flag.LIGHT_OVER)], [True], LightLevel(0.0, 1.0))
    assert (found.by, found.lit) == ("answers", 0.75)
