"""Build files: one driver, its receivers and its bench, read from TOML into frozen values.

`docs/build-file.md` documents every key. Errors are `BadBuild` and name the full path of the key.
"""

from __future__ import annotations

import difflib
import math
import random
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from .circuit.checks import SOURCES, Facts, SupplyFacts, SwitchFacts
from .circuit.driver import Circuit, Coil, Diode, Loop, Receiver, Supply, Switch
from .circuit.led import GRADING, LEDS, USUAL_F, with_charge
from .documents import parse_toml
from .errors import BadBuild
from .lengths import parse_length
from .quantities import parse_fraction, parse_quantity

CHIPS = ("esp32", "esp32s3", "esp32c3", "rp2040", "rp2350")
SENSORS = ("adc", "ina219", "ina226")

_KELVIN_PER_WATT = ("K/W", "°C/W", "C/W")
_CELSIUS = ("°C", "C", "degC")

MOST_RECEIVERS = 64
"""Groups of receivers in a build. The time of a solution grows with the cube of their number, and
equal lamps are one group with a `count`."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Analogue:
    """How a voltage reaches an ADC pin.

    `bias_v` is known and calibrated; `offset_v` and `gain_error` are the largest errors of this
    bench, drawn by its seed and unknown to the driver. `noise_v` is rms, of a single conversion.
    """

    bias_v: float
    offset_v: float
    gain_error: float
    noise_v: float
    time_constant_s: float


@dataclass(frozen=True, slots=True)
class SupplySensor:
    """Shunt in the supply lead, read by an amplifier on an ADC pin or by an INA219 or INA226."""

    kind: str
    shunt_ohm: float
    amplifier: float
    pin: Analogue
    alert: bool = False
    """Whether the alert pin of an INA226 is wired to the board."""

    @property
    def gain_a_per_v(self) -> float:
        """Amperes a volt at the ADC pin; at the shunt for an INA sensor."""
        return 1 / (self.shunt_ohm * (self.amplifier if self.kind == "adc" else 1.0))


@dataclass(frozen=True, slots=True)
class Probe:
    """Pickup probe: a receiver without LEDs, a divider and a peak detector on an ADC pin.

    The pin sees bias + max(0, peak · `divider` − `drop_v`).
    """

    receiver: Receiver
    divider: float
    drop_v: float
    pin: Analogue

    def pin_v(self, peak_v: float) -> float:
        """Voltage at the ADC pin for a peak across the probe's capacitor, bias included."""
        return self.pin.bias_v + max(0.0, peak_v * self.divider - self.drop_v)


@dataclass(frozen=True, slots=True)
class LightSensor:
    """Light sensor over one lamp: bias + `transimpedance_ohm` · mean current, of both its LEDs."""

    lamp: str
    transimpedance_ohm: float
    pin: Analogue


@dataclass(frozen=True, slots=True)
class BenchSetup:
    """What the simulated bench adds to the driver: microcontroller, sensors, seed, heap."""

    chip: str
    seed: int
    heap_bytes: int
    supply: SupplySensor
    light: LightSensor


@dataclass(frozen=True, slots=True)
class TunedValues:
    """The operating point at which the finished driver is used."""

    frequency_hz: float
    duty: float


@dataclass(frozen=True, slots=True)
class Build:
    """One driver with its receivers, probe and bench, and what its data sheets say.

    `driver` holds the lamps only; `bench_driver` adds the probe as the last receiver. `facts` is
    what the checks of `coilwright predict` need beyond the circuit, `tuned` its operating point.
    """

    name: str
    driver: Circuit
    probe: Probe
    bench: BenchSetup
    source: Mapping[str, Any] = field(repr=False, compare=False)
    facts: Facts = field(default_factory=Facts)
    tuned: TunedValues | None = None

    @property
    def bench_driver(self) -> Circuit:
        """The driver with the probe as its last receiver."""
        return replace(self.driver, receivers=(*self.driver.receivers, self.probe.receiver))

    @property
    def light_index(self) -> int:
        """Index of the receiver under the light sensor."""
        return [receiver.name for receiver in self.driver.receivers].index(self.bench.light.lamp)

    def drawn(self, seed: int) -> Build:
        """The build with every toleranced value drawn, uniform within its tolerance."""
        return _build(self.source, self.name, seed)


