"""The serial link: ports, opening without a reset, transport, and the driver as an object.

Importing this package registers its URL handlers with pyserial, so that `sim://` (the simulated
bench) is a port like any other.
"""

from __future__ import annotations

import serial

from coilwright.link.driver import Driver
from coilwright.link.facts import Board, Calibration, DriverState, Identity, Limits, Trip
from coilwright.link.plans import DutySweep, FrequencySweep, PointList, SweepPlan
from coilwright.link.timeouts import Timeouts
from coilwright.link.transport import transcript_of

__all__ = [
    "Board",
    "Calibration",
    "Driver",
    "DriverState",
    "DutySweep",
    "FrequencySweep",
    "Identity",
    "Limits",
    "PointList",
    "SweepPlan",
    "Timeouts",
    "Trip",
    "transcript_of",
]

if "coilwright.link" not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append("coilwright.link")
