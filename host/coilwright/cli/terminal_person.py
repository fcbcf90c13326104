"""The person who sees the lamps, asked on the terminal."""

from __future__ import annotations

import click

from coilwright.point import Point


class AtTheTerminal:
    """A `Person` of the procedures."""

    def look(self, point: Point) -> bool:
        from coilwright.view.progress import point_line

        click.echo(point_line(point), err=True)
        return click.confirm("Are the lamps lit?", err=True)

    def tell(self, text: str) -> None:
        click.echo(text, err=True)
