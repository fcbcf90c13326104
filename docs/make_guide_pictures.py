"""Draw the pictures of `soft-switching.md` and `reading-a-sweep.md`.

`python docs/make_guide_pictures.py`; it takes a minute.

Waveforms and valley come from the circuit model, sweeps from the tool's own records of the
simulated harbour and of variants of it. Two coupled receivers are reckoned here, since the bench
has none.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from coilwright.build import build_text, load_build
from coilwright.circuit.soft_switching import lossless_valley_hz
from coilwright.circuit.steady_state import solve, waveforms
from coilwright.circuit.tank_choice import least_current_frequency
from coilwright.record import Record, read_record
from coilwright.tune import fit_resonance
from coilwright.view.plots import COLORS

PICTURES = Path(__file__).resolve().parent / "pictures"

DUTY = 0.4
CASES = (("hard", 179e3), ("soft", 161e3), ("late", 150e3))
"""Frequencies at which a harbour at 40 % duty switches hard, softly, and late."""
DUTIES = (0.2, 0.3, 0.4, 0.5)

VARIANTS = {
    "harbour": ("divider = 0.1", "divider = 0.1"),
    "loud": ("divider = 0.1", "divider = 0.6"),
    "far": ("coupling = 0.002", "coupling = 0.00005"),
    "bare": ('620 pF"\ncoupling = 0.002', '20 pF"\ncoupling = 0.002'),
}
"""Builds of the sweeps: the harbour, a divider that divides too little, a probe far away, a probe
that is tuned elsewhere."""


def soft_switching() -> None:
    """Three ways to close a switch, and where the supply current has its valley."""
    driver = load_build("harbour").driver
    figure = Figure(figsize=(10, 8), layout="constrained")
    upper, lower = figure.subfigures(2, 1, height_ratios=(3, 2))
    axes = upper.subplots(2, 3, sharex=True, sharey="row")
    for column, (name, hertz) in enumerate(CASES):
        waves, point = waveforms(driver, hertz, DUTY), solve(driver, hertz, DUTY)
        period, on = 1e6 / hertz, 1e6 * DUTY / hertz
        micros = np.concatenate([1e6 * waves.time_s - period, 1e6 * waves.time_s])
        for row, wave in enumerate((waves.drain_v, waves.coil_a)):
            axis = axes[row][column]
            axis.axvspan(0, on, color="0.5", alpha=0.15, lw=0)
            axis.axvspan(-period, on - period, color="0.5", alpha=0.15, lw=0)
            axis.plot(micros, np.tile(wave, 2), color=COLORS[2 * row], lw=1.3)
            axis.set_xlim(-4.3, 3.2)
            axis.grid(alpha=0.3)
        supply, drain = 1e3 * point.supply_a[0], point.drain_turn_on_v[0]
        axes[0][column].set_title(
            f"{name}: {hertz / 1e3:g} kHz, {supply:.0f} mA\ndrain at turn-on {drain:.1f} V",
            fontsize="medium",
        )
        axes[0][column].plot(0, drain, "o", ms=9, mfc="none", mec=COLORS[1], mew=2)
        axes[1][column].set_xlabel("time from turn-on, µs")
    axes[0][0].set_ylabel("drain, V")
    axes[1][0].set_ylabel("coil, A")
    _valleys(lower.subplots())
    figure.savefig(PICTURES / "soft-switching.png", dpi=110)


def _valleys(axis: Axes) -> None:
    driver = load_build("harbour").driver
    free = 1 / (2 * np.pi * np.sqrt(driver.coil.inductance_h * driver.tank_capacitance_f))
    hertz = np.linspace(125e3, 200e3, 151)
    for color, duty in zip(COLORS, DUTIES, strict=False):
        found = solve(driver, hertz, duty)
        axis.plot(hertz / 1e3, 1e3 * found.supply_a, color=color, label=f"duty {100 * duty:g} %")
        least = least_current_frequency(driver, duty).best
        axis.plot(least / 1e3, 1e3 * solve(driver, least, duty).supply_a, "o", color=color)
        ideal = lossless_valley_hz(free, duty) / 1e3
        axis.plot(ideal, 4, "^", color=color, clip_on=False)
    axis.axvline(free / 1e3, color="0.5", ls=":", label="free resonance of the tank")
    axis.plot([], [], "ko", label="valley, solved")
    axis.plot([], [], "k^", label="valley without losses and lamps")
    axis.set(xlabel="frequency, kHz", ylabel="supply current, mA", ylim=(4, 130), yscale="log")
    axis.set_yticks([5, 10, 20, 50, 100], labels=["5", "10", "20", "50", "100"])
    axis.grid(alpha=0.3)
    axis.legend(fontsize="small", ncols=2)


def sweep(folder: Path, variant: str, start: str, stop: str, *more: str) -> Record:
    """A sweep of the simulated bench at 20 % duty."""
    build = folder / f"{variant}.toml"
    build.write_text(build_text("harbour").replace(*VARIANTS[variant]), encoding="utf-8")
    record = folder / "record.csv"
    port = f"sim://{build}?chip=rp2040&seed=1"
    command = (sys.executable, "-m", "coilwright", "sweep", "--port", port, "--from", start)
    usual = ("--to", stop, "--points", "121", "--duty", "20%", "--record", str(record), "--force")
    subprocess.run([*command, *usual, *more], check=True, capture_output=True)
    return read_record(record)


def whole_sweep(record: Record) -> None:
    """A sound sweep with what there is to see in it."""
    hertz, supply = record["frequency_hz"], 1e3 * record["supply_a"]
    pickup, light = record["probe_v"], record["light_v"]
    figure = Figure(figsize=(10, 7.5), layout="constrained")
    axes = figure.subplots(3, 1, sharex=True)
    for axis, values, color, name in zip(
        axes,
        (pickup, supply, light),
        COLORS,
        ("pickup, V", "supply current, mA", "light sensor, V"),
        strict=False,
    ):
        axis.plot(hertz / 1e3, values, ".-", ms=4, lw=1, color=color)
        axis.set_ylabel(name)
        axis.grid(alpha=0.3)
    axes[-1].set_xlabel("frequency, kHz")
    top, least = int(np.argmax(pickup)), int(np.argmin(supply))
    half = np.flatnonzero(pickup > pickup[top] / np.sqrt(2))
    dark = int(np.flatnonzero(light < 0.02)[0])
    _note(axes[0], "1 peak", hertz[top], pickup[top], (12, -4))
    axes[0].annotate(
        "",
        (hertz[half[0]] / 1e3, pickup[top] / np.sqrt(2)),
        (hertz[half[-1]] / 1e3, pickup[top] / np.sqrt(2)),
        arrowprops={"arrowstyle": "<->"},
    )
    _note(axes[0], "2 width", hertz[half[-1]], pickup[top] / np.sqrt(2), (12, -4))
    _note(axes[1], "3 valley: soft switching", hertz[least], supply[least], (-20, 26))
    _note(axes[1], "4 late: the body diode conducts", hertz[40], supply[40], (20, 14))
    _note(axes[1], "5 hard: the drain is still up", hertz[105], supply[105], (-40, 22))
    _note(axes[2], "6 more coil current, more light", hertz[30], light[30], (20, 6))
    _note(axes[2], "7 dark from here", hertz[dark], light[dark], (-20, 26))
    figure.savefig(PICTURES / "reading-a-sweep.png", dpi=100)


def _note(axis: Axes, text: str, hertz: float, value: float, offset: tuple[int, int]) -> None:
    arrow = {"arrowstyle": "->", "lw": 0.8} if abs(offset[1]) > 8 else None
    axis.annotate(text, (hertz / 1e3, value), offset, textcoords="offset points", arrowprops=arrow)


def coupled(hertz: np.ndarray, coupling: float) -> np.ndarray:
    """Pickup of a probe beside a lamp, both alike, driven through the lamp, 1 at most.

    Kirchhoff's mesh equations of two equal coupled series circuits with the harbour's parts.
    """
    omega = 2 * np.pi * hertz
    own = 40 + 1j * (omega * 1.5e-3 - 1 / (omega * 620e-12))
    mutual = 1j * omega * coupling * 1.5e-3
    current = np.abs(mutual / (own**2 - mutual**2))
    return np.asarray(current / current.max())


def odd_sweeps(folder: Path, sound: Record) -> None:
    """Pickups that are no plain peak, and what each of them is."""
    figure = Figure(figsize=(10, 10), layout="constrained")
    axes = figure.subplots(3, 2).ravel()
    _skew(axes[0], sound)
    _double(axes[1])
    loud = sweep(folder, "loud", "140k", "200k")
    over = (loud["flags"] & 2) > 0
    axes[2].plot(sound["frequency_hz"] / 1e3, sound["probe_v"], ":", color="0.5", label="true")
    axes[2].plot(loud["frequency_hz"] / 1e3, loud["probe_v"], ".-", ms=4, lw=1, color=COLORS[0])
    axes[2].plot(
        loud["frequency_hz"][over] / 1e3, loud["probe_v"][over], "o", mfc="none", color=COLORS[1],
        label="probe over",
    )  # fmt: skip
    axes[2].legend(fontsize="small")
    axes[2].set_title("c: saturated", fontsize="medium")
    for averages, color in (("1", COLORS[1]), ("256", COLORS[0])):
        far = sweep(folder, "far", "140k", "200k", "--averages", averages)
        axes[3].plot(
            far["frequency_hz"] / 1e3, 1e3 * far["probe_v"], ".-", ms=4, lw=0.8, color=color,
            label=f"averages {averages}",
        )  # fmt: skip
    axes[3].legend(fontsize="small")
    axes[3].set_title("d: noise", fontsize="medium")
    end = sweep(folder, "harbour", "163k", "200k")
    axes[4].plot(end["frequency_hz"] / 1e3, end["probe_v"], ".-", ms=4, lw=1, color=COLORS[0])
    axes[4].set_title("e: the peak is outside the band", fontsize="medium")
    bare = sweep(folder, "bare", "140k", "200k")
    axes[5].plot(bare["frequency_hz"] / 1e3, 1e3 * bare["probe_v"], ".-", ms=4, lw=1)
    axes[5].set_title("f: the probe is not tuned", fontsize="medium")
    for index, axis in enumerate(axes):
        axis.grid(alpha=0.3)
        axis.set_xlabel("frequency, kHz")
        axis.set_ylabel(
            {1: "pickup, share", 3: "pickup, mV", 5: "pickup, mV"}.get(index, "pickup, V")
        )
    figure.savefig(PICTURES / "reading-odd-sweeps.png", dpi=100)


def _skew(axis: Axes, record: Record) -> None:
    hertz, pickup = record["frequency_hz"], record["probe_v"]
    fit = fit_resonance(hertz, pickup, record["probe_sd_v"] / np.sqrt(32))
    axis.plot(hertz / 1e3, pickup, ".", ms=4, color=COLORS[0], label="pickup")
    mirrored = fit.frequency_hz**2 / hertz
    shown = (mirrored > hertz.min()) & (mirrored < hertz.max())
    axis.plot(mirrored[shown] / 1e3, pickup[shown], "--", color=COLORS[1], label="mirrored")
    axis.set_yscale("log")
    axis.legend(fontsize="small")
    axis.set_title("a: skew", fontsize="medium")


def _double(axis: Axes) -> None:
    hertz = np.linspace(140e3, 190e3, 121)
    for coupling, color in ((0.01, COLORS[2]), (0.06, COLORS[0])):
        axis.plot(
            hertz / 1e3, coupled(hertz, coupling), ".-", ms=4, lw=1, color=color,
            label=f"coupling {coupling:g}",
        )  # fmt: skip
    axis.legend(fontsize="small")
    axis.set_title("b: a lamp beside the probe (reckoned)", fontsize="medium")


def main() -> None:
    """Draw them all."""
    mpl.use("agg")
    PICTURES.mkdir(exist_ok=True)
    soft_switching()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sound = sweep(folder, "harbour", "140k", "200k")
        whole_sweep(sound)
        odd_sweeps(folder, sound)


if __name__ == "__main__":
    main()
