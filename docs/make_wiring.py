"""Draw the wiring diagrams of `board.md`: `python docs/make_wiring.py [BOARD...]`.

Which GPIO is which comes from the board files (`host/coilwright/boards/`), as `coilwright install`
wires them. Needs `pip install -e '.[docs]'`. `tests/install/test_wiring_pictures.py` compares the
GPIOs in the pictures with the board files.
"""

from __future__ import annotations

import sys
import textwrap
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright.board_file import BoardFile, board_names, load_board

if TYPE_CHECKING:
    import schemdraw
    from matplotlib.axes import Axes

PICTURES = Path(__file__).resolve().parent / "pictures"

Spot = tuple[float, float]

_ROLES = {
    "gate": "gate",
    "supply": "supply current, A",
    "probe": "probe",
    "light": "light sensor",
    "scl": "SCL, B",
    "sda": "SDA, B",
    "alert": "alert, B",
    "latch": "latch",
    "latch_clear": "clear the latch",
}
_PULL_DOWN_OHM = 10e3
_CORNERS = (-0.6, -36.8), (23.4, 12.8)
_INCHES = 0.43
"""The sheet in the drawing's units, and the size of one."""
_NOTES = """
Heavy current flows round C1, C2, L1, C3 and Q1: keep that loop short, and join all grounds at the
source of Q1.

Set the supply's current limit, and fit the fuse F1. The board runs from USB, the coil never does.
5 V is for U1 and U3 alone.

Drain, tank and probe can carry tens to hundreds of volts.

No ADC pin may see more than 3.3 V; it reads well from {low} to {high} V.

At reset {reset}. Therefore R1 and R2.
"""
_BLUE, _GREY = "#1f4e9e", "#666666"


def pins(board: BoardFile) -> dict[str, int]:
    """GPIO by what it is for, without what the board has not.

    A board that comes with the program shows both current sensors, a person's own the one it has.
    """
    found = {role: getattr(board.wiring, role) for role in (*_ROLES, "led")}
    if board.name not in board_names():
        sensor = board.wiring.sensor
        bus = ("scl", "sda", "alert")
        unused = {"adc": bus, "none": ("supply", *bus)}.get(sensor, ("supply",))
        found |= dict.fromkeys(unused)
    return {role: pin for role, pin in found.items() if pin is not None}


def labels(board: BoardFile) -> list[str]:
    """What stands at the pins of the picture, from the top down."""
    return [f"GPIO {pin}" for role, pin in pins(board).items() if role != "led"]


def picture(board: BoardFile) -> Path:
    """File of a board's diagram; that of a person's own board file lies in the present folder."""
    if board.name not in board_names():
        return Path(f"wiring-{Path(board.name).stem}.svg")
    return PICTURES / f"wiring-{board.name}.svg"


class Sheet:
    """A drawing in which everything stands where it is put."""

    def __init__(self, drawing: schemdraw.Drawing, axes: Axes) -> None:
        from schemdraw import elements

        self.elm = elements
        self.drawing = drawing
        self.axes = axes

    def add(self, element: Any) -> Any:
        """Put an element in."""
        return self.drawing.add(element)

    def wire(self, *spots: Spot) -> None:
        """A line through some spots."""
        for start, end in pairwise(spots):
            self.add(self.elm.Line().at(start).to(end))

    def dot(self, *spots: Spot) -> None:
        """Joints."""
        for spot in spots:
            self.add(self.elm.Dot().at(spot))

    def part(
        self, kind: str, start: Spot, end: Spot, label: str, side: str = "top", **more: Any
    ) -> None:
        """A part with two ends; `side` is seen along it, from start to end."""
        element = getattr(self.elm, kind)(**more).at(start).to(end)
        self.add(element.label(label, side, fontsize=9.5) if label else element)

    def ground(self, spot: Spot) -> None:
        """The common ground."""
        self.add(self.elm.Ground().at(spot))

    def text(
        self, spot: Spot, text: str, align: str = "left", size: float = 9.5, **more: Any
    ) -> None:
        """Words; `align` says which end of them is at the spot."""
        # schemdraw's own labels shift with the direction of the part before them.
        self.axes.text(*spot, text, ha=align, va="center", fontsize=size, **more)

    def net(self, spot: Spot, text: str, align: str = "left", color: str = _BLUE) -> None:
        """The end of a wire that goes on where the same name stands."""
        self.add(self.elm.Dot(open=True).at(spot))
        x = spot[0] + (0.3 if align == "left" else -0.3)
        if align == "center":
            self.text((spot[0], spot[1] + 0.4), text, align, color=color)
        else:
            self.text((x, spot[1]), text, align, color=color)

    def box(self, corner: Spot, other: Spot, title: str, size: float = 10.5) -> None:
        """A chip or module, its name in the middle."""
        (x0, y0), (x1, y1) = corner, other
        self.wire((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))
        if title:
            self.text(((x0 + x1) / 2, (y0 + y1) / 2), title, "center", size)

    def heading(self, spot: Spot, text: str) -> None:
        """Name of a part of the sheet."""
        self.text(spot, text, size=13)


