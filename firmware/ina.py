"""Current-sense amplifiers INA219 (data sheet SBOS448) and INA226 (SBOS547) over I2C.

Every reading is one triggered conversion of the shunt voltage. The current is worked out from
the shunt by the caller, so the chip's own calibration register stays unused.
"""

# configuration: one shunt conversion, triggered; time for it; counts at the top; nV a count;
# bits below the bus voltage, uV a count of it; equal readings in a row that no sound one gives
_KINDS = {
    "ina219": (0x3999, 600, 32000, 10000, 3, 4000, 0),  # 32 V, +-320 mV, 12 bits 586 us at most
    "ina226": (0x4091, 380, 32767, 2500, 0, 1250, 400),  # 1 average, 332 us, 365 us at most
}


class Shunt:
    """One sensor; `read` answers the shunt voltage in microvolts."""

    few = 1  # conversions in the guard's short look
    alert: int | None  # pin at its alert output: wiring.py
    unit_uv: int  # of a count, in millionths of a microvolt: alert.py

    def __init__(self, i2c, kind, address, clock):
        self.config, self._us, self._top, self._nv, self.less, self.step, self.still = _KINDS[kind]
        self.i2c = i2c
        self.address = address
        self.clock = clock
        self.word = bytearray(2)
        self.top_uv = self._top * self._nv // 1000
        """Readings of this size and more are over range."""

    def read(self):
        """Shunt voltage in microvolts, signed. Raises OSError when the sensor does not answer."""
        value = self.take(self.config, 1)
        if value & 0x8000:
            value -= 0x10000
        return value * self._nv // 1000

    def volts(self):
        """Bus voltage in microvolts: the supply behind the shunt."""
        return (self.take(self.config + 1, 2) >> self.less) * self.step

    def take(self, config, register):
        """One conversion, and the word in a register after it."""
        word = self.word
        word[0] = config >> 8
        word[1] = config & 255
        self.i2c.writeto_mem(self.address, 0, word)
        self.clock.sleep_us(self._us)
        self.i2c.readfrom_mem_into(self.address, register, word)
        return word[0] << 8 | word[1]
