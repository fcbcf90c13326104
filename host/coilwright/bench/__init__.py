"""Simulated bench: the firmware, unmodified, behind a serial line, acting on a solved circuit.

`serve` runs one for other programs; `process.Bench` is one as an object. Importing this package
is cheap; the circuit is loaded when a bench has started.
"""

from __future__ import annotations

from .serve import serve

__all__ = ["serve"]
