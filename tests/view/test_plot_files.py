"""What all plots that go into a file share: signs of units, two axis lines."""

from __future__ import annotations

from pathlib import Path

from matplotlib.figure import Figure

from coilwright.view.plots import save


def test_units_are_printed_alike_and_each_panel_has_two_lines(tmp_path: Path) -> None:
    figure = Figure()
    axis = figure.subplots()
    axis.set_title("9.6 uH and 47 mohm, 20 % duty")
    axis.plot([0, 1], label="4.7 ohm")
    axis.legend()
    save(figure, tmp_path / "a.svg")
    title = axis.get_title().replace("\N{NO-BREAK SPACE}", " ")
    assert title == "9.6 µH and 47 mΩ, 20 % duty"
    assert axis.get_legend().get_texts()[0].get_text() == "4.7\N{NO-BREAK SPACE}Ω"  # type: ignore[union-attr]
    assert [side for side, line in axis.spines.items() if line.get_visible()] == ["left", "bottom"]
