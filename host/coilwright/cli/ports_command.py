"""`coilwright ports`: which serial ports there are and which answer as a driver."""

from __future__ import annotations

import click

from coilwright.cli.options import json_option, print_json


@click.command("ports")
@click.option("--no-ask", is_flag=True, help="Only list; open nothing.")
@json_option
def command(no_ask: bool, as_json: bool) -> None:
    """List serial ports and which of them answer as a driver.

    Each port is opened as `coilwright tune` would open it, so no board is reset, and asked who it
    is. A port in use by another program is left alone.
    """
    from coilwright.link.ports import Probe, find_ports, probe

    ports = find_ports()
    found = [Probe(port, None, None) if no_ask else probe(port) for port in ports]
    if as_json:
        print_json({"ports": [_as_dict(item) for item in found]})
        return
    if not found:
        click.echo("This computer has no serial port. Try --port sim:// without hardware.")
        return
    for item in found:
        click.echo(_line(item, asked=not no_ask))


def _as_dict(item: object) -> dict[str, object]:
    from dataclasses import asdict

    from coilwright.link.ports import Probe

    assert isinstance(item, Probe)
    return {
        **asdict(item.port),
        "driver": None if item.identity is None else asdict(item.identity),
        "problem": None if item.problem is None else str(item.problem),
    }


def _line(item: object, *, asked: bool) -> str:
    from coilwright.link.ports import Probe

    assert isinstance(item, Probe)
    what = ", ".join(part for part in (item.port.description, item.port.board) if part)
    if item.identity is not None:
        answer = f"driver {item.identity.serial}, firmware {item.identity.firmware}"
    elif item.problem is not None:
        answer = f"no driver: {item.problem}"
    else:
        answer = "no driver" if asked else "not asked"
    return f"{item.port.device}  {what}\n    {answer}"
