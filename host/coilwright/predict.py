"""What a build does at an operating point, and whether it stands it: question to answer, no I/O."""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from coilwright.callable_module import CallableModule
from coilwright.errors import OutOfRange
from coilwright.quantities import show_percent
from coilwright.results import VERSION, Shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from coilwright.build import Build
    from coilwright.circuit.checks import Situation
    from coilwright.circuit.operating_map import OperatingMap

USUAL_DUTY = 0.4
"""Duty of the valley that is shown where nobody says another."""
QUICK = (10, 6)
"""Frequencies and duties of the map; small, so that the answer comes at once."""
FINE = (48, 34)

BAND_HZ = (10e3, 10e6)
"""Frequencies that are solved; far below them the tank rings too often in a period."""


@dataclass(frozen=True, slots=True, eq=False)
class Prediction(Shown):
    """A build at one operating point.

    Attributes:
        build: What was solved.
        situation: The steady state there, and what the checks need beside it.
        chosen: Why that point, in words.
        valley: The soft-switching valley where it was looked for: `frequency_hz`, `duty`,
            `below_resonance`, `free_resonance_hz`.
        map: Supply current and light over frequency and duty; None where not asked for.
    """

    build: Build
    situation: Situation
    chosen: str
    valley: dict[str, float] | None
    map: OperatingMap | None

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright predict --json` prints them."""
        from coilwright.circuit.checks import check_all, losses, worst
        from coilwright.view.predict_text import cautions

        case, lost, checks = self.situation, losses(self.situation), check_all(self.situation)
        return {
            "version": VERSION,
            "build": self.build.name,
            "frequency_hz": case.frequency_hz,
            "duty": case.number("duty"),
            "chosen": self.chosen,
            "valley": self.valley,
            "verdict": worst(checks),
            "point": {name: values[0] for name, values in _point(case.state).items()},
            "losses": {
                **asdict(lost),
                "switch_w": lost.switch_w,
                "solved_switch_w": lost.solved_switch_w,
            },
            "unlit_receiver_v": list(case.unlit_v),
            "checks": [check.to_json() for check in checks],
            "cautions": cautions(case, checks),
            "waveforms": {name: array.tolist() for name, array in asdict(case.waves).items()},
            "map": None if self.map is None else _map(self.map),
        }

    def plot(self) -> Figure:
        """One period and the map."""
        from coilwright.circuit.operating_map import solve_map
        from coilwright.view.predict_plot import plot_prediction
        from coilwright.view.predict_text import title

        case = self.situation
        field = solve_map(self.build.driver, *QUICK) if self.map is None else self.map
        at = case.frequency_hz, case.number("duty")
        return plot_prediction(
            case.driver, case.waves, field, title=title(self.build.name, *at), at=at
        )


@dataclass(frozen=True, slots=True, eq=False)
class PredictedSweep(Shown):
    """A build over frequency at one duty; `state` is solved at each."""

    build: Build
    duty: float
    state: Any

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright predict --sweep --json` prints them."""
        from coilwright.circuit.operating_map import brightness

        bright = brightness(self.build.driver, self.state).tolist()
        sweep = {**_point(self.state), "brightness": bright}
        plain = {"build": self.build.name, "duty": self.duty, "sweep": sweep}
        return {"version": VERSION, **plain}

    def plot(self) -> Figure:
        """Currents and light over frequency."""
        from coilwright.view.predict_plot import plot_sweep

        title = f"{self.build.name}, duty {show_percent(self.duty)}"
        return plot_sweep(self.build.driver, self.state, title=title)


def at_point(
    build: Build,
    frequency_hz: float | None = None,
    duty: float | None = None,
    map_size: tuple[int, int] | None = QUICK,
) -> Prediction:
    """Solve a build at the point given, else the tuned one of its file, else in its valley.

    Args:
        build: From `load_build`.
        frequency_hz, duty: Where.
        map_size: Frequencies and duties of the map; None for none.

    Raises:
        OutOfRange: No driver is predicted there.
        NoResult: There is no periodic state.
    """
    from coilwright.circuit.operating_map import solve_map

    hertz, share, why, valley = operating_point(build, frequency_hz, duty)
    case = situation(build, hertz, share)
    field = None if map_size is None else solve_map(build.driver, *map_size)
    return Prediction(build, case, why, valley, field)


def over_frequency(
    build: Build, start_hz: float, stop_hz: float, points: int, duty: float | None = None
) -> PredictedSweep:
    """Solve a build over frequency at one duty.

    Raises:
        OutOfRange: No driver is predicted there.
    """
    import numpy as np

    from coilwright.circuit.steady_state import solve

    for hertz in (start_hz, stop_hz):
        check_frequency(hertz)
    share = duty if duty is not None else build.tuned.duty if build.tuned else USUAL_DUTY
    check_duty(share)
    grid = np.linspace(start_hz, stop_hz, points)
    return PredictedSweep(build, share, solve(build.driver, grid, share))


def operating_point(
    build: Build, frequency: float | None, duty: float | None
) -> tuple[float, float, str, dict[str, float] | None]:
    """Frequency, duty, where they come from, and the valley where it was looked for."""
    from coilwright.circuit.operating_map import find_valley

    tuned = build.tuned
    share = duty if duty is not None else tuned.duty if tuned else USUAL_DUTY
    check_duty(share)
    if frequency is not None:
        check_frequency(frequency)
        return frequency, share, "as asked for", None
    if tuned is not None and duty is None:
        check_frequency(tuned.frequency_hz)
        return tuned.frequency_hz, share, "the tuned values of the build file", None
    valley = find_valley(build.driver, share)
    below = valley.below_resonance  # at a small duty the loop's inductance can move it above
    why = (
        f"the soft-switching valley at this duty, {show_percent(abs(below), 1)} "
        f"{'below' if below >= 0 else 'above'} the tank's free resonance of "
        f"{valley.free_resonance_hz / 1e3:.1f} kHz"
    )
    numbers = {
        "frequency_hz": valley.frequency_hz,
        "duty": share,
        "below_resonance": valley.below_resonance,
        "free_resonance_hz": valley.free_resonance_hz,
    }
    return valley.frequency_hz, share, why, numbers


def check_duty(duty: float) -> None:
    """Refuse a duty at which no driver switches."""
    if not 0 < duty < 1:
        raise OutOfRange(
            f"The duty is {duty:g}; a driver switches only between 0 and 1.",
            "Give the duty as a fraction of the period, for instance 40%.",
        )


def check_frequency(hertz: float) -> None:
    """Refuse a frequency at which no driver is predicted."""
    if not BAND_HZ[0] <= hertz <= BAND_HZ[1]:
        raise OutOfRange(
            f"The frequency is {hertz:g} Hz; drivers are predicted from 10 kHz to 10 MHz.",
            "Give a frequency such as 165k.",
        )


def situation(build: Build, hertz: float, duty: float) -> Situation:
    """The steady state at a point, with its waveforms; refuses one that does not converge."""
    from coilwright.circuit.checks import Situation
    from coilwright.circuit.operating_map import unlit_peak_v
    from coilwright.circuit.steady_state import solve, waveforms

    driver = build.driver
    waves = waveforms(driver, hertz, duty)  # refuses a point that does not converge
    state = solve(driver, hertz, duty)
    return Situation(driver, build.facts, state, waves, unlit_peak_v(driver, hertz, duty))


def _map(field: OperatingMap) -> dict[str, Any]:
    return {name: array.tolist() for name, array in asdict(field).items()}


def _point(state: Any) -> dict[str, Any]:
    """All numbers of a solution but what starts others, lists over the points."""
    names = [field.name for field in fields(state) if field.name not in ("state", "contacts")]
    return {name: getattr(state, name).tolist() for name in names}


sys.modules[__name__].__class__ = CallableModule
