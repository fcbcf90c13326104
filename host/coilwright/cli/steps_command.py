"""`coilwright steps`: frequencies and duties a chip can set, beside those that are asked for."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    DUTY,
    FILE,
    HERTZ,
    above_zero,
    check_plot,
    force_option,
    json_option,
    parse_band,
    port_option_of,
    print_json,
)

if TYPE_CHECKING:
    from coilwright.pwm import PwmTimer, Step

BOARDS = {
    "esp32": "esp32",
    "esp32s3": "esp32s3",
    "esp32c3": "esp32c3",
    "rp2040": "pico",
    "rp2350": "pico2",
}
"""The board file that holds a chip's PWM facts; a driver tells its own clock."""


@click.command("steps")
@click.argument("frequency", type=HERTZ, required=False)
@click.option("--duty", type=DUTY, default="20%", show_default=True, help="Duty.")
@click.option("--chip", type=click.Choice(sorted(BOARDS)), help="Chip, where no driver is.")
@port_option_of("no driver is asked")
@click.option(
    "--clock", type=above_zero(HERTZ), help="Clock of an RP2 chip that does not run at its usual."
)
@click.option(
    "--around", type=click.IntRange(0, 20), default=3, show_default=True,
    help="Steps to show on either side.",
)  # fmt: skip
@click.option("--band", metavar="LOW:HIGH", help="All steps of a band, as 150k:180k.")
@click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg).")
@force_option
@json_option
def command(
    frequency: float | None,
    duty: float,
    chip: str | None,
    port: str | None,
    clock: float | None,
    around: int,
    band: str | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Which frequencies and duties a chip can set.

    A PWM divides its clock by whole numbers. `coilwright steps 165k --duty 20% --chip rp2040` tells
    what that request comes to and what lies beside it; --band lists all frequencies of a band.
    With --port a driver is asked for its chip and clock, and its answer to the request is compared
    with the prediction; its output stays off.
    """
    if (frequency is None) == (band is None):
        raise click.UsageError("Give a frequency, as 165k, or --band 150k:180k.")
    if chip is not None and _named_port():
        raise click.UsageError("A driver tells its own chip: give --port or --chip.")
    if chip is None and port is None:
        raise click.UsageError("Give --chip, or --port of a driver.")
    if chip is None and clock is not None:
        raise click.UsageError("A driver tells its own clock: --clock goes with --chip.")
    check_plot(plot, force)
    answered = None
    if chip is not None:
        timer = _timer(chip, clock)
    else:
        assert port is not None
        timer, answered = _ask(port, frequency, duty)
    if band is not None:
        shown = _tell_band(timer, parse_band(band), duty, as_json)
    else:
        assert frequency is not None
        shown = _tell_around(timer, round(frequency), duty, around, answered, as_json)
    if plot is not None:
        _save_plot(plot, shown, duty, frequency, force)
        click.echo(f"plot in {plot}", err=as_json)


def _save_plot(
    plot: Path, shown: list[Step], duty: float, frequency: float | None, force: bool
) -> None:
    from coilwright.errors import NoResult
    from coilwright.view.plots import save
    from coilwright.view.steps_plot import plot_pwm_steps

    if not shown:
        raise NoResult("There is no step to draw.", "Choose another --band.")
    title = f"{len(shown)} frequencies of the chip at a duty of {_percent(duty)}"
    save(plot_pwm_steps(shown, duty, title=title, asked_hz=frequency), plot, force=force)


def _named_port() -> bool:
    """Whether --port was typed; one in the environment stands back behind --chip."""
    source = click.get_current_context().get_parameter_source("port")
    return source is click.core.ParameterSource.COMMANDLINE


def _timer(chip: str, clock: float | None) -> PwmTimer:
    from coilwright.board_file import load_board
    from coilwright.pwm import PwmTimer

    pwm = load_board(BOARDS[chip]).pwm
    if pwm.kind == "ledc":
        if clock is not None:
            raise click.UsageError("The PWM of an ESP32 runs on 80 MHz: leave --clock out.")
        return PwmTimer("esp32", pwm.clock_hz, pwm.timer_bits)
    return PwmTimer("rp2", pwm.clock_hz if clock is None else round(clock))


def _ask(
    port: str, frequency: float | None, duty: float
) -> tuple[PwmTimer, tuple[float, float] | None]:
    """The timer of a driver, and what it makes of the request; its setting is put back."""
    from coilwright.cli.bench_session import open_driver
    from coilwright.errors import OutOfRange
    from coilwright.link import DriverState

    with open_driver(port, drives=False) as driver:
        timer = driver.board.timer
        if frequency is None:
            return timer, None
        if driver.condition() is not DriverState.OFF:
            raise OutOfRange(
                "The driver's output is not off, and asking would change its setting.",
                "Switch it off, or give --chip.",
            )
        before = driver.setpoint()
        try:
            return timer, (driver.set_frequency(frequency), driver.set_duty(duty))
        finally:
            driver.set_duty(before[1])
            driver.set_frequency(before[0])


def _tell_around(
    timer: PwmTimer,
    frequency_hz: int,
    duty: float,
    around: int,
    answered: tuple[float, float] | None,
    as_json: bool,
) -> list[Step]:
    from coilwright.pwm import neighbours, predict

    at = predict(timer, frequency_hz, duty)
    shown = neighbours(timer, at, around)
    duties = [
        step
        for counts in (at.counts - 1, at.counts, at.counts + 1)
        if 0 <= counts <= at.span
        for step in [type(at)(at.request_hz, at.frequency_hz, counts, at.span)]
    ]
    if as_json:
        print_json(
            {
                "timer": asdict(timer),
                "asked": {"frequency_hz": frequency_hz, "duty": duty},
                "set": _json(at),
                "driver": None if answered is None else _answer(at, answered),
                "frequencies": [_json(step) for step in shown],
                "duties": [_json(step) for step in duties],
            }
        )
        return shown
    click.echo(f"{_hertz(frequency_hz)} at {_percent(duty)} comes to {_line(at)}.")
    if answered is not None:
        agrees = _answer(at, answered)["agrees"]
        word = "The driver sets the same." if agrees else "The driver sets something else:"
        told = "" if agrees else f" {_hertz(answered[0])} at {_percent(answered[1])}."
        click.echo(word + told)
    click.echo("\nFrequencies beside it:")
    _table(shown, at)
    click.echo("\nDuties beside it:")
    _table(duties, at)
    return shown


def _answer(at: Step, answered: tuple[float, float]) -> dict[str, Any]:
    # The driver tells mHz and ppm, both rounded down.
    agrees = abs(answered[0] - at.frequency_hz) < 2e-3 and abs(answered[1] - at.duty) < 2e-6
    return {"frequency_hz": answered[0], "duty": answered[1], "agrees": agrees}


def _tell_band(
    timer: PwmTimer, band_hz: tuple[float, float], duty: float, as_json: bool
) -> list[Step]:
    from coilwright.pwm import frequency_steps, predict

    steps = [predict(timer, request, duty) for request, _ in frequency_steps(timer, *band_hz)]
    if as_json:
        print_json({"timer": asdict(timer), "frequencies": [_json(step) for step in steps]})
        return steps
    if not steps:
        click.echo(f"The chip can set no frequency from {_hertz(band_hz[0])} to "
                   f"{_hertz(band_hz[1])}.")  # fmt: skip
        return steps
    click.echo(f"{len(steps)} frequencies from {_hertz(band_hz[0])} to {_hertz(band_hz[1])}:")
    _table(steps, None)
    return steps


def _table(steps: list[Step], marked: Step | None) -> None:
    from rich.table import Table

    from coilwright.view.console import Console

    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for heading in ("frequency", "duty", "on-time", "counts", "ask for"):
        table.add_column(heading, justify="right")
    for step in steps:
        table.add_row(
            ">" if step == marked else "",
            _hertz(step.frequency_hz),
            _percent(step.duty),
            _seconds(step.on_s),
            f"{step.counts}/{step.span}",
            str(step.request_hz),
        )
    Console(soft_wrap=True).print(table)


def _json(step: Step) -> dict[str, float]:
    return {**asdict(step), "duty": step.duty, "on_s": step.on_s}


def _line(step: Step) -> str:
    off = step.frequency_hz / step.request_hz - 1
    return (
        f"{_hertz(step.frequency_hz)} ({100 * off:+.3f} %) at {_percent(step.duty)}: "
        f"{step.counts} of {step.span} counts, {_seconds(step.on_s)} on"
    )


def _hertz(value: float) -> str:
    return f"{value / 1e3:.3f} kHz"


def _percent(fraction: float) -> str:
    return f"{100 * fraction:.3f} %"


def _seconds(value: float) -> str:
    return f"{value * 1e6:.3f} µs"