def power_stage(sheet: Sheet, board: BoardFile) -> None:
    """Supply, decoupling, tank, MOSFET, gate driver and the controller."""
    top, gate = 10.0, 4.6
    sheet.heading((0, 12), "Power stage")
    sheet.net((1.2, top), "supply +", "center", "black")
    sheet.part("Fuse", (1.2, top), (3.6, top), "F1")
    sheet.wire((3.6, top), (4.6, top))
    sheet.box((4.6, top - 0.9), (9.6, top + 0.9), "current sensor\nA or B")
    sheet.text((4.75, top), "in")
    sheet.text((9.45, top), "out", "right")
    sheet.wire((9.6, top), (20.8, top))
    for x, name, kind in (
        (11.6, "C1\n47 µF", "Capacitor2"),
        (14.2, "C2 1 µF\nceramic", "Capacitor"),
    ):
        sheet.dot((x, top))
        sheet.part(kind, (x, top), (x, top - 2), name, "bottom")
        sheet.ground((x, top - 2))
    drain = (18.0, 7.2)
    sheet.dot((18, top), drain)
    sheet.part("Inductor2", (18, top), drain, "L1\ncoil", "bottom", loops=4)
    sheet.part("Capacitor", (20.8, top), (20.8, 7.2), "C3, tank\nfilm or\nC0G", "bottom")
    sheet.wire((20.8, 7.2), drain)
    mosfet = sheet.add(sheet.elm.NMos(diode=True).at((18, gate + 0.9)).anchor("drain").theta(0))
    sheet.wire(drain, tuple(mosfet.drain))
    sheet.text((19.2, gate), "Q1, N-channel, its\non-resistance rated\nat 4.5 V or less")
    sheet.wire(tuple(mosfet.source), (18, 2.4))
    sheet.ground((18, 2.4))
    _gate_driver(sheet, board, tuple(mosfet.gate))
    sheet.wire((1.2, 8.7), (2.6, 8.7))
    sheet.net((1.2, 8.7), "supply −", "center", "black")
    sheet.ground((2.6, 8.7))


def _gate_driver(sheet: Sheet, board: BoardFile, gate: Spot) -> None:
    y = gate[1]
    sheet.box((11.8, y - 1), (14.6, y + 1), "U1\ngate driver")
    sheet.text((14.45, y - 0.75), "EN", "right", 9)
    sheet.wire((14.3, y - 1), (14.3, y - 1.6))
    sheet.add(sheet.elm.Dot(open=True).at((14.3, y - 1.6)))
    sheet.text((14.3, y - 2.0), "EN", "center", color=_BLUE)
    sheet.wire((14.6, y), gate)
    sheet.dot((15.8, y))
    sheet.part("Resistor", (15.8, y), (15.8, y - 2.2), "R2\n10 kΩ", "bottom")
    sheet.ground((15.8, y - 2.2))
    sheet.wire((13.2, y - 1), (13.2, y - 2.2))
    sheet.ground((13.2, y - 2.2))
    sheet.wire((13.2, y + 1), (13.2, y + 1.9))
    sheet.net((13.2, y + 1.9), "5 V", "right")
    sheet.dot((13.2, y + 1.5))
    sheet.part("Capacitor", (13.2, y + 1.5), (15.2, y + 1.5), "C4 1 µF")
    sheet.wire((15.2, y + 1.5), (15.8, y + 1.5))
    sheet.ground((15.8, y + 1.5))
    pull = min(_PULL_DOWN_OHM, board.pull_down_most_ohm or _PULL_DOWN_OHM)
    sheet.dot((10.2, y))
    sheet.part("Resistor", (10.2, y), (10.2, y - 2.2), f"R1\n{pull / 1e3:g} kΩ", "bottom")
    sheet.ground((10.2, y - 2.2))
    _controller(sheet, board, y)
    sheet.wire((6, y), (11.8, y))


