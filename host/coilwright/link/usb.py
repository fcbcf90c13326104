"""Which modem lines a board wants when its port is opened, decided by its USB vendor.

The usual ESP32 board joins the bridge's DTR and RTS to EN and GPIO0 by two transistors:

    ====== ====== ========= ==========================
    DTR    RTS    EN        GPIO0
    ====== ====== ========= ==========================
    off    off    high      high
    on     on     high      high
    off    on     **low**   high: the board is reset
    on     off    high      low: boot loader, if reset
    ====== ====== ========= ==========================

Linux and macOS raise both lines by themselves when a port is opened, in one step. So on POSIX the
lines are left *on*: switching them off one after the other would pass through "off, on" and reset
the board. Windows raises nothing by itself, so there a bridge's lines stay *off*. A board whose
USB is native (RP2, ESP32-S2/S3/C3) sends nothing until DTR is on.
"""

from __future__ import annotations

import os
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Lines:
    """State of the two modem lines to open a port with."""

    dtr: bool
    rts: bool


BOTH_ON = Lines(dtr=True, rts=True)
BOTH_OFF = Lines(dtr=False, rts=False)


@dataclass(frozen=True, slots=True)
class Vendor:
    """A USB vendor met on driver boards.

    Attributes:
        vid: USB vendor number.
        name: Who that is.
        bridge: True where a USB-UART bridge sits before the chip, False for native USB.
        posix: Lines to open with on Linux and macOS.
        windows: Lines to open with on Windows.
    """

    vid: int
    name: str
    bridge: bool
    posix: Lines
    windows: Lines


VENDORS = {
    vendor.vid: vendor
    for vendor in (
        Vendor(0x10C4, "Silicon Labs bridge", True, BOTH_ON, BOTH_OFF),
        Vendor(0x1A86, "WCH bridge", True, BOTH_ON, BOTH_OFF),
        Vendor(0x0403, "FTDI bridge", True, BOTH_ON, BOTH_OFF),
        Vendor(0x067B, "Prolific bridge", True, BOTH_ON, BOTH_OFF),
        Vendor(0x303A, "Espressif native USB", False, BOTH_ON, BOTH_ON),
        Vendor(0x2E8A, "Raspberry Pi RP2 native USB", False, BOTH_ON, BOTH_ON),
        Vendor(0xF055, "MicroPython native USB", False, BOTH_ON, BOTH_ON),
    )
}
"""The one table; docs/serial-ports.md shows it and a test compares the two."""


def lines_for(vid: int | None, system: str = os.name) -> Lines:
    """Modem lines to open a port with.

    Args:
        vid: USB vendor number; None where the port is not USB (or not known, as behind a network).
        system: `os.name` of the host: "posix" or "nt".
    """
    vendor = VENDORS.get(vid) if vid is not None else None
    if vendor is None:
        return BOTH_ON
    return vendor.windows if system == "nt" else vendor.posix
