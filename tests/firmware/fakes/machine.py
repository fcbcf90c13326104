"""A tiny `machine` for the firmware's tests: pins, PWM in the ports' order of writes, ADC, I2C."""

writes = []
"""What was done to the gate: ("pin", value), ("timer", raw, span, mHz), ("duty", raw, span,
mHz)."""
chip = None
"""PWM arithmetic of the port; set by the test before the board is built."""
on_conversion = None
"""Called for every conversion; lets a test's clock go on."""
led = None
"""Number of the pin with the LED."""
timers = []
"""Timers that run."""
half_scale_first = False
"""Whether PWM begins at half scale, as the ESP32 port does before 1.26."""
held = set()
"""Numbers of the pins whose pads are held: nothing reaches them."""
moved_high = []
"""Counts of the duty at each change of frequency; what a chip that restarts its timer doubles."""
voltages = {34: 200000, 35: 900000, 32: 500000, 26: 200000, 27: 900000, 4: 706000}
"""Microvolts at the ADC pins."""
registers = {}
"""I2C registers by number."""


def freq():
    """System clock in Hz."""
    return 125000000


WDT_RESET = 3
cause = 1
"""Why the board was reset last."""
dogs = []
"""Watchdogs that were started: lists of timeout in ms and how often it was fed."""
resets = []
"""One entry for each time the board was reset by its program."""


def reset_cause():
    """Why the board was reset last."""
    return cause


def reset():
    """Reset the board; here it only says so."""
    resets.append(1)


class WDT:
    """Counts how often it was fed."""

    def __init__(self, timeout):
        self.told = [timeout, 0]
        dogs.append(self.told)

    def feed(self):
        """Put off the reset."""
        self.told[1] += 1


def unique_id():
    """Identity of this chip."""
    return b"\xde\xad\xbe\xef"


class Pin:
    """A pin; a plain low or high output is recorded, but not that of the LED."""

    OUT = 1
    IN = 0
    PULL_UP = 2

    def __init__(self, number, mode=None, pull=None, value=None, hold=None):
        self.number = number
        self.level = 0
        if mode == Pin.OUT and number != led:
            self.level = value
            writes.append(("pin", value))
        if hold is not None:
            (held.add if hold else held.discard)(number)

    def value(self, value=None):
        """Level of the pin."""
        if value is not None:
            self.level = value
        return self.level


class PWM:
    """Order of writes as in the ports: count range first, duty after; each step is recorded."""

    def __init__(self, pin, freq, duty_u16):
        self._pin = pin.number
        self._raw = 0
        self._u16 = 32768 if half_scale_first else duty_u16
        self.freq(freq)
        if half_scale_first:
            self.duty_u16(duty_u16)

    def freq(self, hz=None):
        """Set or read the frequency; count range first, duty after."""
        if hz is None:
            return (self._mhz + 500) // 1000
        moved_high.append(self._raw)
        self.span, self._mhz, _ = chip.plan(hz)
        writes.append(("timer", self._raw, self.span, self._mhz))
        self._set()
        return None

    def duty_u16(self, value):
        """Set the duty as the port scales it."""
        self._u16 = value
        self._set()

    def _set(self):
        if chip.name == "ESP32":
            bits = self.span.bit_length() - 1 if hasattr(self.span, "bit_length") else 0
            while 1 << bits < self.span:
                bits += 1
            self._raw = self.span if self._u16 == 65535 else self._u16 >> (16 - bits)
        else:
            self._raw = (self._u16 * self.span + 32767) // 65535
        if self._pin not in held:
            writes.append(("duty", self._raw, self.span, self._mhz))

    def deinit(self):
        """Stop."""
        writes.append(("deinit",))


class ADC:
    """A converter on a pin of `voltages`."""

    ATTN_11DB = 3
    CORE_TEMP = 4  # of an RP2040; 8 in the larger RP2350

    def __init__(self, pin, atten=None):
        # ports/rp2/machine_adc.c: a channel by its number, else a pin that has one.
        self.number = pin if isinstance(pin, int) else pin.number
        if chip.name == "RP2" and pin is not self.CORE_TEMP and self.number == 4:
            raise ValueError("Pin doesn't have ADC capabilities")

    def read_uv(self):
        """Microvolts at the pin."""
        if on_conversion:
            on_conversion()
        return voltages[self.number]

    def read_u16(self):
        """16-bit reading over 3.3 V."""
        return min(self.read_uv() * 65535 // 3300000, 65535)


class I2C:
    """A bus with one device on it."""

    silent = False

    def __init__(self, id, freq=400000, scl=None, sda=None):
        pass

    def writeto_mem(self, address, register, data):
        """Write a register."""
        if I2C.silent:
            raise OSError(19)
        registers[register] = data[0] << 8 | data[1]

    def readfrom_mem_into(self, address, register, buffer):
        """Read a register."""
        if I2C.silent:
            raise OSError(19)
        buffer[0] = registers.get(register, 0) >> 8
        buffer[1] = registers.get(register, 0) & 255


class Timer:
    """A timer; a test calls the `callback` of those in `timers`."""

    PERIODIC = 1

    def __init__(self, number):
        self.number = number
        self.callback = None

    def init(self, mode, period, callback, hard=False):
        """Start. Only an RP2 has hard ones, from 1.26 on."""
        if hard and chip.name != "RP2":
            raise ValueError("hard Timers are not implemented")
        self.hard = hard
        self.callback = callback
        timers.append(self)

    def deinit(self):
        """Stop."""
        if self in timers:
            timers.remove(self)
