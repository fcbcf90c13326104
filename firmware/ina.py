"""Current-sense amplifiers INA219 (data sheet SBOS448) and INA226 (SBOS547) over I2C.

Every reading is one triggered conversion of the shunt voltage. The current is worked out from
the shunt by the caller, so the chip's own calibration register stays unused.
"""

# configuration: one shunt conversion, triggered; time for it; counts at the top; nV a count
_KINDS = {
    "ina219": (0x3999, 600, 32000, 10000),  # 32 V, +-320 mV, 12 bits 586 us at most
    "ina226": (0x4111, 380, 32767, 2500),  # 1 average, 332 us nominal, 365 us at most
}


class Shunt:
    """One sensor; `read` answers the shunt voltage in microvolts."""

    few = 1  # conversions in the guard's short look

    def __init__(self, i2c, kind, address, clock):
        self.config, self._us, self._top, self._nv = _KINDS[kind]
        self.i2c = i2c
        self.address = address
        self.clock = clock
        self.word = bytearray(2)
        self.top_uv = self._top * self._nv // 1000
        """Readings of this size and more are over range."""

    def read(self):
        """Shunt voltage in microvolts, signed. Raises OSError when the sensor does not answer."""
        word = self.word
        word[0] = self.config >> 8
        word[1] = self.config & 255
        self.i2c.writeto_mem(self.address, 0, word)
        self.clock.sleep_us(self._us)
        self.i2c.readfrom_mem_into(self.address, 1, word)
        value = word[0] << 8 | word[1]
        if value & 0x8000:
            value -= 0x10000
        return value * self._nv // 1000
