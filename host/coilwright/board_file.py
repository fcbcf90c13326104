"""Board files: which pins of a microcontroller board may do what, and how a driver is wired to it.

`boards/` holds one TOML file a board, with the source of each fact beside it. A person's own file
names one of them as its base; `docs/board.md` documents both. `Wiring` is what becomes of it: the
contents of the `board.json` that the firmware reads.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any

from .documents import parse_toml
from .errors import BadBoard, BadPins
from .sensors import SHUNT_SENSORS

SENSORS = ("adc", "ina219", "ina226", "none")
_OUTPUTS = ("gate", "i2c", "led", "clear")
_ROLES = {
    "gate": "the gate",
    "supply": "the supply-current sensor",
    "probe": "the probe",
    "light": "the light sensor",
    "scl": "SCL",
    "sda": "SDA",
    "alert": "the alert pin",
    "led": "the LED",
    "latch": "the latch",
    "latch_clear": "clearing the latch",
}


@dataclass(frozen=True, slots=True)
class Refusal:
    """Pins that must not be used, for what (gate, adc, i2c, led, output or all), and why not."""

    pins: frozenset[int]
    of: str
    reason: str
    source: str

    def concerns(self, pin: int, use: str) -> bool:
        """Whether it forbids a pin for a use."""
        of = self.of
        return pin in self.pins and (of in (use, "all") or (of == "output" and use in _OUTPUTS))


@dataclass(frozen=True, slots=True)
class Pwm:
    """What the chip's PWM counts: `ledc` (a divider and duty bits) or `rp2` (TOP and CC)."""

    kind: str
    clock_hz: int
    timer_bits: int = 16


@dataclass(frozen=True, slots=True)
class Wiring:
    """What is connected to which pin; None where there is nothing.

    `latch` is the pin that reads a latch in hardware, `latch_tripped` what it reads there once the
    latch has acted, `latch_clear` the pin that clears it by a low pulse.
    """

    gate: int
    sensor: str = "none"
    supply: int | None = None
    probe: int | None = None
    light: int | None = None
    scl: int | None = None
    sda: int | None = None
    led: int | None = None
    shunt_uohm: int = 100_000
    amplifier: float = 20.0
    address: int = 64
    alert: int | None = None
    latch: int | None = None
    latch_clear: int | None = None
    latch_tripped: int = 0


