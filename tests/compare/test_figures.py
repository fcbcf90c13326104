"""Sweeps side by side: figures, intervals, differences."""

import json

import numpy as np
import pytest

from coilwright.compare import Comparison, Group, Sweep, compare, compare_groups, figures
from coilwright.tune.lineshape import Shape, lineshape

F = np.linspace(150e3, 180e3, 81)
PROBE = Shape(1.0, 165e3, 46.0)


def sweep(seed: int, shape: Shape = PROBE, supply_a: float = 0.2, label: str = "A") -> Sweep:
    """A sweep with 5 mV and 2 mA of noise a conversion, 16 conversions a reading."""
    rng = np.random.default_rng(seed)
    return Sweep(
        label=label,
        frequency_hz=F,
        duty=np.full(F.size, 0.2),
        probe_v=lineshape(F, shape) + rng.normal(0, 5e-3 / 4, F.size),
        probe_sd_v=np.full(F.size, 5e-3),
        supply_a=supply_a + 1e-7 * (F - 165e3) + rng.normal(0, 2e-3 / 4, F.size),
        supply_sd_a=np.full(F.size, 2e-3),
        averages=16,
    )


def row(found: Comparison, name: str):
    return next(r for r in found.rows if r.name == name)


def test_figures_are_the_true_ones() -> None:
    found = compare([sweep(1)])
    values = {r.name: r.estimates[0] for r in found.rows}
    truth = {"resonance": 165e3, "quality factor": 46.0, "peak pickup": 1.0, "supply at peak": 0.2}
    for name, true in truth.items():
        estimate = values[name]
        assert estimate is not None
        assert estimate.low < estimate.value < estimate.high
        assert estimate.value == pytest.approx(true, abs=4 * estimate.sd)
        assert estimate.sd < 0.02 * true
    assert [r.unit for r in found.rows] == ["Hz", "", "V", "A", "V²/A"]
    square = values["pickup squared per ampere"]
    assert square is not None
    assert square.value == pytest.approx(1.0**2 / 0.2, abs=4 * square.sd)
    assert found.remarks == ("",)


def test_equal_sweeps_differ_in_five_per_cent_of_cases() -> None:
    """By the meaning of a 95 % interval: 300 pairs, four figures."""
    differs = np.array(
        [[r.differences[0].differs for r in compare([sweep(i), sweep(1000 + i)]).rows]
         for i in range(300)]
    )  # fmt: skip
    assert (differs.mean(axis=0) > 0.01).all()
    assert (differs.mean(axis=0) < 0.09).all()


def test_a_true_difference_is_seen_with_its_size() -> None:
    other = sweep(2, Shape(0.9, 165.5e3, 40.0), 0.25, "B")
    found = compare([sweep(1), other])
    assert found.labels == ("A", "B")
    for name, true in (
        ("resonance", 500.0),
        ("quality factor", -6.0),
        ("peak pickup", -0.1),
        ("supply at peak", 0.05),
    ):
        difference = row(found, name).differences[0]
        assert difference is not None
        assert difference.differs
        assert difference.estimate.value == pytest.approx(true, abs=4 * difference.estimate.sd)


def test_a_sweep_without_a_peak_has_a_remark_and_no_figures() -> None:
    bare = sweep(3)
    bare = Sweep(
        "loop", F, bare.duty, 165e3 / F, bare.probe_sd_v, bare.supply_a, bare.supply_sd_a, 16
    )
    found = compare([sweep(1), bare])
    assert found.fits[1] is None
    assert "coil current" in found.remarks[1]
    assert all(r.estimates[1] is None and r.differences == (None,) for r in found.rows)
    tree = json.loads(json.dumps(found.to_json(), allow_nan=False))
    assert tree["rows"][0]["estimates"][1] is None


def test_points_of_a_duty_search_in_the_record_do_not_disturb() -> None:
    """A tune's record: the sweep, then one frequency at many duties."""
    clean = sweep(1)
    extra = np.linspace(0.02, 0.18, 15)

    def more(a: np.ndarray, b: np.ndarray | float) -> np.ndarray:
        return np.concatenate([a, np.broadcast_to(b, extra.shape)])

    tuned = Sweep(
        "T",
        more(F, 165e3),
        more(clean.duty, extra),
        more(clean.probe_v, 5 * extra),
        more(clean.probe_sd_v, 5e-3),
        more(clean.supply_a, extra),
        more(clean.supply_sd_a, 2e-3),
        16,
        more(np.zeros(F.size), 0.0),
    )
    for a, b in zip(compare([clean]).rows, compare([tuned]).rows, strict=True):
        assert a.estimates == b.estimates