def _controller(sheet: Sheet, board: BoardFile, gate_y: float) -> None:
    """The board with its pins; the gate's at the height of the driver's input."""
    found = pins(board)
    left, right = 0.0, 6.0
    roles = [role for role in _ROLES if role in found]
    rows = ["5 V (USB)", labels(board)[0], "3.3 V", *labels(board)[1:], "GND"]
    nets = ["5 V", "", "3.3 V", *(_ROLES[role] for role in roles[1:]), ""]
    top, bottom = gate_y + 1.7, gate_y + 1 - (len(rows) - 1) - 0.7
    sheet.box((left, bottom), (right, top), "")
    sheet.text((left + 0.3, gate_y - 1.6), board.title.replace(" (", "\n("), size=11)
    if "led" in found:
        sheet.text((left + 0.3, gate_y - 3.4), f"LED, on the board:\nGPIO {found['led']}")
    for i, (row, net) in enumerate(zip(rows, nets, strict=True)):
        y = gate_y + 1 - i
        color = _BLUE if row.startswith("GPIO") else "black"
        sheet.text((right - 0.15, y), row, "right", color=color)
        if net:
            sheet.wire((right, y), (right + 0.6, y))
            sheet.net((right + 0.6, y), net)
        elif row == "GND":
            sheet.wire((right, y), (right + 0.9, y))
            sheet.ground((right + 0.9, y))


def amplifier(sheet: Sheet, x: float, y: float, pin: str) -> None:
    """Current sensor A: a shunt with its amplifier on an ADC pin."""
    sheet.heading((x, y + 2.2), "Current sensor A: shunt amplifier")
    sheet.net((x + 0.6, y), "in", "right", "black")
    sheet.wire((x + 0.6, y), (x + 2.4, y))
    sheet.part("Resistor", (x + 2.4, y), (x + 5.6, y), "RS 0.1 Ω, 1 W")
    sheet.wire((x + 5.6, y), (x + 7.4, y))
    sheet.net((x + 7.4, y), "out", "left", "black")
    sheet.dot((x + 2.4, y), (x + 5.6, y))
    sheet.wire((x + 2.4, y), (x + 2.4, y - 1.2))
    sheet.wire((x + 5.6, y), (x + 5.6, y - 1.2))
    sheet.box((x + 1.6, y - 3.4), (x + 6.4, y - 1.2), "U2\n20 V/V")
    for dx, name in ((2.4, "IN+"), (5.6, "IN−")):
        sheet.text((x + dx, y - 1.5), name, "center", 9)
    sheet.text((x + 1.75, y - 2.3), "V+", "left", 9)
    sheet.wire((x + 1.6, y - 2.3), (x + 0.9, y - 2.3))
    sheet.net((x + 0.9, y - 2.3), "3.3 V", "right")
    for dx, name in ((2.4, "GND"), (5.6, "REF")):
        sheet.text((x + dx, y - 3.1), name, "center", 9)
        sheet.wire((x + dx, y - 3.4), (x + dx, y - 4.2))
    sheet.ground((x + 2.4, y - 4.2))
    sheet.net((x + 5.6, y - 4.2), "", "left")
    sheet.text((x + 5.85, y - 4.2), "BIAS", color=_BLUE)
    sheet.text((x + 6.25, y - 2.3), "OUT", "right", 9)
    sheet.part("Resistor", (x + 6.4, y - 2.3), (x + 8.8, y - 2.3), "1 kΩ")
    sheet.dot((x + 8.8, y - 2.3))
    sheet.part("Capacitor", (x + 8.8, y - 2.3), (x + 8.8, y - 4.2), "100 nF", "bottom")
    sheet.ground((x + 8.8, y - 4.2))
    sheet.wire((x + 8.8, y - 2.3), (x + 9.8, y - 2.3))
    sheet.net((x + 9.8, y - 2.3), pin)


