"""The alert pin of an INA226 (data sheet SBOS547): the sensor itself looks for an excess.

It converts on and on, compares every result with a limit a quarter above that of the trip, and
from the first one above it holds its open-drain pin low until its mask register is read. The pin's
interrupt takes the duty away, as the timer of guard.py does elsewhere. Loaded only where the pin
is wired.
"""

import guard
import machine


class Guard(guard.Guard):
    """The guard, with the sensor's pin in place of a timer."""

    def __init__(self, *parts):
        super().__init__(*parts)
        supply, board = self.supply, self.board
        supply.config += 4  # the shunt voltage, one conversion after the other
        supply.unit_uv = 2500000
        board.volts = self.volts_q
        self.most = None  # limit in counts while it is armed
        self.timer = pin = machine.Pin(supply.alert, machine.Pin.IN, machine.Pin.PULL_UP)
        try:
            if not self.follows():
                text = "alert pin %d does not follow its sensor" % supply.alert
                board.fault = board.fault or text
        except OSError:
            pass  # a sensor that is silent is found by reading it
        pin.irq(self.tick, machine.Pin.IRQ_FALLING)

    def follows(self):
        """Whether the pin goes low when the sensor is told to alert, and high after."""
        self.arm(32767, 0x4001)  # under the limit
        self.supply.read()
        low = not self.timer.value()
        self.arm(32767, 0x8001)
        return low and self.timer.value()

    def arm(self, most, mask):
        """Set limit and function, with a latch, and release the pin by reading the mask."""
        self.write(7, most)
        self.write(6, mask)
        self.get(6)

    def write(self, register, value):
        """Set a register of the sensor."""
        supply = self.supply
        supply.word[0] = value >> 8
        supply.word[1] = value & 255
        supply.i2c.writeto_mem(supply.address, register, supply.word)

    def get(self, register):
        """The word in a register of the sensor."""
        supply = self.supply
        supply.i2c.readfrom_mem_into(supply.address, register, supply.word)
        return supply.word[0] << 8 | supply.word[1]

    def volts_q(self):
        """Bus voltage in microvolts; then back to the shunt."""
        value = self.supply.volts()
        self.write(0, self.supply.config)
        return value

    def tick(self, _):
        """Called by the pin, between any two steps of the main loop: allocates nothing."""
        drive = self.drive
        if self.most is not None and not drive.cut:
            drive.cut = True
            if drive.pwm:
                drive.pwm.duty_u16(0)

    def watch(self, wanted):
        """Arm it for every output anew and for every other limit; look whether it has acted."""
        if not wanted:
            self.most = None
            return
        s = self.limits
        uv = s.current_offset + s.trip_ua * 1250000 // max(s.current_gain, 1)
        most = min(max(uv, 0) * 1000 // 2500, 32766)
        try:
            if most != self.most:
                self.arm(most, 0x8001)  # over the limit
                self.most = most
            if not self.timer.value():  # also where the interrupt got lost
                self.tick(None)
            if self.drive.cut:
                self.seen = most + 1
                value = self.get(1)  # the last one: it may be from after the cut
                if most < value < 32768:
                    self.seen = value
                if most == 32766:  # the trip's own limit is beyond its range
                    self.trip(103, "over range")
        except OSError:
            pass  # likewise