@dataclass(frozen=True, slots=True)
class BoardFile:
    """One board.

    Attributes:
        name: By which `--board` chooses it.
        title: For people.
        platform: `sys.platform` of its MicroPython.
        mcus: What its chip is called.
        mpy_arch: What mpy-cross calls its processor.
        reset: What its gate pins do while it is reset, in words.
        pull_down_most_ohm: Largest pull-down at the gate driver's input that holds them low then;
            None where the chip asks for none in particular.
        gate_pins, adc_pins, other_pins: Pins for the gate, for sensors, for I2C and LED.
        adc_range_uv: Part of the ADC's range that is good for use.
        buses: SDA and SCL pins of the I2C buses; empty where any pin will do.
        refused: Pins that must not be used, with the reason.
        no_led_on: Names of variants of the board whose LED is not on a pin.
        pwm: PWM facts.
        wiring: What is where unless somebody chooses otherwise.
    """

    name: str
    title: str
    platform: str
    mcus: tuple[str, ...]
    mpy_arch: str
    reset: str
    gate_pins: tuple[int, ...]
    adc_pins: tuple[int, ...]
    other_pins: tuple[int, ...]
    adc_range_uv: tuple[int, int]
    buses: tuple[tuple[int, frozenset[int], frozenset[int]], ...]
    refused: tuple[Refusal, ...]
    no_led_on: tuple[str, ...]
    pwm: Pwm
    pull_down_most_ohm: float | None = None
    wiring: Wiring = field(default_factory=lambda: Wiring(0))

    def on_variant(self, machine: str) -> BoardFile:
        """The board as the variant that calls itself so (`sys.implementation._machine`)."""
        if any(f"{name} " in f"{machine} " for name in self.no_led_on):
            return replace(self, wiring=replace(self.wiring, led=None))
        return self

    def check(self, wiring: Wiring) -> None:
        """Refuse a wiring that this board must not have.

        Raises:
            BadPins: A pin that must not be used so, or one that is used twice.
        """
        uses = self._uses(wiring)
        for role, use, pin in uses:
            self._check_pin(role, use, pin)
        seen: dict[int, str] = {}
        for role, _, pin in uses:
            if pin in seen:
                raise BadPins(f"GPIO {pin} is both {_ROLES[seen[pin]]} and {_ROLES[role]}.")
            seen[pin] = role
        if wiring.sensor == "adc" and wiring.supply is None:
            raise BadPins("A shunt amplifier needs an ADC pin.", "Give it, or another sensor.")
        if wiring.alert is not None and wiring.sensor != "ina226":
            raise BadPins(
                "Only an INA226 has an alert pin.", "Give --alert none, or --sensor ina226."
            )
        if wiring.latch_clear is not None and wiring.latch is None:
            raise BadPins("A latch is read before it is cleared: its own pin is missing.")
        if wiring.sensor.startswith("ina"):
            self.bus(wiring)

    def _uses(self, wiring: Wiring) -> list[tuple[str, str, int]]:
        """Role, use and number of the pins that are used."""
        uses = [("gate", "gate"), ("probe", "adc"), ("light", "adc"), ("led", "led")]
        uses += [("latch", "input"), ("latch_clear", "clear")]
        if wiring.sensor == "adc":
            uses.insert(1, ("supply", "adc"))
        if wiring.sensor.startswith("ina"):
            uses += [("scl", "i2c"), ("sda", "i2c")]
        if wiring.sensor == "ina226":
            uses.append(("alert", "input"))
        found = ((role, use, getattr(wiring, role)) for role, use in uses)
        return [(role, use, pin) for role, use, pin in found if pin is not None]

    def _check_pin(self, role: str, use: str, pin: int) -> None:
        allowed = {"gate": self.gate_pins, "adc": self.adc_pins}.get(use, self.other_pins)
        if pin in allowed:
            return
        fit = f"Fit for {_ROLES[role]}: GPIO {', '.join(map(str, allowed))}."
        for refusal in self.refused:
            if refusal.concerns(pin, use):
                raise BadPins(f"GPIO {pin} {refusal.reason}: not for {_ROLES[role]}.", fit)
        what = "has no ADC" if use == "adc" else "is not among the pins of this board for that"
        raise BadPins(f"GPIO {pin} {what}: not for {_ROLES[role]}.", fit)

    def bus(self, wiring: Wiring) -> int:
        """Number of the I2C bus at the wiring's pins.

        Raises:
            BadPins: There is none there.
        """
        scl, sda = wiring.scl, wiring.sda
        if scl is None or sda is None:
            raise BadPins(f"An {wiring.sensor.upper()} needs an SCL and an SDA pin.")
        for number, sda_pins, scl_pins in self.buses:
            if sda in sda_pins and scl in scl_pins:
                return number
        if not self.buses:
            return 0
        pairs = "; ".join(
            f"bus {number}: SDA {_list(sdas)}, SCL {_list(scls)}"
            for number, sdas, scls in self.buses
        )
        raise BadPins(f"SDA on GPIO {sda} and SCL on GPIO {scl} are no I2C bus.", pairs + ".")

    def sensor_top_v(self, wiring: Wiring) -> float | None:
        """Where the range of the supply sensor's converter ends, in volts at its input; None
        without a sensor.
        """
        if wiring.sensor == "adc":
            return self.adc_range_uv[1] * 1e-6
        return SHUNT_SENSORS[wiring.sensor].top_v if wiring.sensor in SHUNT_SENSORS else None

    def board_json(self, wiring: Wiring) -> dict[str, Any]:
        """The contents of `board.json`, for the firmware."""
        supply: dict[str, Any] = {"sensor": wiring.sensor}
        if wiring.sensor != "none":
            supply["shunt_uohm"] = wiring.shunt_uohm
        if wiring.sensor == "adc":
            supply |= {"pin": wiring.supply, "amp": wiring.amplifier}
        found: dict[str, Any] = {"chip": self.platform, "gate": wiring.gate, "supply": supply}
        found |= {"probe": wiring.probe, "light": wiring.light, "led": wiring.led}
        if wiring.sensor.startswith("ina"):
            supply["address"] = wiring.address
            if wiring.sensor == "ina226" and wiring.alert is not None:
                supply["alert"] = wiring.alert
            bus = self.bus(wiring)
            found["i2c"] = {"id": bus, "scl": wiring.scl, "sda": wiring.sda, "freq": 400_000}
        if wiring.latch is not None:
            found["latch"] = {"pin": wiring.latch, "tripped": wiring.latch_tripped}
            if wiring.latch_clear is not None:
                found["latch"]["clear"] = wiring.latch_clear
        if self.pwm.kind == "ledc":
            found["pwm_hz"] = self.pwm.clock_hz
        found["adc_full_uv"] = self.adc_range_uv[1]
        return found

    def read_json(self, found: Mapping[str, Any]) -> Wiring:
        """The wiring that a `board.json` describes; what it leaves out is as in the board file.

        Raises:
            ValueError, TypeError, KeyError, AttributeError: It is none.
        """
        if found.get("chip", self.platform) != self.platform:
            raise ValueError(f"it is for {found['chip']}")
        supply, bus, latch = (found.get(key, {}) for key in ("supply", "i2c", "latch"))
        given: dict[str, Any] = {key: found[key] for key in ("probe", "light") if key in found}
        return replace(
            self.wiring,
            gate=int(found.get("gate", self.wiring.gate)),
            sensor=_sensor(supply.get("sensor", "none")),
            supply=supply.get("pin", self.wiring.supply),
            scl=bus.get("scl", self.wiring.scl),
            sda=bus.get("sda", self.wiring.sda),
            led=found.get("led"),
            shunt_uohm=int(supply.get("shunt_uohm", self.wiring.shunt_uohm)),
            amplifier=float(supply.get("amp", self.wiring.amplifier)),
            address=int(supply.get("address", self.wiring.address)),
            alert=supply.get("alert", self.wiring.alert),
            latch=latch.get("pin", self.wiring.latch),
            latch_clear=latch.get("clear", self.wiring.latch_clear),
            latch_tripped=int(latch.get("tripped", self.wiring.latch_tripped)),
            **given,
        )


