"""Write the table of `winding-a-coil.md`: inductance at frequency against a solution in filaments.

Run `python docs/make_coil_table.py`; it takes a minute or two.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent / "tests"))

from circuit.filaments import converged  # noqa: E402
from coilwright.circuit.coil_figures import figures  # noqa: E402
from coilwright.circuit.field import MU0  # noqa: E402
from coilwright.circuit.winding import Former, Winding, wind  # noqa: E402
from coilwright.circuit.winding_loss import internal_inductance_ratio, skin_depth_m  # noqa: E402
from coilwright.circuit.wire import Wire  # noqa: E402

BEGIN, END = "<!-- inductance -->\n", "<!-- end of inductance -->\n"
FREQUENCIES_HZ = (100e3, 165e3, 400e3)


def _wire(diameter_m: float) -> Wire:
    return Wire("", diameter_m, 1.05 * diameter_m)


COILS: tuple[tuple[str, Winding], ...] = (
    ("solenoid, 60 mm × 9, wire 1 mm", wind(Former("solenoid", _wire(1e-3), 60e-3), 9)),
    ("solenoid, 60 mm × 7, wire 0.8 mm, pitch 1.6 mm",
     wind(Former("solenoid", _wire(0.8e-3), 60e-3, pitch_m=1.6e-3), 7)),
    ("solenoid, 20 mm × 5, wire 2 mm (1/10)", wind(Former("solenoid", _wire(2e-3), 20e-3), 5)),
    ("multilayer, 4 × 4 on 20 mm, wire 0.5 mm",
     wind(Former("multilayer", _wire(0.5e-3), 20e-3, inside=True, per_layer=4), 16)),
    ("multilayer, 2 × 2 on 18 mm, wire 2 mm (1/10)",
     wind(Former("multilayer", _wire(2e-3), 18e-3, inside=True, per_layer=2), 4)),
    ("spiral, 10 turns from 24 mm, wire 0.8 mm",
     wind(Former("spiral", _wire(0.8e-3), 23.16e-3, inside=True), 10)),
    ("loop, 20 mm, wire 2 mm (1/10)", wind(Former("loop", _wire(2e-3), 20e-3), 1)),
)  # fmt: skip


def table() -> str:
    """One row a coil and frequency."""
    heads = ("coil", "at", "direct current", "skin alone, off", "solved", "filaments")
    heads = (*heads, "off", "resistance off")
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    for name, coil in COILS:
        direct = coil.inductance_h()
        for frequency in FREQUENCIES_HZ:
            found = figures(coil, frequency)
            reference, resistance = converged(
                coil.radii_m, coil.heights_m, coil.wire.radius_m, frequency
            )
            own = float(found.inductance_h)
            skin = direct - driven_out_h(coil, frequency)
            lines.append(
                f"| {name} | {frequency / 1e3:.0f} kHz | {1e6 * direct:.3f} µH | "
                f"{100 * (skin / reference - 1):+.1f} % | {1e6 * own:.3f} µH | "
                f"{1e6 * reference:.3f} µH | {100 * (own / reference - 1):+.2f} % | "
                f"{100 * (float(found.resistance_ohm) / resistance - 1):+.1f} % |"
            )
    return "\n".join(lines) + "\n"


def driven_out_h(coil: Winding, frequency_hz: float) -> float:
    """What the skin effect alone drives out of the wire, in henry."""
    ratio = internal_inductance_ratio(coil.wire.radius_m / skin_depth_m(frequency_hz))
    return float(MU0 / (8 * math.pi) * coil.wire_length_m * (1 - ratio))


def main() -> None:
    """Put the table between its marks."""
    page = DOCS / "winding-a-coil.md"
    before, rest = page.read_text(encoding="utf-8").split(BEGIN)
    _, after = rest.split(END)
    page.write_text(f"{before}{BEGIN}\n{table()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
