"""`coilwright ports`: which serial ports there are and which answer as a driver."""

from __future__ import annotations

import click

from coilwright.cli.options import json_option, print_json


@click.command("ports")
@click.option("--no-ask", is_flag=True, help="Only list; open nothing.")
@click.option("--all", "ask_all", is_flag=True, help="Open every port, whatever is behind it.")
@json_option
def command(no_ask: bool, ask_all: bool, as_json: bool) -> None:
    """List serial ports and which of them answer as a driver.

    Ports at which a board is likely are opened as `coilwright tune` would open them, so no board is
    reset, and asked who is there. Others are left alone, as opening alone can reset what is behind
    them, unless --all is given; so is a port in use by another program.
    """
    if no_ask and ask_all:
        raise click.UsageError("--no-ask opens no port, --all opens each.")
    from coilwright.link import last_port
    from coilwright.link.ports import ProbedPort, find_ports, probe

    ports = find_ports()
    asked = [] if no_ask else ports if ask_all else last_port.likely()
    found = [probe(port) if port in asked else ProbedPort(port, None, None) for port in ports]
    if as_json:
        print_json({"ports": [_as_dict(item) for item in found]})
        return
    if not found:
        click.echo("This computer has no serial port. Try --port sim:// without hardware.")
        return
    for item in found:
        click.echo(_line(item, "not asked" if no_ask else _UNLIKELY))


def _as_dict(item: object) -> dict[str, object]:
    from dataclasses import asdict

    from coilwright.link.ports import ProbedPort

    assert isinstance(item, ProbedPort)
    return {
        **asdict(item.port),
        "driver": None if item.identity is None else asdict(item.identity),
        "problem": None if item.problem is None else str(item.problem),
    }


_UNLIKELY = "not opened: nothing tells of a board there (--all asks it, too)"


def _line(item: object, unasked: str) -> str:
    from coilwright.link.ports import ProbedPort

    assert isinstance(item, ProbedPort)
    what = ", ".join(part for part in (item.port.description, item.port.board) if part)
    if item.identity is not None:
        answer = f"driver {item.identity.serial}, firmware {item.identity.firmware}"
    elif item.problem is not None:
        answer = f"no driver: {item.problem}"
    else:
        answer = unasked
    return f"{item.port.device}  {what}\n    {answer}"