def load_build(path: str | Path) -> Build:
    """Read a build file; `"harbour"` is the built-in one. Values are nominal, see `Build.drawn`.

    Raises:
        BadBuild: Not readable, not TOML, or a key is misspelt, has a wrong unit or an
            impossible value.
    """
    text = build_text(path)
    try:
        tree = parse_toml(text)
    except ValueError as error:
        hint = "docs/build-file.md shows a whole file"
        raise BadBuild(f"{path} is not TOML: {error}.", hint) from None
    return parse_build(tree, Path(path).stem)


def parse_build(tree: Mapping[str, Any], name: str = "build") -> Build:
    """Turn the parsed TOML of a build file into a `Build`; see `load_build`."""
    return _build(tree, name, None)


def build_text(path: str | Path) -> str:
    """The text of a build file; `"harbour"` is the built-in one.

    Raises:
        BadBuild: It cannot be read.
    """
    if str(path) == "harbour":
        return (resources.files(__package__) / "builds" / "harbour.toml").read_text("utf-8")
    try:
        return Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        hint = "harbour is the built-in build (sim://harbour as a port)"
        raise BadBuild(f"Cannot read the build file {path}: {reason}.", hint) from None


class _Table:
    """One table of the file: hands out values, then complains of the keys nobody asked for."""

    def __init__(self, tree: Any, path: str, seed: int | None) -> None:
        if not isinstance(tree, Mapping):
            raise BadBuild(f"{path} is {tree!r} where a table is meant.", f"write [{path}]")
        self._tree, self.path, self._seed = tree, path, seed
        self._known: dict[str, None] = {}
        self._tolerance: _Table | None = None

    def at(self, key: str) -> str:
        """Full path of a key."""
        return f"{self.path}.{key}" if self.path else key

    def has(self, key: str) -> bool:
        """Whether the file gives this key; it is allowed from now on."""
        self._known[key] = None
        return key in self._tree

    def raw(self, key: str, default: Any = None) -> Any:
        """The value as in the file."""
        if self.has(key):
            return self._tree[key]
        if default is None:
            self._missing(key)
        return default

    def _missing(self, key: str) -> None:
        strangers = [str(k) for k in self._tree if k not in self._known]
        near = difflib.get_close_matches(key, strangers, 1, 0.75)
        if near:
            hint = f"did you mean {self.at(key)}?"
            raise BadBuild(f"{self.at(near[0])} is not a key of a build file.", hint)
        raise BadBuild(f"{self.at(key)} is missing.", "see docs/build-file.md")

    def table(self, key: str, needed: bool = True) -> _Table:
        """A table inside this one; empty where it is missing and not needed."""
        return _Table(self.raw(key, None if needed else {}), self.at(key), self._seed)

    def tables(self, key: str) -> list[_Table]:
        """An array of tables inside this one."""
        value = self.raw(key, [])
        if not isinstance(value, Sequence) or isinstance(value, str):
            message = f"{self.at(key)} is {value!r} where tables are meant."
            raise BadBuild(message, f"write [[{key}]]")
        return [_Table(v, f"{self.at(key)}[{i}]", self._seed) for i, v in enumerate(value)]

    def quantity(
        self, key: str, unit: str, default: float | None = None, *, above: float | None = None
    ) -> float:
        """An SI value in `unit`; `above` excludes itself, without it the value is not negative."""
        value = self._read(key, default, lambda text: parse_quantity(text, unit))
        self._bound(key, value, above)
        return value * self._draw(key)

    def number(
        self, key: str, default: float | None = None, *, above: float | None = None
    ) -> float:
        """A number without a unit."""
        value = self._read(key, default, _plain)
        self._bound(key, value, above)
        return value * self._draw(key)

    def fraction(self, key: str, default: float | None = None) -> float:
        """A fraction such as 0.05 or "5 %"."""
        return self._read(key, default, parse_fraction)

    def optional(self, key: str, unit: str) -> float | None:
        """An SI value above zero in `unit`, None where the file does not give it."""
        return self.quantity(key, unit, above=0) if self.has(key) else None

    def length(self, key: str, default: float = 0.0) -> float:
        """A length above zero with its unit, in metres; `default` where the file gives none."""
        return self._read(key, None, _length) if self.has(key) else default

    def measure(self, key: str, units: Sequence[str], default: float | None = None) -> float:
        """A number in a unit without prefixes, such as "62 K/W" or "25 °C"."""
        return self._read(key, default, lambda text: _measure(text, units))

    def whole(self, key: str, default: int, lowest: int) -> int:
        """A whole number, at least `lowest`."""
        value = self.raw(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or value < lowest:
            self._wrong(key, value, f"a whole number from {lowest} is meant")
        return int(value)

    def choice(self, key: str, allowed: Sequence[str], default: str | None = None) -> str:
        """One of a few words."""
        value = self.raw(key, default)
        if value not in allowed:
            self._wrong(key, value, "one of " + ", ".join(allowed) + " is meant")
        return str(value)

    def flag(self, key: str) -> bool:
        """True or false; false where the file does not give it."""
        value = self.raw(key, False)
        if not isinstance(value, bool):
            self._wrong(key, value, "true or false is meant")
        return bool(value)

    def text(self, key: str, default: str | None = None) -> str:
        """A text that is not empty."""
        value = self.raw(key, default)
        if not isinstance(value, str) or not value.strip():
            self._wrong(key, value, "a text is meant")
        return str(value)

    def _read(self, key: str, default: float | None, parse: Callable[[Any], float]) -> float:
        value = self.raw(key, default)
        if default is not None and value is default:
            return default
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            self._wrong(key, value, "a number, or a text with a unit, is meant")
        try:
            return parse(value)
        except (ValueError, OverflowError) as error:
            raise BadBuild(f"{self.at(key)}: {error}.", 'write for instance "47 nF"') from None

    def _bound(self, key: str, value: float, above: float | None) -> None:
        if above is not None and not value > above:
            self._wrong(key, self._tree.get(key, value), f"it must be above {above:g}")
        if value < 0:
            self._wrong(key, self._tree.get(key, value), "it must not be negative")

    def _wrong(self, key: str, value: Any, why: str) -> None:
        raise BadBuild(f"{self.at(key)} is {value!r}; {why}.", "see docs/build-file.md")

    def _draw(self, key: str) -> float:
        if self._tolerance is None:
            self._tolerance = self if self.path.endswith("tolerance") else self._tolerances()
        if self._tolerance is self or not self._tolerance.has(key):
            return 1.0
        within = self._tolerance.fraction(key)
        if self._seed is None:
            return 1.0
        # A generator for each key: another key in the file does not change this draw.
        return 1 + within * random.Random(f"{self._seed}:{self.at(key)}").uniform(-1, 1)

    def _tolerances(self) -> _Table:
        return self.table("tolerance", needed=False)

    def make(self, kind: Callable[..., T], *values: Any, **named: Any) -> T:
        """Construct a part; what it finds impossible is reported under this table's path."""
        self.done()
        try:
            return kind(*values, **named)
        except ValueError as error:
            raise BadBuild(f"{self.path or 'file'}: {error}.", "see docs/build-file.md") from None

    def done(self) -> None:
        """Complain of the first key that is not known here."""
        if self._tolerance is not None and self._tolerance is not self:
            self._tolerance.done()
        for key in self._tree:
            if key not in self._known:
                self._unknown(str(key))

    def _unknown(self, key: str) -> None:
        near = difflib.get_close_matches(key, self._known, 1)
        allowed = "allowed here: " + ", ".join(sorted(self._known))
        hint = f"did you mean {self.at(near[0])}? {allowed}" if near else allowed
        raise BadBuild(f"{self.at(key)} is not a key of a build file.", hint)


def _plain(value: str | float) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{value!r} is not a finite number")
    return number


def _length(text: str | float) -> float:
    if not isinstance(text, str):
        raise ValueError(f"{text!r} has no unit; write for instance 30 mm")
    return parse_length(text)


def _measure(text: str | float, units: Sequence[str]) -> float:
    if not isinstance(text, str):
        return _plain(text)
    found = re.fullmatch(r"\s*([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*(.*?)\s*", text)
    if found is None:
        raise ValueError(f"{text!r} is not a number with a unit of {units[0]}")
    if found[2] not in ("", *units):
        raise ValueError(f"{text!r} has the unit {found[2]!r} where {units[0]} is meant")
    return _plain(found[1])


def _build(tree: Mapping[str, Any], name: str, seed: int | None) -> Build:
    top = _Table(tree, "", seed)
    title = top.text("name", name)
    driver, facts = _driver(top)
    first = driver.receivers[0]
    probe = _probe(top.table("probe")) if top.has("probe") else _usual_probe(first)
    bench, tuned = _bench(top, first.name), _tuned_point(top)
    names = [receiver.name for receiver in driver.receivers]
    if bench.light.lamp not in names:
        hint = "receivers in this file: " + ", ".join(names)
        raise BadBuild(f"bench.light.lamp is {bench.light.lamp!r}; no such receiver.", hint)
    build = top.make(Build, title, driver, probe, bench, tree, facts, tuned)
    if (
        not sum(r.count * r.coupling**2 for r in build.driver.receivers)
        + (probe.receiver.coupling**2)
        < 1
    ):
        raise BadBuild("probe.coupling: all receivers together take more than the coil's field.")
    return build


def _driver(top: _Table) -> tuple[Circuit, Facts]:
    tables = top.tables("receiver")
    if len(tables) > MOST_RECEIVERS:
        message = f"The build has {len(tables)} receivers; {MOST_RECEIVERS} are the most."
        raise BadBuild(message, "Write equal lamps as one [[receiver]] with a count.")
    lamps = [_receiver(table) for table in tables]
    if not lamps:
        raise BadBuild("receiver is missing.", "describe at least one lamp under [[receiver]]")
    (capacitance, tank_v), (supply, source) = _tank(top.table("tank")), _supply(top.table("supply"))
    (coil, coil_a), (switch, sheet) = _coil(top.table("coil")), _switch(top.table("switch"))
    loop, gate = _loop(top.table("loop", needed=False)), top.table("gate_driver", needed=False)
    gate_a = gate.optional("current", "A")
    gate.done()
    volts = {receiver.name: rated for receiver, rated in lamps if rated is not None}
    facts = Facts(sheet, source, gate_a, coil_a, tank_v, volts)
    receivers = tuple(receiver for receiver, _ in lamps)
    try:
        return Circuit(supply, coil, capacitance, loop, switch, receivers), facts
    except ValueError as error:
        raise BadBuild(f"receiver: {error}.", "lower receiver.coupling") from None


def _tank(table: _Table) -> tuple[float, float | None]:
    found = table.quantity("capacitance", "F", above=0), table.optional("rated_voltage", "V")
    table.done()
    return found


def _supply(table: _Table) -> tuple[Supply, SupplyFacts]:
    facts = SupplyFacts(
        source=table.choice("source", SOURCES) if table.has("source") else None,
        current_limit_a=table.optional("current_limit", "A"),
        series_resistance_ohm=table.quantity("series_resistance", "ohm", 0.0),
        capacitor_v=table.optional("capacitor_voltage", "V"),
    )
    supply = table.make(
        Supply,
        table.quantity("voltage", "V", above=0),
        table.quantity("resistance", "ohm", above=0),
        table.quantity("capacitance", "F", above=0),
    )
    return supply, facts


def _coil(table: _Table) -> tuple[Coil, float | None]:
    rated = table.optional("rated_current", "A")
    shape = _shape(table)
    resistance = table.quantity("resistance", "ohm")
    inductance = table.quantity("inductance", "H", above=0)
    return table.make(Coil, inductance, resistance, **shape), rated


def _shape(table: _Table) -> dict[str, float]:
    """Diameter, turns and pitch of the coil's single layer; nothing where there is no diameter."""
    diameter_m, pitch_m = table.length("diameter"), table.length("pitch", 1e-3)
    turns = table.whole("turns", 1, 1)
    return {"diameter_m": diameter_m, "turns": turns, "pitch_m": pitch_m} if diameter_m else {}


def _loop(table: _Table) -> Loop:
    damping = table.quantity("damping", "ohm", math.inf, above=0)
    return table.make(Loop, table.quantity("inductance", "H", 0.0), damping)


def _switch(table: _Table) -> tuple[Switch, SwitchFacts]:
    diode = _body_diode(table.table("body_diode", needed=False))
    facts = _sheet(table)
    breakdown = table.optional("breakdown", "V")
    switch = table.make(
        Switch,
        table.quantity("on_resistance", "ohm", above=0),
        table.quantity("output_capacitance", "F", above=0),
        diode,
        breakdown,
    )
    return switch, facts


def _sheet(table: _Table) -> SwitchFacts:
    """The MOSFET's data sheet beyond what the circuit needs."""
    facts = SwitchFacts(
        gate_charge_c=table.optional("gate_charge", "C"),
        drive_v=table.optional("drive_voltage", "V"),
        threshold_v=table.optional("threshold_voltage", "V"),
        rated_at_v=table.optional("on_resistance_at", "V"),
        rated_v=table.optional("rated_voltage", "V"),
        rated_a=table.optional("rated_current", "A"),
        output_capacitance_at_v=table.optional("output_capacitance_at", "V"),
        thermal_resistance_k_per_w=_thermal(table),
        rise_per_k=table.fraction("on_resistance_rise", 0.006),
        highest_junction_c=table.measure("highest_junction", _CELSIUS, 150.0),
        ambient_c=table.measure("ambient", _CELSIUS, 25.0),
    )
    if facts.highest_junction_c <= facts.ambient_c:
        hint = "give both in °C"
        raise BadBuild(f"{table.at('highest_junction')} must be above switch.ambient.", hint)
    threshold, rated = facts.threshold_v, facts.rated_at_v
    if threshold is not None and rated is not None and rated <= threshold:
        at = table.at("on_resistance_at")
        hint = "the data sheet gives the gate voltage beside the on-resistance"
        raise BadBuild(f"{at} is {rated:g} V; it must be above switch.threshold_voltage.", hint)
    return facts


def _thermal(table: _Table) -> float | None:
    key = "thermal_resistance"
    if not table.has(key):
        return None
    value = table.measure(key, _KELVIN_PER_WATT)
    if value <= 0:
        raise BadBuild(f"{table.at(key)} is {value:g} K/W; it must be above 0.")
    return value


def _tuned_point(top: _Table) -> TunedValues | None:
    if not top.has("tuned"):
        return None
    table = top.table("tuned")
    duty = table.fraction("duty")
    if not 0 < duty < 1:
        raise BadBuild(f"tuned.duty is {duty:g}; it must lie between 0 and 1.", 'write "20 %"')
    return table.make(TunedValues, table.quantity("frequency", "Hz", above=0), duty)


def _body_diode(table: _Table) -> Diode:
    return table.make(
        Diode,
        table.quantity("saturation_current", "A", 1e-12, above=0),
        table.number("emission", 1.0, above=0),
        table.quantity("resistance", "ohm", 0.01),
    )


def _led(table: _Table) -> Diode:
    """One LED, its junction's charge included; what the file does not say of that is usual."""
    if table.has("colour"):
        led = LEDS[table.choice("colour", tuple(LEDS))].diode
    else:
        saturation = table.quantity("saturation_current", "A", above=0)
        emission, ohm = table.number("emission", above=0), table.quantity("resistance", "ohm")
        led = with_charge(Diode(saturation, emission, ohm), USUAL_F)
    zero = table.quantity("junction_capacitance", "F", led.capacitance_f)
    potential = table.quantity("junction_potential", "V", led.potential_v, above=0)
    grading = table.number("grading", GRADING, above=0)
    curve = led.saturation_a, led.emission, led.resistance_ohm
    return table.make(Diode, *curve, zero, potential, grading)


def _receiver(table: _Table) -> tuple[Receiver, float | None]:
    """One kind of lamp, and the voltage its capacitor is rated for."""
    rated = table.optional("rated_voltage", "V")
    led = _led(table.table("led")) if table.has("led") else None
    lit = table.quantity("lit_current", "A", 1e-4, above=0)
    receiver = table.make(
        Receiver,
        name=table.text("name"),
        count=table.whole("count", 1, 1),
        led=led,
        lit_a=lit,
        **_tuned(table),
    )
    return receiver, rated


def _tuned(table: _Table) -> dict[str, float]:
    return {
        "inductance_h": table.quantity("inductance", "H", above=0),
        "resistance_ohm": table.quantity("resistance", "ohm"),
        "capacitance_f": table.quantity("capacitance", "F", above=0),
        "coupling": _coupling(table),
        "load_ohm": table.quantity("load", "ohm", math.inf, above=0),
        "distance_m": table.length("distance"),
    }


def _coupling(table: _Table) -> float:
    value = table.number("coupling", above=0)
    if value >= 1:
        raise BadBuild(f"{table.at('coupling')} is {value:g}; it must be below 1.")
    return value


def _probe(table: _Table) -> Probe:
    divider = table.number("divider", 0.05, above=0)
    if divider > 1:
        raise BadBuild(f"probe.divider is {divider:g}; a divider is at most 1.")
    drop, pin = table.quantity("drop", "V", 0.0), _pin(table, 1e-3)
    receiver = _tuned(table)
    table.done()
    return Probe(Receiver(name="probe", **receiver), divider, drop, pin)  # type: ignore[arg-type]


def _usual_probe(lamp: Receiver) -> Probe:
    """The probe of a file that has none: tuned like the first lamp, loosely coupled."""
    receiver = replace(lamp.unlit(), name="probe", coupling=0.002, load_ohm=100e3)
    return Probe(receiver, 0.05, 0.0, _pin(_Table({}, "probe", None), 1e-3))


def _pin(table: _Table, tau_s: float) -> Analogue:
    return Analogue(
        table.quantity("bias", "V", 0.2),
        table.quantity("offset", "V", 3e-3),
        table.fraction("gain_error", 0.01),
        table.quantity("noise", "V", 1e-3),
        table.quantity("time_constant", "s", tau_s, above=0),
    )


def _bench(top: _Table, lamp: str) -> BenchSetup:
    table = top.table("bench", needed=False)
    supply, light = _supply_sensor(table.table("supply", needed=False)), _light(table, lamp)
    return table.make(
        BenchSetup,
        table.choice("chip", CHIPS, "esp32"),
        table.whole("seed", 1, 0),
        table.whole("heap", 160 * 1024, 32 * 1024),
        supply,
        light,
    )


def _supply_sensor(table: _Table) -> SupplySensor:
    return table.make(
        SupplySensor,
        table.choice("sensor", SENSORS, "adc"),
        table.quantity("shunt", "ohm", 0.1, above=0),
        table.number("amplifier", 20.0, above=0),
        _pin(table, 1e-3),
        table.flag("alert"),
    )


def _light(bench: _Table, first: str) -> LightSensor:
    table = bench.table("light", needed=False)
    lamp, ohm = table.text("lamp", first), table.quantity("transimpedance", "ohm", 2e3, above=0)
    return table.make(LightSensor, lamp, ohm, _pin(table, 1e-3))