def module(sheet: Sheet, x: float, y: float, scl: str, sda: str, alert: str | None) -> None:
    """Current sensor B: a module with an INA219 or INA226."""
    sheet.heading((x, y + 2.2), "Current sensor B: INA219 or INA226 module")
    left, right, low = x + 1.9, x + 7, y - 2.9
    sheet.box((left, low), (right, y + 0.6), "")
    sheet.text((x + 3.7, y - 1.2), "shunt 0.1 Ω and\nI2C pull-ups on\nthe module", "center", 9)
    sheet.wire((x + 0.6, y), (left, y))
    sheet.net((x + 0.6, y), "in", "right", "black")
    sheet.text((left + 0.15, y), "VIN+", "left", 9)
    sheet.wire((right, y), (x + 8.8, y))
    sheet.net((x + 8.8, y), "out", "left", "black")
    for down, name in ((0.0, "VIN−"), (0.9, "VBUS"), (1.8, "ALERT")):
        sheet.text((right - 0.15, y - down), name, "right", 9)
    sheet.wire((right, y - 0.9), (x + 7.9, y - 0.9), (x + 7.9, y))
    sheet.dot((x + 7.9, y))
    sheet.text((x + 8.1, y - 0.8), "if it has one", "left", 9)
    sheet.wire((right, y - 1.8), (x + 7.6, y - 1.8))
    sheet.net((x + 7.6, y - 1.8), alert or "free; INA226: or a\nGPIO, see --alert")
    for dx, name in ((2.5, "VCC"), (3.8, "GND"), (5.1, "SCL"), (6.4, "SDA")):
        sheet.text((x + dx, low + 0.3), name, "center", 9)
        sheet.wire((x + dx, low), (x + dx, low - 0.7))
    sheet.ground((x + 3.8, low - 0.7))
    for dx, name in ((2.5, "3.3 V"), (5.1, scl), (6.7, sda)):
        sheet.add(sheet.elm.Dot(open=True).at((x + min(dx, 6.4), low - 0.7)))
        sheet.text((x + dx, low - 1.2), name, "center", color=_BLUE)


def bias(sheet: Sheet, x: float, y: float) -> None:
    """0.2 V that lifts the sensors off the end of the ADC's range."""
    sheet.heading((x, y + 2.2), "Bias, 0.2 V")
    sheet.net((x + 1, y + 0.9), "3.3 V", "center")
    sheet.part("Resistor", (x + 1, y + 0.9), (x + 1, y - 1.3), "1.5 kΩ", "bottom")
    sheet.dot((x + 1, y - 1.3))
    sheet.part("Resistor", (x + 1, y - 1.3), (x + 1, y - 3.5), "100 Ω", "bottom")
    sheet.ground((x + 1, y - 3.5))
    sheet.wire((x + 1, y - 1.3), (x + 3.9, y - 1.3))
    sheet.dot((x + 3.1, y - 1.3))
    sheet.part("Capacitor", (x + 3.1, y - 1.3), (x + 3.1, y - 3.5), "1 µF", "bottom")
    sheet.ground((x + 3.1, y - 3.5))
    sheet.net((x + 3.9, y - 1.3), "BIAS")


