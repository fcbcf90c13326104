"""`coilwright install`: put the firmware on a board that has MicroPython, or take it off."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    FiniteRange,
    ParsedType,
    json_option,
    port_option_of,
    print_json,
    quantity_type,
    stop_on_termination,
)

if TYPE_CHECKING:
    from coilwright.board_file import Wiring
    from coilwright.install import Installed, Removed
    from coilwright.link.handshake import ForeignDevice


def _pin_or_none(text: str) -> int | str:
    """A GPIO number, or `none`."""
    if text.strip().lower() == "none":
        return "none"
    try:
        return int(text)
    except ValueError:
        raise ValueError(f"{text!r} is no GPIO number; write 27, or none") from None


PIN = click.IntRange(0, 99)
PIN_OR_NONE = ParsedType("GPIO|none", _pin_or_none)
SENSORS = ("adc", "ina219", "ina226", "none")


@click.command("install")
@port_option_of("the only port that looks like a board")
@click.option(
    "--board", metavar="NAME|FILE", help="Board, or your own board file.  [default: by its chip]"
)
@click.option("--gate", type=PIN, metavar="GPIO", help="Pin of the gate driver.")
@click.option("--sensor", type=click.Choice(SENSORS), help="Supply-current sensor.")
@click.option("--supply", type=PIN, metavar="GPIO", help="ADC pin of the shunt amplifier.")
@click.option("--probe", type=PIN_OR_NONE, help="ADC pin of the probe.")
@click.option("--light", type=PIN_OR_NONE, help="ADC pin of the light sensor.")
@click.option("--scl", type=PIN, metavar="GPIO", help="I2C clock of an INA sensor.")
@click.option("--sda", type=PIN, metavar="GPIO", help="I2C data of an INA sensor.")
@click.option("--led", type=PIN_OR_NONE, help="LED that shows that the output is on.")
@click.option("--shunt", type=quantity_type("ohm"), help="Shunt, for instance 0.1.")
@click.option("--amplifier", type=FiniteRange(0, min_open=True), help="Its gain, V/V.")
@click.option("--address", type=click.IntRange(8, 119), help="I2C address of an INA sensor.")
@click.option("--alert", type=PIN_OR_NONE, help="Pin at the alert output of an INA226.")
@click.option("--latch", type=PIN_OR_NONE, help="Pin that reads a latch in hardware, low: acted.")
@click.option("--latch-clear", type=PIN_OR_NONE, help="Pin that clears it by a low pulse.")
@click.option("--source", is_flag=True, help="Copy the source instead of .mpy files.")
@click.option("--dry-run", is_flag=True, help="Say what would be done; change no file.")
@click.option(
    "--interrupt", is_flag=True, help="Interrupt a device that names itself as something else."
)
@click.option("--uninstall", is_flag=True, help="Take the firmware off the board.")
@json_option
def command(
    port: str | None,
    board: str | None,
    source: bool,
    dry_run: bool,
    interrupt: bool,
    uninstall: bool,
    as_json: bool,
    **wiring: Any,
) -> None:
    """Put the firmware on a board that has MicroPython.

    Version 1.26 or newer is needed. Checks chip, version and pins, copies what is not there yet,
    verifies every file by its SHA-256, restarts the board and asks the driver who it is. A driver
    that runs is switched off first; nothing is switched on. A device that names itself as something
    else is left alone unless you say otherwise. Pins that are not given stay as
    board.json on the board has them, else as the board file has them. Interrupted, it goes on when
    it is run again.
    """
    from coilwright import install as procedure
    from coilwright.link.handshake import ForeignDevice
    from coilwright.view.copy_view import copy_view

    chosen = _chosen(wiring)
    if uninstall and (chosen or board or source):
        raise click.UsageError("--uninstall takes no board, no pins and no --source.")
    if dry_run and interrupt:
        raise click.UsageError("--dry-run interrupts nothing.")
    stop_on_termination()
    url = port if port is not None else _only_board()
    wishes = procedure.Wishes(board, chosen, source)

    def carry_out(interrupt: bool) -> None:
        with copy_view() as view:
            if uninstall:
                removed = procedure.uninstall(url, view, dry_run=dry_run, interrupt=interrupt)
            else:
                installed = procedure.install(
                    url, wishes, view, dry_run=dry_run, interrupt=interrupt
                )
        if uninstall:
            _tell_removed(removed, dry_run, as_json)
        else:
            _tell_installed(installed, dry_run, as_json)

    try:
        carry_out(interrupt)
    except ForeignDevice as found:
        if dry_run or not _shall_interrupt(found):
            raise
        carry_out(True)


def _shall_interrupt(found: ForeignDevice) -> bool:
    """Ask the person, where there is a terminal to ask at."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    question = f"{found.message} Send it Ctrl-C and go on all the same?"
    return click.confirm(question, err=True)


def _chosen(options: dict[str, Any]) -> dict[str, Any]:
    """Values of `Wiring` that were given."""
    found = {key: value for key, value in options.items() if value is not None}
    if "shunt" in found:
        shunt_ohm = found.pop("shunt")
        if not 1e-6 <= shunt_ohm <= 100:
            raise click.BadParameter("a shunt has 1 uohm to 100 ohm", param_hint="--shunt")
        found["shunt_uohm"] = round(shunt_ohm * 1e6)
    return {
        key: None if value == "none" and key != "sensor" else value for key, value in found.items()
    }


