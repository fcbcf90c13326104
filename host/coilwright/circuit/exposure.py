"""Magnetic field against ICNIRP's reference levels, as a plain ratio. It is no statement of safety.

Levels are rms values of the unperturbed field at one frequency. Tables and rows:

- 1998: Health Phys. 74(4) 494, Table 7 (general public; as in 1999/519/EC), rows 3-150 kHz and
  0.15-1 MHz, Table 6 (occupational, from memory), row 0.065-1 MHz. At 150 kHz exactly the two
  public rows do not meet (5 and 4.87 A/m): the lower one is used, that of 0.15-1 MHz.
- 2010: Health Phys. 99(6) 818, Tables 4 and 3, row 3 kHz-10 MHz, against stimulation of nerves.
- 2020: Health Phys. 118(5) 483, Tables 5 (whole body; occupational from memory) and 6 (local), row
  0.1-30 MHz, against heating.

Between 100 kHz and 10 MHz the rows of 2010 and of 2020 apply together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from coilwright.circuit.field import MU0
from coilwright.errors import OutOfRange

Group = Literal["public", "occupational"]

CAUTION = (
    "A ratio to a reference level is arithmetic, not an assessment and no statement of safety: "
    "close to a coil (some 20 cm) the guidelines ask for an assessment, implants are not covered "
    "at all, and local rules come first."
)
"""To be shown with every ratio."""


@dataclass(frozen=True, slots=True)
class ReferenceLevel:
    """One level: guideline, table and row it is from, for whom, averaged over what, A/m and tesla.

    `flux_density_t` is the guideline's own figure where it gives one (1998, 2010, rounded there),
    mu0 · H in 2020. `from_memory` marks rows that were not read in a copy.
    """

    guideline: str
    table: str
    row: str
    group: Group
    averaging: str
    field_a_per_m: float
    flux_density_t: float
    from_memory: bool = False

    def ratio(self, flux_density_t: float) -> float:
        """Field (rms, tesla) divided by this level."""
        return flux_density_t / self.flux_density_t


def reference_levels(frequency_hz: float, group: Group = "public") -> tuple[ReferenceLevel, ...]:
    """All rows that hold at a frequency: 1998, 2010, 2020 whole body, 2020 local.

    The rows of 2020 begin at 100 kHz, so below it there are two.

    Raises:
        OutOfRange: A frequency outside 65 kHz to 1 MHz, where other rows hold.
    """
    if not 65e3 <= frequency_hz <= 1e6:
        raise OutOfRange(
            f"No reference levels are kept for {frequency_hz:g} Hz.",
            "They are for 65 kHz to 1 MHz; other frequencies have other rows.",
        )
    old = _public_1998 if group == "public" else _occupational_1998
    levels = [old(frequency_hz), _of_2010(group)]
    if frequency_hz >= 100e3:
        levels += [_whole_body_2020(frequency_hz, group), _local_2020(frequency_hz, group)]
    return tuple(levels)


def alternating_rms_a(rms_a: float, mean_a: float) -> float:
    """Rms of the alternating part of a current, sqrt(rms² - mean²)."""
    return math.sqrt(max(rms_a**2 - mean_a**2, 0.0))


def _public_1998(frequency_hz: float) -> ReferenceLevel:
    averaging = "6 min, of squares, above 100 kHz"
    if frequency_hz < 150e3:
        row, field, flux = "3-150 kHz", 5.0, 6.25
    else:
        megahertz = frequency_hz / 1e6
        row, field, flux = "0.15-1 MHz", 0.73 / megahertz, 0.92 / megahertz
    return ReferenceLevel("ICNIRP 1998", "Table 7", row, "public", averaging, field, flux * 1e-6)


def _occupational_1998(frequency_hz: float) -> ReferenceLevel:
    megahertz = frequency_hz / 1e6
    return ReferenceLevel(
        "ICNIRP 1998",
        "Table 6",
        "0.065-1 MHz",
        "occupational",
        "6 min, of squares, above 100 kHz",
        1.6 / megahertz,
        2.0e-6 / megahertz,
        from_memory=True,
    )


def _of_2010(group: Group) -> ReferenceLevel:
    table, field, flux = {
        "public": ("Table 4", 21.0, 27e-6),
        "occupational": ("Table 3", 80.0, 100e-6),
    }[group]
    return ReferenceLevel("ICNIRP 2010", table, "3 kHz-10 MHz", group, "none", field, flux)


def _whole_body_2020(frequency_hz: float, group: Group) -> ReferenceLevel:
    field = {"public": 2.2, "occupational": 4.9}[group] / (frequency_hz / 1e6)
    memory = group == "occupational"
    return ReferenceLevel(
        "ICNIRP 2020",
        "Table 5, whole body",
        "0.1-30 MHz",
        group,
        "30 min",
        field,
        MU0 * field,
        from_memory=memory,
    )


def _local_2020(frequency_hz: float, group: Group) -> ReferenceLevel:
    field = {"public": 4.9, "occupational": 10.8}[group] / (frequency_hz / 1e6)
    return ReferenceLevel(
        "ICNIRP 2020", "Table 6, local", "0.1-30 MHz", group, "6 min", field, MU0 * field
    )
