"""The RP2 port: ports/rp2/machine_pwm.c, machine_adc.c and machine_timer.c.

The PWM's period is a whole number of clock ticks above about 2 kHz, else divided by 16ths. TOP is
written before the compare level, both take effect at the wrap: when TOP falls below the level, the
output stays high for one period.
"""

import machine

USUAL = {"gate": 2, "supply": 26, "probe": 27, "full_uv": 3300000}
RUNS_ON = tuple(range(8, 16)) + tuple(range(24, 32))  # on slices 4 to 7, never stopped
TIMER = -1
TIMER_OPTIONS = {"hard": True}  # comes between any two instructions, also in a collection


class Chip:
    name = "RP2"
    top_first = True  # the count range follows the frequency: lower the duty before it moves
    restarts = False
    stdout_bytes_ms = 0  # USB tells by itself whether it takes more

    def __init__(self, clock_hz=125000000):
        self.clock_hz = clock_hz

    def plan(self, hz):
        # Counts a period, achieved frequency in mHz and band (divider in 16ths).
        clock = self.clock_hz
        if clock // hz < 65534:
            divider = 16
        else:
            divider = (16 * clock + 65534 * hz - 1) // (65534 * hz)
        ticks = divider * hz
        counts = (16 * clock + ticks // 2) // ticks
        return counts, 16000 * clock // (divider * counts), divider

    def word(self, raw, counts):
        # The duty_u16 that makes the port set `raw` counts: it rounds to the nearest.
        return (raw * 65535 + counts // 2) // counts


def chip(info):
    return Chip(machine.freq())


class Adc:
    # 65535 counts to the reference. `read` is the port's own function, which allocates nothing.
    few = 8  # conversions in the guard's short look
    frozen = 0  # equal readings in a row are no sign
    top = 65520  # twelve ones, as the port stretches them

    def __init__(self, source, full_uv):
        self.adc = machine.ADC(source)
        self.read = self.adc.read_u16
        self.full_uv = full_uv
        self.whole, rest = divmod(full_uv, 65535)
        self.rest = (rest * 10000 + 32767) // 65535
        self.top_uv = self.uv(self.top)

    def uv(self, count):
        # Two products, since one would leave the small integers of 32 bits.
        return count * self.whole + count * self.rest // 10000

    def counts(self, uv):
        return uv * 65535 // self.full_uv


def thermometer():
    sensor = Adc(machine.ADC.CORE_TEMP, 3300000)
    # RP2040 data sheet 4.9.5: 0.706 V at 27 degrees, 1.721 mV less for each above.
    return lambda _: 27000000 - (sensor.uv(sensor.read()) - 706000) * 1000 // 1721 * 1000


def make_pwm(gate, hz, clock):
    # The port sets frequency and duty before it hands the pin over: no pulse.
    return machine.PWM(machine.Pin(gate), freq=hz, duty_u16=0)