def probe(sheet: Sheet, x: float, y: float, pin: str) -> None:
    """Pickup probe with divider and peak detector."""
    sheet.heading((x, y + 2.2), "Pickup probe and peak detector")
    low = y - 3
    sheet.part("Inductor2", (x + 1, y), (x + 1, low), "L2", "bottom", loops=4)
    sheet.part("Capacitor", (x + 2.6, y), (x + 2.6, low), "C5", "bottom")
    sheet.wire((x + 1, y), (x + 4.2, y))
    sheet.dot((x + 2.6, y), (x + 2.6, low))
    sheet.text((x + 3.4, low - 0.7), "L2 and C5 as in a lamp, without the LEDs", size=9)
    sheet.part("Resistor", (x + 4.2, y), (x + 6.6, y), "91 kΩ")
    sheet.dot((x + 6.6, y))
    sheet.part("Resistor", (x + 6.6, y), (x + 6.6, low), "10 kΩ", "bottom")
    sheet.dot((x + 6.6, low))
    sheet.part("Schottky", (x + 6.6, y), (x + 9.2, y), "D1")
    for dx, kind, name in ((9.2, "Capacitor", "C6\n2.2 nF"), (11, "Resistor", "470 kΩ")):
        sheet.dot((x + dx, y), (x + dx, low))
        sheet.part(kind, (x + dx, y), (x + dx, low), name, "bottom")
    sheet.wire((x + 9.2, y), (x + 12, y))
    sheet.part("Resistor", (x + 12, y), (x + 14.2, y), "10 kΩ")
    sheet.wire((x + 1, low), (x + 11, low))
    sheet.wire((x + 1, low), (x + 1, low - 0.7))
    sheet.add(sheet.elm.Dot(open=True).at((x + 1, low - 0.7)))
    sheet.text((x + 1.25, low - 0.7), "BIAS", color=_BLUE)
    sheet.dot((x + 1, low))
    sheet.wire((x + 14.2, y), (x + 16, y))
    sheet.dot((x + 14.9, y))
    sheet.part("Schottky", (x + 14.9, y), (x + 14.9, y + 1.5), "D2", "bottom")
    sheet.net((x + 14.9, y + 1.5), "3.3 V", "center")
    sheet.part("Schottky", (x + 14.9, y - 1.6), (x + 14.9, y), "D3", "bottom")
    sheet.ground((x + 14.9, y - 1.6))
    sheet.net((x + 16, y), pin)


def light(sheet: Sheet, x: float, y: float, pin: str) -> None:
    """Photodiode over one lamp."""
    sheet.heading((x, y + 2.2), "Light sensor")
    sheet.net((x + 1, y + 0.9), "3.3 V", "center")
    sheet.part("Photodiode", (x + 1, y - 1.3), (x + 1, y + 0.9), "D4", "top")
    sheet.dot((x + 1, y - 1.3), (x + 3, y - 1.3))
    sheet.part("Resistor", (x + 1, y - 1.3), (x + 1, y - 3.5), "100 kΩ", "bottom")
    sheet.part("Capacitor", (x + 3, y - 1.3), (x + 3, y - 3.5), "10 nF", "bottom")
    sheet.wire((x + 1, y - 3.5), (x + 3.6, y - 3.5))
    sheet.dot((x + 3, y - 3.5))
    sheet.net((x + 3.6, y - 3.5), "BIAS")
    sheet.wire((x + 1, y - 1.3), (x + 3.8, y - 1.3))
    sheet.net((x + 3.8, y - 1.3), pin)


def latch(sheet: Sheet, x: float, y: float, names: dict[str, str]) -> None:
    """A flip-flop that holds the gate driver's enable low once a comparator or alert cleared it.

    A rising edge at CLK sets it again, but not while CLR is low. At power-on PRE sets it.
    """
    sheet.heading((x, y + 2.2), "Latch in hardware (may be left out)")
    set_y, clear_y, top = y - 1.4, y - 3.6, y + 1.2
    source, start = "ALERT of B", x + 9.2
    if "supply" in names:
        _comparator(sheet, x, y, names["supply"])
        source, start = f"or {source}", x + 8
    sheet.wire((start, set_y), (x + 13.2, set_y))
    sheet.dot((x + 9.2, set_y), (x + 10.6, set_y))
    sheet.part("Resistor", (x + 9.2, set_y), (x + 9.2, top), "10 kΩ", "bottom")
    sheet.net((x + 9.2, top), "3.3 V", "center")
    sheet.wire((x + 10.6, set_y), (x + 10.6, y - 2.3))
    sheet.net((x + 10.6, y - 2.3), source)
    left, right = x + 13.2, x + 17.2
    sheet.box((left, y - 4.6), (right, y), "U4, ½ 74HC74\nat 3.3 V", 9.5)
    sheet.text((left + 0.15, set_y), "CLR", "left", 9)
    sheet.text((left + 0.15, clear_y), "CLK", "left", 9)
    sheet.text((right - 0.15, set_y), "Q", "right", 9)
    more = "D: 3.3 V\nPRE: 10 kΩ to 3.3 V, 100 nF to ground"
    sheet.text(((left + right) / 2, y - 5.3), more, "center", 9)
    sheet.wire((x + 8, clear_y), (left, clear_y))
    sheet.net((x + 8, clear_y), names.get("latch_clear", "a GPIO, see --latch-clear"), "right")
    sheet.dot((x + 10.6, clear_y))
    sheet.part("Resistor", (x + 10.6, clear_y), (x + 10.6, y - 5.8), "10 kΩ", "bottom")
    sheet.net((x + 10.6, y - 5.8), "3.3 V")
    sheet.wire((right, set_y), (x + 20.8, set_y))
    sheet.net((x + 20.8, set_y), "EN")
    sheet.dot((x + 18.2, set_y), (x + 19.6, set_y))
    sheet.wire((x + 18.2, set_y), (x + 18.2, y))
    sheet.net((x + 18.2, y), names.get("latch", "a GPIO, see --latch"))
    sheet.part("Resistor", (x + 19.6, set_y), (x + 19.6, y - 3.6), "R7\n10 kΩ", "bottom")
    sheet.ground((x + 19.6, y - 3.6))


