"""Inputs of the simulated board: the bench knows their level. Loaded only where one is wired."""

import sys

import sim_machine as machine
import sim_timer

HARD_TOO = "sim_pin=hard" in sys.argv  # an RP2's; the ESP32 has soft ones alone


class EdgePin(machine.Pin):
    """A pin; an input's falling edge is looked for as often as the bench says."""

    PULL_UP, IRQ_FALLING = 2, 2
    hard = False

    def __init__(self, id, mode=-1, *_, **options):
        self.mode = mode
        super().__init__(id, mode, **options)

    def value(self, v=None):
        if self.mode != 1:
            return super().value(v)
        self.data = bytearray(5)
        machine.put(65, self.id)  # A
        machine.get(self.data)
        return self.data[0]

    def irq(self, handler, trigger, **options):
        if options and not HARD_TOO:
            raise TypeError("extra keyword arguments given")
        self.hard = options.get("hard", False)
        self.cb = handler
        self.last = 1
        self.time = machine.clock.now
        sim_timer.parts.append(self)
        sim_timer.plan()

    def run(self):
        level = self.value()
        self.time += machine.struct.unpack_from("<I", self.data, 1)[0]
        fallen, self.last = self.last and not level, level
        if fallen:
            self.cb(self)


machine.Pin = EdgePin
