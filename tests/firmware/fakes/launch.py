"""Runs the firmware from source under MicroPython: ``launch.py FIRMWARE FAKES``."""

import sys

sys.path.insert(0, sys.argv[2])
sys.path.insert(0, sys.argv[1])
import machine
import pwm_esp32

machine.chip = pwm_esp32.Chip()


class _Keep:
    def append(self, _):
        pass


machine.writes = _Keep()
exec(open(sys.argv[1] + "/boot.py").read())
exec(open(sys.argv[1] + "/main.py").read())