def test_json_holds_every_figure() -> None:
    tree = json.loads(json.dumps(compare([sweep(1), sweep(2, label="B")]).to_json()))
    assert [s["label"] for s in tree["sweeps"]] == ["A", "B"]
    assert [r["name"] for r in tree["rows"]] == [
        "resonance",
        "quality factor",
        "peak pickup",
        "supply at peak",
        "pickup squared per ampere",
    ]
    keys = tree["rows"][0]["differences"][0].keys()
    assert {"value", "low", "high", "differs", "relative"} == keys


def test_nothing_to_compare() -> None:
    with pytest.raises(ValueError, match="nothing"):
        compare([])


VALLEY = 168e3


def with_valley(seed: int, detuned: float = 0.0) -> Sweep:
    """Supply current falling steeply to a valley, light falling all the way; noise as above."""
    rng = np.random.default_rng(seed)
    away = (F - VALLEY * (1 + detuned)) / 1e3
    amps = 0.02 * np.exp(np.where(away < 0, -away / 10, away / 60))
    light = 0.5 * np.exp(-(F - 150e3) / 20e3)
    return Sweep(
        label="V",
        frequency_hz=F,
        duty=np.full(F.size, 0.2),
        probe_v=lineshape(F, PROBE) + rng.normal(0, 5e-3 / 4, F.size),
        probe_sd_v=np.full(F.size, 5e-3),
        supply_a=amps + rng.normal(0, 2e-4 / 4, F.size),
        supply_sd_a=np.full(F.size, 2e-4),
        averages=16,
        supply_step_a=1e-4,
        light_v=light + rng.normal(0, 1e-3 / 4, F.size),
        light_sd_v=np.full(F.size, 1e-3),
    )


def test_valley_flank_and_light_lie_where_the_curves_have_them() -> None:
    """Closed forms of the curves drawn: e^(x/10 kHz) is 1.5 at 4.055 kHz below the valley, light
    has fallen to a half 20 kHz · ln 2 above the pickup's peak."""
    found = figures(with_valley(1)).estimates
    # A valley that is a kink is rounded by the three points on either side.
    assert found["least supply"].value == pytest.approx(0.02, rel=0.03)
    assert found["valley flank"].value == pytest.approx(VALLEY - 4055, abs=350)
    bright = 0.5 * np.exp(-15 / 20)
    assert found["light at peak"].value == pytest.approx(bright, abs=4 * found["light at peak"].sd)
    edge = 165e3 + 20e3 * np.log(2)
    assert found["light edge"].value == pytest.approx(edge, abs=4 * found["light edge"].sd)
    best = 0.5 * np.exp(-18 / 20) / 0.02
    assert found["light per ampere"].value == pytest.approx(best, rel=0.04)


def test_a_moved_valley_moves_its_flank_by_as_much() -> None:
    shift = [
        figures(with_valley(2 + i, 0.01)).estimates["valley flank"].value
        - figures(with_valley(50 + i)).estimates["valley flank"].value
        for i in range(10)
    ]
    assert np.mean(shift) == pytest.approx(0.01 * VALLEY, rel=0.05)


def test_repeats_tell_the_scatter_that_noise_does_not() -> None:
    """Sweeps that differ by 2 % more than their noise, as a probe put back makes them."""
    rng = np.random.default_rng(5)

    def group(label: str, first: int) -> Group:
        heights = 1 + 0.02 * rng.standard_normal(4)
        shapes = [Shape(h, 165e3, 46.0) for h in heights]
        return Group(label, tuple(sweep(first + i, one) for i, one in enumerate(shapes)))

    found = compare_groups([group("A", 10), group("B", 20)])
    peak = found.row("peak pickup")
    assert peak is not None
    assert peak.between == pytest.approx(0.02, rel=0.6)
    assert peak.differences[0] is not None
    assert peak.differences[0].freedom == 6
    assert (
        peak.differences[0].sd
        > 5 * row(compare([sweep(1), sweep(2)]), "peak pickup").differences[0].sd
    )
    assert found.repeated


def test_stated_repeatability_widens_what_was_swept_once() -> None:
    pair = [Group("A", (sweep(1),)), Group("B", (sweep(2, Shape(1.03, 165e3, 46.0)),))]
    alone = compare_groups(pair).row("peak pickup")
    stated = compare_groups(pair, repeatability={"peak pickup": 0.02}).row("peak pickup")
    assert alone is not None
    assert stated is not None
    assert alone.differences[0].differs
    assert not stated.differences[0].differs


def test_other_drivers_bring_their_sensors_errors() -> None:
    pair = [Group("A", (sweep(1),), "one"), Group("B", (sweep(2),), "two")]
    row = compare_groups(pair).row("supply at peak")
    assert row is not None
    assert row.differences[0].sd > 0.008 * 0.2
