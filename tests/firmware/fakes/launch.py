"""Runs the firmware from source under MicroPython: ``launch.py FIRMWARE FAKES``."""

import sys

sys.path.insert(0, sys.argv[2])
sys.path.insert(0, sys.argv[1])
import hw_esp32
import machine

machine.chip = hw_esp32.Chip()


class _Forget:
    def append(self, _):
        """Forget it: what a fake notes would fill the heap."""


machine.writes = machine.moved_high = _Forget()
__import__("boot")
__import__("main")
