"""The board: pins, converters, PWM chip, clock. The other modules get their hardware here."""

import machine

_ESP32_TOP_UV = 2450000  # end of the linear range at 11 dB: MicroPython docs, esp32/quickref


class Adc:
    """A converter channel; `read` answers microvolts.

    `glance` is the converter's own function, which allocates nothing, in counts of `unit_uv`
    millionths of a microvolt.
    """

    few = 8  # conversions in the guard's short look

    def __init__(self, chip, pin, full_uv):
        self._esp32 = chip == "esp32"
        self.full = full_uv
        if self._esp32:
            self.adc = machine.ADC(machine.Pin(pin), atten=machine.ADC.ATTN_11DB)
            self.top_uv = _ESP32_TOP_UV + 1
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

    def uptime(self):
        """Milliseconds since power-on, up to 2^30."""
        return self.clock.ticks_ms() & 0x3FFFFFFF