def _list(pins: frozenset[int]) -> str:
    return ", ".join(map(str, sorted(pins)))


def _sensor(text: str) -> str:
    if text not in SENSORS:
        raise ValueError(f"{text!r} is no sensor")
    return text


def board_names() -> list[str]:
    """Names of the boards that come with the program."""
    files = resources.files("coilwright").joinpath("boards").iterdir()
    return sorted(file.name.removesuffix(".toml") for file in files if file.name.endswith(".toml"))


def board_for(mcu: str) -> BoardFile | None:
    """The board that comes with the program for a chip of this name."""
    boards = map(load_board, board_names())
    return next((board for board in boards if mcu in board.mcus), None)


def load_board(name: str | Path) -> BoardFile:
    """A board that comes with the program, by name, or a person's own, by the path of its file.

    Raises:
        BadBoard: There is none, or the file is not as documented.
        BadPins: A file whose wiring its chip must not have.
    """
    if str(name).endswith(".toml"):
        return _own(Path(name))
    if str(name) not in board_names():
        near = difflib.get_close_matches(str(name), board_names(), 1)
        hint = f"Did you mean {near[0]}? " if near else ""
        hint += f"Boards: {', '.join(board_names())}; or the path of a .toml file."
        raise BadBoard(f"There is no board {str(name)!r}.", hint)
    text = resources.files("coilwright").joinpath("boards", f"{name}.toml").read_text("utf-8")
    return _read(str(name), parse_toml(text))


