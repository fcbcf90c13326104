"""What machine.PWM of the RP2 port does: ports/rp2/machine_pwm.c.

The period is a whole number of clock ticks above about 2 kHz, else divided by 16ths.
TOP is written before the compare level, both take effect at the wrap: when TOP falls below the
level, the output stays high for one period.
"""


class Chip:
    """PWM arithmetic of a slice on `clock_hz`, the system clock."""

    name = "RP2"
    top_first = True
    """The count range follows the frequency: the duty is made smaller before it moves."""

    def __init__(self, clock_hz=125000000):
        self.clock_hz = clock_hz

    def plan(self, hz):
        """Counts a period, achieved frequency in mHz and band (divider in 16ths)."""
        clock = self.clock_hz
        if clock // hz < 65534:
            divider = 16
        else:
            divider = (16 * clock + 65534 * hz - 1) // (65534 * hz)
        ticks = divider * hz
        span = (16 * clock + ticks // 2) // ticks
        return span, 16000 * clock // (divider * span), divider

    def word(self, raw, span):
        """The duty_u16 that makes the port set `raw` counts: it rounds to the nearest."""
        return (raw * 65535 + span // 2) // span