def _only_board() -> str:
    """The only port that a microcontroller board may be behind.

    Raises:
        PortNotFound: There is none, or more than one.
    """
    from coilwright.errors import PortNotFound
    from coilwright.link.ports import find_ports, looks_like_board

    ports = [port.device for port in find_ports() if looks_like_board(port)]
    if len(ports) == 1:
        return ports[0]
    if ports:
        message = f"{len(ports)} ports may be a board: {', '.join(ports)}."
        raise PortNotFound(message, "Choose one with --port.")
    hint = "Give --port. To try it without a board: coilwright bench --bare"
    raise PortNotFound("No port of this computer looks like a microcontroller board.", hint)


def _wiring_text(wiring: Wiring) -> str:
    parts = [f"gate GPIO {wiring.gate}"]
    if wiring.sensor == "adc":
        parts.append(f"supply current GPIO {wiring.supply}")
    elif wiring.sensor == "none":
        parts.append("no supply-current sensor")
    else:
        where = f"SCL GPIO {wiring.scl}, SDA GPIO {wiring.sda}"
        if wiring.alert is not None:
            where += f", alert GPIO {wiring.alert}"
        parts.append(f"{wiring.sensor.upper()} at address {wiring.address} ({where})")
    named = (
        ("probe", wiring.probe),
        ("light", wiring.light),
        ("LED", wiring.led),
        ("latch", wiring.latch),
        ("latch's clear", wiring.latch_clear),
    )
    parts += [f"{name} GPIO {pin}" for name, pin in named if pin is not None]
    return ", ".join(parts)


def _tell_installed(done: Installed, dry_run: bool, as_json: bool) -> None:
    from dataclasses import asdict

    from coilwright.quantities import show
    from coilwright.view.pairs import print_pairs, print_sentences

    version = ".".join(map(str, done.facts.version))
    plan = done.plan
    if as_json:
        names = ("serial", "firmware", "output")
        driver = done.driver and dict(zip(names, done.driver, strict=True))
        print_json(
            {
                "dry_run": dry_run,
                "board": {
                    "name": done.board.name,
                    "title": done.board.title,
                    "machine": done.facts.machine,
                    "micropython": version,
                },
                "wiring": asdict(done.wiring),
                "format": done.format,
                "bytes": done.size_bytes,
                "files": {
                    "copied": plan.write,
                    "unchanged": plan.keep,
                    "set_aside": plan.aside,
                    "removed": plan.remove,
                },
                "driver": driver,
                "calibrated": done.calibrated or None,
                "current_limit": done.limit and asdict(done.limit),
                "not_started": done.waits or None,
            }
        )
        return
    verb = "to copy" if dry_run else "copied"
    counts = [f"{len(plan.write)} {verb}", f"{len(plan.keep)} unchanged"]
    if plan.remove:
        counts.append(f"{len(plan.remove)} {'to remove' if dry_run else 'removed'}")
    size = f"{done.size_bytes / 1024:.1f} KiB as {done.format}"
    pairs = [
        ("board", f"{done.facts.machine}, MicroPython {version}"),
        ("board file", f"{done.board.name}: {done.board.title}"),
        ("at reset", done.board.reset),
        ("wiring", _wiring_text(done.wiring)),
        ("files", f"{', '.join(counts)}; {size}"),
    ]
    if plan.aside:
        verb = "would get" if dry_run else "have"
        pairs.append(("set aside", f"{', '.join(plan.aside)} {verb} the ending .before"))
    if done.driver is not None:
        serial, firmware, state = done.driver
        pairs.append(("driver", f"{serial}, firmware {firmware}, output {state}"))
        pairs.append(("calibrated", done.calibrated))
    if done.limit is not None:
        told = (
            f"{show(done.limit.trip_a, 'A')}; its sensor shows up to {show(done.limit.end_a, 'A')}"
        )
        pairs.append(("trips at", told))
    if done.waits:
        pairs.append(("not started", done.waits))
    if dry_run:
        pairs.append(("dry run", "no file was changed"))
    print_pairs(pairs)
    if done.limit is not None and done.limit.warning:
        print_sentences([f"Warning: {done.limit.warning}"])


def _tell_removed(done: Removed, dry_run: bool, as_json: bool) -> None:
    from coilwright.view.pairs import print_pairs

    if as_json:
        print_json(
            {
                "dry_run": dry_run,
                "machine": done.facts.machine,
                "removed": done.removed,
                "restored": done.restored,
                "left": done.left,
            }
        )
        return
    pairs = [
        ("board", done.facts.machine),
        ("files", f"{len(done.removed)} {'to remove' if dry_run else 'removed'}"),
    ]
    if done.restored:
        pairs.append(("restored", ", ".join(done.restored)))
    if done.left:
        pairs.append(("left", f"{', '.join(done.left)}: the driver's stored settings"))
    if dry_run:
        pairs.append(("dry run", "no file was changed"))
    print_pairs(pairs)
