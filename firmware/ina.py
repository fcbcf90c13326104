"""Current-sense amplifiers INA219 (data sheet SBOS448) and INA226 (SBOS547) over I2C.

Every reading is one triggered conversion of the shunt voltage. The current is worked out from it
elsewhere, so the chip's own calibration register stays unused.

With its alert pin wired the INA226 converts on and on, compares every result with a limit, and from
the first one above it holds the open-drain pin low until its mask register is read. The pin's
interrupt takes the duty away, as a timer does elsewhere; wired to the enable of the gate driver as
well, the pin is a latch in hardware.
"""

import machine
from micropython import const

_CONFIGURATION = const(0)
_SHUNT = const(1)
_BUS = const(2)
_MASK = const(6)
_LIMIT = const(7)
_OVER_LIMIT = const(0x8001)  # of the shunt, with the latch
_UNDER_LIMIT = const(0x4001)
_CONTINUOUS = const(4)  # added to a triggered configuration


class Ina219:
    few = 1  # conversions in the guard's short look
    frozen = 0
    configuration = 0x3999  # 32 V, +-320 mV, 12 bits
    conversion_us = 600  # 586 at most
    top = 32000
    nanovolts = 10000  # of a count

    def __init__(self, i2c, address, clock):
        self.i2c = i2c
        self.address = address
        self.clock = clock
        self.word = bytearray(2)
        self.top_uv = self.uv(self.top)

    def uv(self, count):
        return count * self.nanovolts // 1000

    def counts(self, uv):
        return uv * 1000 // self.nanovolts

    def read(self):
        # Raises OSError when the sensor does not answer.
        value = self._convert(self.configuration, _SHUNT)
        return value - 0x10000 if value & 0x8000 else value

    def volts(self):
        # The supply behind the shunt in uV.
        return self._bus_uv(self._convert(self.configuration + 1, _BUS))

    def _bus_uv(self, word):
        return (word >> 3) * 4000

    def _convert(self, configuration, register):
        self.put(_CONFIGURATION, configuration)
        self.clock.sleep_us(self.conversion_us)
        return self.get(register)

    def put(self, register, value):
        self.word[0] = value >> 8
        self.word[1] = value & 255
        self.i2c.writeto_mem(self.address, register, self.word)

    def get(self, register):
        self.i2c.readfrom_mem_into(self.address, register, self.word)
        return self.word[0] << 8 | self.word[1]


class Ina226(Ina219):
    frozen = 400  # equal readings in a row, which no sound one gives
    configuration = 0x4091  # 1 average, 332 us
    conversion_us = 380  # 365 at most
    top = 32767
    nanovolts = 2500

    def _bus_uv(self, word):
        return word * 1250


class AlertingIna226(Ina226):
    def __init__(self, i2c, address, clock, pin):
        super().__init__(i2c, address, clock)
        self.configuration += _CONTINUOUS
        self.pin_number = pin
        self.pin = machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP)
        self.armed = None  # limit in counts

    def volts(self):
        uv = super().volts()
        self.put(_CONFIGURATION, self.configuration)
        return uv

    def pin_follows(self):
        # Low when the sensor is told to alert, and high after.
        self.arm(32767, _UNDER_LIMIT)
        self.read()
        low = not self.pin.value()
        self.arm(32767)
        return low and self.pin.value()

    def on_alert(self, callback):
        falling = machine.Pin.IRQ_FALLING
        try:
            self.pin.irq(callback, falling, hard=True)
        except (TypeError, ValueError):  # the ESP32 has soft ones alone
            self.pin.irq(callback, falling)

    def arm(self, count, mask=_OVER_LIMIT):
        # Reading the mask releases the pin.
        self.put(_LIMIT, count)
        self.put(_MASK, mask)
        self.get(_MASK)

    def watch(self, count):
        # Arm it for another limit, None for none; whether it has acted, also where its interrupt
        # got lost.
        if count != self.armed:
            self.armed = None
            if count is not None:
                self.arm(count)
            self.armed = count
        return count is not None and not self.pin.value()

    def last(self):
        # The last conversion, which may be from after the cut.
        return self.get(_SHUNT)


def make(sensor, info, clock):
    bus, supply = info.get("i2c", {}), info["supply"]
    pins = {key: machine.Pin(bus[key]) for key in ("scl", "sda") if key in bus}
    i2c = machine.I2C(bus.get("id", 0), freq=bus.get("freq", 400000), **pins)  # type: ignore
    address = supply.get("address", 64)
    if sensor == "ina219":
        return Ina219(i2c, address, clock)
    if supply.get("alert") is None:
        return Ina226(i2c, address, clock)
    return AlertingIna226(i2c, address, clock, supply["alert"])
