"""The ESP32 port: ports/esp32/machine_pwm.c with ESP-IDF's ledc.c, machine_adc.c and uart.c.

The port takes the largest duty resolution the timer can give, then a divider in 256ths. It writes
the timer first and the duty after: where the resolution drops by one bit, the old count means twice
the duty for a moment. Chips that only have low-speed timers (all but the first ESP32) also start
the timer anew at every change of frequency, which may double a pulse.
"""

import sys

import machine

USUAL = {"gate": 25, "supply": 34, "probe": 35, "full_uv": 2450000}
# Full scale: end of the linear range at 11 dB (MicroPython documentation, esp32/quickref).
RUNS_ON = ()  # no pin does after a soft reset
TIMER = 0
TIMER_OPTIONS = {}  # type: dict # there is no hard one


class Chip:
    name = "ESP32"
    top_first = False  # within one band the count range stays
    stdout_bytes_ms = 11  # 115200 baud; the port waits where more than its FIFO is written

    def __init__(self, clock_hz=80000000, width=20, restarts=False):
        self.clock_hz = clock_hz
        self.width = width
        self.restarts = restarts

    def plan(self, hz):
        # Counts a period, achieved frequency in mHz and band (duty bits).
        clock = self.clock_hz
        bits = self._bits((clock + hz // 2) // hz)
        if not 256 <= self._divider(hz, bits) <= 0x3FFFF:
            bits = self._bits(clock // hz)
        bits = min(bits, 16)
        if bits >= self.width:
            bits -= 1
        return 1 << bits, clock * 256000 // (self._divider(hz, bits) << bits), bits

    def word(self, raw, counts):
        # The duty_u16 that makes the port set `raw` counts: it shifts right and drops bits.
        return raw * (65536 // counts)

    def _bits(self, ticks):
        # Largest power of two, as a number of bits, that is not above `ticks`.
        bits = 0
        while ticks > 1:
            ticks >>= 1
            bits += 1
        return min(bits, self.width)

    def _divider(self, hz, bits):
        # In 256ths, rounded as ledc.c does.
        scaled = hz << bits
        return ((self.clock_hz << 8) + scaled // 2) // scaled


def chip(info):
    told = info.get("mcu") or getattr(sys.implementation, "_machine", "").split(" ")[-1]
    told = told.upper().replace("-", "")
    restarts = told.startswith("ESP32") and told != "ESP32"
    return Chip(info.get("pwm_hz", 80000000), 14 if restarts else 20, restarts)


class Adc:
    # Counts of a millivolt, the step in which the port answers.
    few = 8
    frozen = 0

    def __init__(self, pin, full_uv):
        self.adc = machine.ADC(pin, atten=machine.ADC.ATTN_11DB)
        self.top = full_uv // 1000 + 1
        self.top_uv = full_uv + 1000

    def read(self):
        return self.adc.read_uv() // 1000  # type: ignore

    def uv(self, count):
        return count * 1000

    def counts(self, uv):
        return uv // 1000


def thermometer():
    from esp32 import mcu_temperature  # type: ignore # not on the first ESP32

    mcu_temperature()
    return lambda _: mcu_temperature() * 1000000


def make_pwm(gate, hz, clock):
    # Before 1.26 the port configures half scale first (pull request 12650): the pad is held low
    # until the duty of 0 is in force.
    pin = machine.Pin(gate, machine.Pin.OUT, value=0, hold=True)  # type: ignore
    try:
        pwm = machine.PWM(pin, freq=hz, duty_u16=0)
        pwm.duty_u16(0)
        clock.sleep_us(2000000 // hz + 2)
    finally:
        machine.Pin(gate, hold=False)  # type: ignore
    return pwm
