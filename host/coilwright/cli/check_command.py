"""`coilwright check`: let the driver check sensors, coil and supply in a short burst."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import json_option, port_option, print_json

if TYPE_CHECKING:
    from coilwright.procedures.check import Checked


@click.command("check")
@port_option
@click.option(
    "--reference",
    type=click.Path(dir_okay=False, path_type=Path),
    help="An earlier check of the sound driver (--json kept in a file) to compare with.",
)
@json_option
def command(port: str | None, reference: Path | None, as_json: bool) -> None:
    """Check sensors, coil and supply in a short burst at a small duty.

    Reads at rest, then drives at 5 % (less where the limits want it) for some 20 ms at the present
    frequency; the output is off before and after. Exit code 40 where something is wrong.
    """
    from coilwright.cli.bench_session import open_driver
    from coilwright.errors import NoResult
    from coilwright.procedures.check import check, read_reference
    from coilwright.view.pairs import print_pairs, print_sentences

    before = None if reference is None else read_reference(reference)
    with open_driver(port, drives=False) as driver:
        checked = check(driver, before)
    if as_json:
        print_json(checked.to_json())
    else:
        print_pairs(_lines(checked))
        print_sentences(f"Warning: {text}" for text in filter(None, [checked.warning]))
    if not checked.passed:
        raise NoResult(
            f"The self-check failed: {checked.verdict}.",
            "The output is off; docs/trouble.md tells what to look at for each result.",
        )


def _lines(checked: Checked) -> list[tuple[str, str]]:
    from coilwright.quantities import show, show_percent

    lines = [("self-check", checked.verdict)]
    if checked.supply_sensor != "NONE":
        spread = show(checked.rest_sd_a, "A", 2)
        lines.append(("current at rest", f"{show(checked.rest_a, 'A')} (spread {spread})"))
    spread = show(checked.noise_probe_v, "V", 2)
    lines.append(("pickup at rest", f"{show(checked.rest_probe_v, 'V')} (spread {spread})"))
    if checked.supply_v is not None:
        lines.append(("supply voltage", show(checked.supply_v, "V")))
    if checked.duty:
        at = f"{checked.frequency_hz / 1e3:.3f} kHz, {show_percent(checked.duty)}"
        lines.append(("burst", at))
        lines.append(("current rises by", show(checked.rise_a, "A")))
        lines.append(("pickup", show(checked.burst_probe_v, "V")))
    return lines
