"""What machine.PWM of the ESP32 port does: ports/esp32/machine_pwm.c with ESP-IDF's ledc.c.

The port takes the largest duty resolution the timer can give, then a divider in 256ths.
It writes the timer first and the duty after: where the resolution drops by one bit, the old
count means twice the duty for a moment.
"""


class Chip:
    """PWM arithmetic of the LEDC timers on `clock_hz` with timers of `width` bits."""

    name = "ESP32"
    top_first = False
    """Within one band the count range stays: no duty moves while the frequency does."""

    def __init__(self, clock_hz=80000000, width=20):
        self.clock_hz = clock_hz
        self.width = width

    def plan(self, hz):
        """Counts a period, achieved frequency in mHz and band (duty bits) for a frequency."""
        clock = self.clock_hz
        bits = self.bits((clock + hz // 2) // hz)
        divider = self.divider(hz, bits)
        if not 256 <= divider <= 0x3FFFF:
            bits = self.bits(clock // hz)
        bits = min(bits, 16)
        if bits >= self.width:
            bits -= 1
        divider = self.divider(hz, bits)
        return 1 << bits, clock * 256000 // (divider << bits), bits

    def word(self, raw, span):
        """The duty_u16 that makes the port set `raw` counts: it shifts right and drops bits."""
        return raw * (65536 // span)

    def bits(self, ticks):
        """Largest power of two, as a number of bits, that is not above `ticks`."""
        bits = 0
        while ticks > 1:
            ticks >>= 1
            bits += 1
        return min(bits, self.width)

    def divider(self, hz, bits):
        """Timer divider in 256ths, rounded as ledc.c does."""
        scaled = hz << bits
        return ((self.clock_hz << 8) + scaled // 2) // scaled
