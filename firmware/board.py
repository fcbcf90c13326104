"""The board: pins, converters, PWM chip, clock. The other modules get their hardware here."""

import machine


class Adc:
    """A converter channel; `read` answers microvolts.

    `glance` is the converter's own function, which allocates nothing, in counts of `unit_uv`
    millionths of a microvolt.
    """

    few = 8  # conversions in the guard's short look
    still = 0  # equal readings in a row are no sign

    def __init__(self, chip, pin, full_uv):
        self._esp32 = chip == "esp32"
        self.full = full_uv
        if self._esp32:
            self.adc = machine.ADC(machine.Pin(pin), atten=machine.ADC.ATTN_11DB)
            self.top_uv = full_uv + 1
            self.glance = self.adc.read_uv  # type: ignore[attr-defined]
            self.unit_uv = 1000000
        else:
            self.adc = machine.ADC(machine.Pin(pin))
            self.top_uv = 65520 * full_uv // 65535
            self.glance = self.adc.read_u16
            self.unit_uv = full_uv * 1000000 // 65535

    def read(self):
        """One conversion in microvolts."""
        if self._esp32:
            return self.adc.read_uv()  # type: ignore[attr-defined]
        return self.adc.read_u16() * self.full // 65535


class Board:
    """Everything that is soldered; made and filled in by wiring.py."""

    calibration: list

    def __init__(self, clock, gate):
        self.clock = clock
        self.gate = gate
        self.gate_low()
        self.problem = ""
        """What is wrong with board.json."""
        self.fault = ""
        """Why the output cannot be used on this board; empty when it can."""
        self.about = ""
        """Chip, PWM clock, gate pin and supply sensor as text."""
        self.chip = self.supply = self.probe = self.light = self.led = None
        self.volts = None
        """Function that answers the supply voltage in uV, where it is measured."""
        self.celsius = None
        """Function that answers the chip's temperature in millionths of a degree, likewise."""
        self.dog = getattr(machine, "WDT", None)
        """The hardware watchdog; it cannot be stopped once it is made."""
        self.cause = 0
        """Trip to begin with: 110 where the watchdog has reset the board."""
        self.timer = None
        """Timer of the fast guard, where the supply sensor can be read in its callback."""
        self.number = "0"
        """The chip's unique number in hex, 0 where it has none."""

    def gate_low(self):
        """The gate pin as a plain low output, whatever drove it before."""
        machine.Pin(self.gate, machine.Pin.OUT, value=0)

    def pwm(self, hz):
        """The PWM on the gate pin, at duty 0."""
        return machine.PWM(machine.Pin(self.gate), freq=hz, duty_u16=0)

    def blink(self, number, waiting, ms):
        """Show on the LED, with the output off, the number of a trip, 100 for damaged settings or
        0: docs/standalone.md.
        """
        n = 2 * (number - 100)
        step = (ms >> 8) % max(n + 12, 12)
        bit = (step < n and step % 2 == 0) or (waiting and n + 4 <= step < n + 8)
        if not n:
            bit = ms >> 10 & 1
        bit = 1 if bit else 0
        if self.led and self.led.value() != bit:
            self.led.value(bit)

    def watch(self, ms):
        """Begin the watchdog. The file tells its reset from others at the next start: on RP2 every
        `machine.reset()` reports the watchdog as its cause.
        """
        try:
            open("watchdog", "w").close()
        except OSError:
            pass  # flash full: it bites all the same
        return self.dog(timeout=ms)

    def reset(self):
        """Reset the board."""
        machine.reset()

    def uptime(self):
        """Milliseconds since power-on, up to 2^30."""
        return self.clock.ticks_ms() & 0x3FFFFFFF
