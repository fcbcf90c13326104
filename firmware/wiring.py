"""Reads board.json and makes the board it describes. Needed once, at power-on, then dropped."""

import json
import sys
import time

import machine
from board import Adc, Board
from start import gone

_GATES = {"esp32": 25, "rp2": 2}


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
    values = {"chip": chip, "gate": _GATES.get(chip, 25), "supply": {"sensor": "none"}}
    if not found:
        values["supply"] = {"sensor": "adc", "pin": 34 if chip == "esp32" else 26}
        values["probe"] = 35 if chip == "esp32" else 27
    values.update(found)
    return values, problem


def build(clock=time):
    """The board, with its gate a low output from the first moment."""
    info, problem = config()
    board = Board(clock, info["gate"])
    board.problem = problem
    name = info["chip"]
    board.chip = _chip(board, name, info)
    supply = info["supply"]
    sensor = supply.get("sensor", "none")
    # ESP32: end of the linear range at 11 dB (MicroPython docs, esp32/quickref); RP2: reference.
    full = info.get("adc_full_uv", 3300000 if name == "rp2" else 2450000)
    board.supply = _supply(board, sensor, info, full)
    board.probe, board.light = [
        None if info.get(key) is None else Adc(name, info[key], full) for key in ("probe", "light")
    ]
    if board.supply and sensor != "adc":
        board.volts = board.supply.volts
    try:
        if name == "rp2":
            adc = Adc(name, 4, 3300000)
            # RP2040 data sheet 4.9.5: 0.706 V at 27 degrees, 1.721 mV less for each above.
            board.celsius = lambda: 27000000 - (adc.read() - 706000) * 1000000 // 1721
        else:
            celsius = __import__("esp32").mcu_temperature  # not on the first ESP32
            celsius()
            board.celsius = lambda: celsius() * 1000000
    except (ImportError, AttributeError, ValueError):
        pass  # not on this chip
    if gone("watchdog") and machine.reset_cause() == machine.WDT_RESET:
        board.cause = 110
    board.calibration = _calibration(sensor, supply, info.get("calibration", {}))
    if sensor == "adc":
        board.timer = machine.Timer(0 if name == "esp32" else -1)
    led = info.get("led")
    board.led = None if led is None else machine.Pin(led, machine.Pin.OUT, value=0)
    chip = board.chip
    board.about = "%s,%d,%d,%s" % (chip.name, chip.clock_hz, board.gate, sensor.upper())
    board.number = _number()
    return board


def _chip(board, name, info):
    if name != "rp2":
        import pwm_esp32

        return pwm_esp32.Chip(info.get("pwm_hz", 80000000))
    import pwm_rp2

    gate = board.gate
    if 8 <= gate <= 15 or 24 <= gate <= 29:
        board.fault = "gate GPIO %d runs on after a soft reset; use 0-7 or 16-23" % gate
    return pwm_rp2.Chip(machine.freq())


def _supply(board, sensor, info, full):
    supply = info["supply"]
    if sensor == "adc":
        return Adc(info["chip"], supply["pin"], full)
    if sensor not in ("ina219", "ina226"):
        return None
    from ina import Shunt

    bus = info.get("i2c", {})
    options = {key: machine.Pin(bus[key]) for key in ("scl", "sda") if key in bus}
    freq = bus.get("freq", 400000)
    i2c = machine.I2C(bus.get("id", 0), freq=freq, **options)  # type: ignore[call-overload]
    shunt = Shunt(i2c, sensor, supply.get("address", 64), board.clock)
    shunt.alert = supply.get("alert") if sensor == "ina226" else None
    return shunt


def _calibration(sensor, supply, found):
    """Default offset (uV) and gain (millionths) of supply, probe and light; lit levels (uV)."""
    shunt = supply.get("shunt_uohm", 100000)
    if sensor == "adc":
        shunt = int(shunt * supply.get("amp", 20))  # behind an amplifier of so many V/V
    values = list(found.get("supply", (0, 1000000000000 // shunt)))[:2]
    for name in ("probe", "light"):
        values += (list(found.get(name, (0, 1000000))) + [0])[:3]
    return [int(value) for value in values]


def _number():
    try:
        return "".join("%02x" % b for b in machine.unique_id())
    except AttributeError:
        return "0"
