"""The board: pins, converters, I2C, PWM chip, clock. The other modules get their hardware here."""

import json
import sys
import time

import machine

_GATES = {"esp32": 25, "rp2": 2}
_ESP32_TOP_UV = 2450000  # end of the linear range at 11 dB: MicroPython docs, esp32/quickref


def config():
    """Contents of board.json over the platform's defaults, and what is wrong with the file."""
    chip = "rp2" if sys.platform == "rp2" else "esp32"
    found = {}
    problem = ""
    try:
        with open("board.json") as file:
            found = json.load(file)
        if not isinstance(found, dict) or found.get("chip", chip) not in _GATES:
            raise ValueError
    except OSError:
        found = {}
    except ValueError:
        found = {}
        problem = "board.json is damaged"
    chip = found.get("chip", chip)
    base = {"chip": chip, "gate": _GATES.get(chip, 25), "supply": {"sensor": "none"}}
    if not found:
        base["supply"] = {"sensor": "adc", "pin": 34 if chip == "esp32" else 26}
        base["probe"] = 35 if chip == "esp32" else 27
    base.update(found)
    return base, problem


class Adc:
    """A converter channel; `read` answers microvolts."""

    few = 8  # conversions in the guard's short look

    def __init__(self, chip, pin, full_uv):
        self._esp32 = chip == "esp32"
        self.full = full_uv
        if self._esp32:
            self.adc = machine.ADC(machine.Pin(pin), atten=machine.ADC.ATTN_11DB)
            self.top_uv = _ESP32_TOP_UV + 1
        else:
            self.adc = machine.ADC(machine.Pin(pin))
            self.top_uv = 65520 * full_uv // 65535

    def read(self):
        """One conversion in microvolts."""
        if self._esp32:
            return self.adc.read_uv()  # type: ignore[attr-defined]
        return self.adc.read_u16() * self.full // 65535


class Board:
    """Everything that is soldered; built once by main.py."""

    def __init__(self):
        self.clock = time
        setup, self.problem = config()
        self.gate = setup["gate"]
        self.gate_low()
        self.fault = ""
        """Why the output cannot be used on this board; empty when it can."""
        name = setup["chip"]
        self.chip = self._chip(name, setup)
        supply = setup["supply"]
        self.sensor = supply.get("sensor", "none")
        full = setup.get("adc_full_uv", 3300000)
        self.supply = self._supply(name, supply, setup.get("i2c", {}), full)
        self.probe, self.light = [
            None if setup.get(key) is None else Adc(name, setup[key], full)
            for key in ("probe", "light")
        ]
        self.calibration = self._calibration(supply, setup.get("calibration", {}))
        """Default offset (uV) and gain (millionths) of supply, probe and light; lit levels (uV)."""
        led = setup.get("led")
        self.led = None if led is None else machine.Pin(led, machine.Pin.OUT, value=0)

    def _chip(self, name, setup):
        if name != "rp2":
            import pwm_esp32

            return pwm_esp32.Chip(setup.get("pwm_hz", 80000000))
        import pwm_rp2

        if 8 <= self.gate <= 15 or 24 <= self.gate <= 29:
            self.fault = "gate GPIO %d runs on after a soft reset; use 0-7 or 16-23" % self.gate
        return pwm_rp2.Chip(machine.freq())

    def _supply(self, name, supply, bus, full):
        if self.sensor == "adc":
            return Adc(name, supply["pin"], full)
        if self.sensor not in ("ina219", "ina226"):
            return None
        from ina import Shunt

        pins = {key: machine.Pin(bus[key]) for key in ("scl", "sda") if key in bus}
        hertz = bus.get("freq", 400000)
        i2c = machine.I2C(bus.get("id", 0), freq=hertz, **pins)  # type: ignore[call-overload]
        return Shunt(i2c, self.sensor, supply.get("address", 64), self.clock)

    def _calibration(self, supply, found):
        shunt = supply.get("shunt_uohm", 100000)
        if self.sensor == "adc":
            shunt = int(shunt * supply.get("amp", 20))  # behind an amplifier of so many V/V
        values = list(found.get("supply", (0, 1000000000000 // shunt)))[:2]
        for name in ("probe", "light"):
            values += (list(found.get(name, (0, 1000000))) + [0])[:3]
        return [int(value) for value in values]

    def gate_low(self):
        """The gate pin as a plain low output, whatever drove it before."""
        machine.Pin(self.gate, machine.Pin.OUT, value=0)

    def pwm(self, hz):
        """The PWM on the gate pin, at duty 0."""
        return machine.PWM(machine.Pin(self.gate), freq=hz, duty_u16=0)

    def light_led(self, on):
        """The board's LED, where there is one, shows that the output is on."""
        if self.led:
            self.led.value(1 if on else 0)

    def describe(self):
        """Chip, PWM clock, gate pin and supply sensor as text."""
        return "%s,%d,%d,%s" % (
            self.chip.name,
            self.chip.clock_hz,
            self.gate,
            self.sensor.upper(),
        )

    def uptime(self):
        """Milliseconds since power-on, up to 2^30."""
        return self.clock.ticks_ms() & 0x3FFFFFFF

    def serial_number(self):
        """The chip's unique number in hex, 0 where it has none."""
        try:
            return "".join("%02x" % b for b in machine.unique_id())
        except AttributeError:
            return "0"
