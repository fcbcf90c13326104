"""The board that board.json describes: its pins, sensors, chip and clock.

A file that is there and cannot be believed is a fault: no pin is driven, since none is known. All
other modules get their hardware from here.
"""

import json
import os
import sys
import time
from binascii import crc32, hexlify

import machine
from micropython import const

SENSORS = ("none", "adc", "ina219", "ina226")
LOWEST_GAIN = const(1000)  # millionths
HIGHEST_GAIN = const(1000000000)


def take_mark(name):
    # Whether a file was there; it is not any more.
    try:
        os.remove(name)
        return True
    except OSError:
        return False


def make_mark(name):
    open(name, "w").close()


def read_file(name):
    # Contents of board.json, its check, and what is wrong with it.
    try:
        with open(name, "rb") as file:
            data = file.read()
    except OSError:
        return None, 0, ""
    try:
        info = json.loads(data)
        validate(info)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        return None, 0, "board.json is damaged: %s" % error
    return info, crc32(data) & 0xFFFFFFFF, ""


def validate(info):
    if info["chip"] not in ("esp32", "rp2"):
        raise ValueError("chip")
    supply = info["supply"]
    if supply.get("sensor", "none") not in SENSORS:
        raise ValueError("sensor")
    if supply.get("shunt_uohm", 1) <= 0 or supply.get("amp", 1) <= 0:
        raise ValueError("shunt")
    pins = [info["gate"]] + [info.get(key) for key in ("probe", "light", "led")]
    pins += [supply.get("alert"), info.get("latch", {}).get("pin")]
    if supply.get("sensor") == "adc":
        pins.append(supply["pin"])
    if info["gate"] is None or not all(p is None or 0 <= p < 64 and p == int(p) for p in pins):
        raise ValueError("pin")
    for name in ("supply", "probe"):
        gain = info.get("calibration", {}).get(name, (0, LOWEST_GAIN))[1]
        if not LOWEST_GAIN <= gain <= HIGHEST_GAIN:
            raise ValueError("calibration")


class Board:
    def __init__(self, clock, info, check, damaged):
        self.clock = clock
        self.found = info is not None
        self.check = check  # CRC-32 of the file
        self.damaged = damaged
        self.fault = ""  # why the output cannot be used
        family = info["chip"] if info else "rp2" if sys.platform == "rp2" else "esp32"
        self.port = port = __import__("hw_" + family)
        usual = port.USUAL
        if damaged:
            info = {"gate": None, "supply": {}}
        elif not info:
            info = {"gate": usual["gate"], "probe": usual["probe"]}
            info["supply"] = {"sensor": "adc", "pin": usual["supply"]}
        self.gate = info["gate"]
        self.gate_low()
        if self.gate in port.RUNS_ON:
            self.fault = "gate GPIO %d runs on after a soft reset; use 0-7 or 16-23" % self.gate
        self.chip = port.chip(info)
        self.dog = getattr(machine, "WDT", None)  # cannot be stopped once it is made
        # Trip to begin with: the file tells a reset by the watchdog from others, since on RP2
        # every `machine.reset()` reports it as its cause.
        bitten = take_mark("watchdog") and machine.reset_cause() == machine.WDT_RESET
        self.cause = 110 if bitten else 0
        full_uv = info.get("adc_full_uv", usual["full_uv"])
        self.supply = self.timer = self.volts = None
        sensor = info["supply"].get("sensor", "none")
        if sensor == "adc":
            self.supply = port.Adc(machine.Pin(info["supply"]["pin"]), full_uv)
            self.timer = machine.Timer(port.TIMER)
        elif sensor != "none":
            from ina import make

            self.supply = make(sensor, info, clock)
            self.volts = self.supply.volts  # answers the supply voltage in uV
        self.probe, self.light = [
            None if info.get(key) is None else port.Adc(machine.Pin(info[key]), full_uv)
            for key in ("probe", "light")
        ]
        led = info.get("led")
        self.led = None if led is None else machine.Pin(led, machine.Pin.OUT, value=0)
        self.latch = Latch(clock, **info["latch"]) if info.get("latch") else None
        try:
            self.celsius = port.thermometer()  # millionths of a degree
        except (ImportError, AttributeError, ValueError):
            self.celsius = None  # not on this chip
        defaults = calibration(sensor, info["supply"], info.get("calibration", {}))
        if self.supply:  # a current limit that the sensor can show
            span_uv = (self.supply.top_uv - defaults["current_offset"]) * 9 // 10
            defaults["trip_ua"] = min(
                max(span_uv * defaults["current_gain"] // 1000000, 0), 1000000
            )
        self.defaults = defaults
        gate = -1 if self.gate is None else self.gate
        chip = self.chip
        self.about = "%s,%d,%d,%s" % (chip.name, chip.clock_hz, gate, sensor.upper())
        unique = getattr(machine, "unique_id", None)
        self.number = hexlify(unique()).decode() if unique else "0"

    def gate_low(self):
        # A plain low output, whatever drove it before.
        if self.gate is not None:
            machine.Pin(self.gate, machine.Pin.OUT, value=0)

    def pwm(self, hz):
        return self.port.make_pwm(self.gate, hz, self.clock)

    def light_led(self, on):
        if self.led and self.led.value() != on:
            self.led.value(on)

    def blink(self, number, waiting, ms):
        # With the output off: the number of a trip, 100 for damaged settings or 0, and a long
        # flash where a retry is `waiting`: docs/standalone.md.
        flashes = 2 * (number - 100)
        step = (ms >> 8) % max(flashes + 12, 12)
        on = step < flashes and step % 2 == 0 or waiting and flashes + 4 <= step < flashes + 8
        if not flashes:
            on = ms >> 10 & 1
        self.light_led(1 if on else 0)

    def start_dog(self, ms):
        try:
            make_mark("watchdog")
        except OSError:
            pass  # flash full: it bites all the same
        return self.dog(timeout=ms)

    def reset(self):
        machine.reset()

    def uptime(self):
        return self.clock.ticks_ms() & 0x3FFFFFFF


class Latch:
    # A comparator, or the like, that has taken the gate driver's enable away and keeps it so until
    # its `clear` pin is pulsed. `tripped` is the level that says so.
    def __init__(self, clock, pin, clear=None, tripped=0):
        self.clock = clock
        self.tripped = tripped
        self.pin = machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP)
        idle = machine.Pin.OUT
        self.clear_pin = None if clear is None else machine.Pin(clear, idle, value=1)

    def is_set(self):
        return self.pin.value() == self.tripped

    def clear(self):
        if self.clear_pin:
            self.clear_pin.value(0)
            self.clock.sleep_us(100)
            self.clear_pin.value(1)


def calibration(sensor, supply, found):
    # Defaults of offsets (uV), gains (millionths) and levels (uV) at which the load is lit.
    shunt = supply.get("shunt_uohm", 100000)
    if sensor == "adc":
        shunt = int(shunt * supply.get("amp", 20))  # behind an amplifier of so many V/V
    gain = min(max(1000000000000 // shunt, LOWEST_GAIN), HIGHEST_GAIN)
    values = {}
    for name, usual in (("current", (0, gain)), ("probe", (0, 1000000)), ("light", (0, 1000000))):
        told = list(found.get("supply" if name == "current" else name, usual)) + [0]
        values[name + "_offset"], values[name + "_gain"] = int(told[0]), int(told[1])
        values[name + "_level"] = int(told[2])
    return values


def load(clock=time):
    return Board(clock, *read_file("board.json"))
