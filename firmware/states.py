"""States of the output and what follows what: one table, which the drive obeys; its default."""

DEFAULT_HZ = 165000

OFF, RISING, ON, FALLING, FADING, TRIPPED = range(6)
"""FALLING is a soft stop, FADING one that ends as a trip. In OFF and TRIPPED the gate is a low
output, in the others a PWM."""
RAMPING = (RISING, FALLING, FADING)
NAMES = ("OFF", "RAMPING", "ON", "RAMPING", "RAMPING", "TRIPPED")

NEXT = {
    "start": b"1111--",
    "reached": b"022055",  # the end of a ramp
    "changed": b"011345",  # another setting
    "stop": b"033345",
    "fade": b"544445",  # soft trip
    "kill": b"000055",  # off at once
    "trip": b"555555",
    "clear": b"012300",
}
"""An event, and the state that follows each of the states in turn; `-` is refused.
Bytes: MicroPython would keep the letters of a text as names."""