def _read(name: str, data: dict[str, Any]) -> BoardFile:
    """A file of `boards/`; those are ours and tested, so a wrong one is a fault of the program."""
    pwm, buses = data["pwm"], data["i2c"].get("bus", [])
    low, high = data["adc"]["range_uv"]
    refused = (
        Refusal(frozenset(item["pins"]), item["of"], item["reason"], item["source"])
        for item in data["refused"]
    )
    return BoardFile(
        name=name,
        title=data["title"],
        platform=data["platform"],
        mcus=tuple(data["mcus"]),
        mpy_arch=data["mpy_arch"],
        reset=data["reset"]["why"],
        gate_pins=tuple(data["gate"]["pins"]),
        adc_pins=tuple(data["adc"]["pins"]),
        other_pins=tuple(data["other"]["pins"]),
        adc_range_uv=(low, high),
        buses=tuple((bus["id"], frozenset(bus["sda"]), frozenset(bus["scl"])) for bus in buses),
        refused=tuple(refused),
        no_led_on=tuple(data.get("no_led_on", ())),
        pwm=Pwm(pwm["kind"], pwm["clock_hz"], pwm.get("timer_bits", 16)),
        pull_down_most_ohm=data["reset"].get("pull_down_most_ohm"),
        wiring=Wiring(**data["wiring"]),
    )


_OWN_KEYS: dict[str, tuple[type, ...]] = {
    "base": (str,),
    "title": (str,),
    "gate": (int,),
    "sensor": (str,),
    "supply": (int,),
    "probe": (int, bool),
    "light": (int, bool),
    "scl": (int,),
    "sda": (int,),
    "led": (int, bool),
    "shunt_ohm": (int, float),
    "amplifier": (int, float),
    "address": (int,),
    "alert": (int, bool),
    "latch": (int, bool),
    "latch_clear": (int, bool),
}


def _own(path: Path) -> BoardFile:
    """A person's file: its base, and what is wired otherwise than there."""
    try:
        data = parse_toml(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadBoard(f"Cannot read {path}: {error.strerror}.") from None
    except ValueError as error:
        raise BadBoard(f"{path} is not TOML: {error}.") from None
    for key, value in data.items():
        _check_key(path, key, value)
    if "base" not in data:
        raise BadBoard(f"{path} names no base.", f"One of {', '.join(board_names())}.")
    base = load_board(data.pop("base"))
    title = data.pop("title", f"{base.title}, as in {path.name}")
    if "shunt_ohm" in data:
        data["shunt_uohm"] = round(data.pop("shunt_ohm") * 1e6)
    values: dict[str, Any] = {k: None if v is False else v for k, v in data.items()}
    board = replace(base, name=str(path), title=title, wiring=replace(base.wiring, **values))
    board.check(board.wiring)
    return board


def _check_key(path: Path, key: str, value: object) -> None:
    if key not in _OWN_KEYS:
        near = difflib.get_close_matches(key, _OWN_KEYS, 1)
        hint = f"Did you mean {near[0]}?" if near else f"Known: {', '.join(_OWN_KEYS)}."
        raise BadBoard(f"{path}: {key!r} is not a key of a board file.", hint)
    kinds = _OWN_KEYS[key]
    if not isinstance(value, kinds) or (isinstance(value, bool) and (bool not in kinds or value)):
        wanted = {str: "a text", int: "a whole number", float: "a number", bool: "false"}
        raise BadBoard(
            f"{path}: {key} is {value!r}.",
            " or ".join(wanted[kind] for kind in kinds) + " is meant.",
        )
    if key == "sensor" and value not in SENSORS:
        raise BadBoard(f"{path}: sensor is {value!r}.", f"One of {', '.join(SENSORS)}.")
    if key in ("shunt_ohm", "amplifier") and not float(value) > 0:  # type: ignore[arg-type]
        raise BadBoard(f"{path}: {key} is {value}.", "It must be above 0.")