def _comparator(sheet: Sheet, x: float, y: float, pin: str) -> None:
    """Pulls its output low while the shunt amplifier shows more than the threshold."""
    top, above, below, low = y + 1.2, y - 0.7, y - 2.1, y - 3
    sheet.net((x + 1, top), "3.3 V", "center")
    sheet.part("Resistor", (x + 1, top), (x + 1, above), "R5\n2.2 kΩ", "bottom")
    sheet.dot((x + 1, above))
    sheet.part("Resistor", (x + 1, above), (x + 1, low), "R6\n10 kΩ", "bottom")
    sheet.ground((x + 1, low))
    sheet.wire((x + 1, above), (x + 5, above))
    sheet.box((x + 5, y - 2.8), (x + 8, y), "U3\ncomparator\nat 5 V", 9.5)
    sheet.text((x + 5.15, above), "+", size=11)
    sheet.text((x + 5.15, below), "−", size=11)
    sheet.wire((x + 4.4, below), (x + 5, below))
    sheet.net((x + 4.4, below), pin, "right")


def notes(board: BoardFile) -> str:
    """What must be known beside the circuit."""
    low, high = (value * 1e-6 for value in board.adc_range_uv)
    known = {"low": f"{low:g}", "high": f"{high:g}", "reset": board.reset}
    lines = _NOTES.format(**known).strip().split("\n\n")
    return "\n".join(textwrap.fill(line, 70) for line in lines)


def draw(board: BoardFile, path: Path) -> None:
    """Draw a board's diagram into an SVG whose text stays text."""
    import matplotlib as mpl
    import schemdraw
    from matplotlib.figure import Figure

    mpl.rcParams["svg.fonttype"] = "none"
    mpl.rcParams["svg.hashsalt"] = "coilwright"
    schemdraw.use("matplotlib")
    (x0, y0), (x1, y1) = _CORNERS
    figure = Figure(figsize=((x1 - x0) * _INCHES, (y1 - y0) * _INCHES), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    names = {role: f"GPIO {pin}" for role, pin in pins(board).items()}
    drawing = schemdraw.Drawing(canvas=axes, show=False)
    drawing.config(fontsize=10, lw=1.2)
    sheet = Sheet(drawing, axes)
    power_stage(sheet, board)
    if "supply" in names:
        amplifier(sheet, 0, -6.6, names["supply"])
    if "scl" in names:
        module(sheet, 12.4, -6.6, names["scl"], names["sda"], names.get("alert"))
    bias(sheet, 0, -14.6)
    if "probe" in names:
        probe(sheet, 5.6, -14.6, names["probe"])
    if "light" in names:
        light(sheet, 0, -22.2, names["light"])
    if "supply" in names or board.wiring.sensor == "ina226":
        latch(sheet, 0, -30, names)
    sheet.text((8, -23.3), notes(board), size=10, color=_GREY)
    drawing.draw(show=False)
    axes.set(xlim=(x0, x1), ylim=(y0, y1))
    axes.set_axis_off()
    figure.savefig(path, metadata={"Date": None, "Creator": None})


def main() -> None:
    """Draw the boards that are named, or all."""
    PICTURES.mkdir(exist_ok=True)
    for name in sys.argv[1:] or board_names():
        board = load_board(name)
        draw(board, picture(board))
        print(picture(board).name)


if __name__ == "__main__":
    main()
