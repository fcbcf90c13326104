"""What can go wrong on a bench: one table of faults, how they are written, when they act.

A fault is written `NAME[=VALUE][,at=S][,for=S][,every=S]`, the same in a `sim://` URL and in
`coilwright fault`. Times are on the bench's own clock: seconds of the board's time since power-on.
"""

from __future__ import annotations

import difflib
import math
import re
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from coilwright.build import Build
from coilwright.errors import BadBuild
from coilwright.lengths import parse_length, show_length
from coilwright.quantities import parse_fraction, parse_quantity, show

Value = float | str | None


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the table.

    `acts` is where: circuit, sensor, gate, board or line. `unit` is what the value is: empty for
    none, `share` (a fraction), `share/s`, an SI unit, or words separated by `|`. `default` None
    with a unit means that the value may be left out. `low` and `high` bound it. A fault that
    `stays` leaves its part as it is when its time is over; one that is an `event` has no length.
    What is not `wrong` is a change that a sound bench goes through.
    """

    name: str
    acts: str
    does: str
    unit: str = ""
    default: Value = None
    low: float = 0.0
    high: float = 1.0
    stays: bool = False
    event: bool = False
    wrong: bool = True

    def value_form(self) -> str:
        """The value as a person may write it: range and default."""
        if not self.unit:
            return ""
        if "|" in self.unit:
            return self.unit.replace("|", " or ") + f"; {self.default} if left out"
        ends = f"{show_value(self, self.low)} to {show_value(self, self.high)}"
        if self.default is None:
            return ends
        return f"{ends}; {show_value(self, self.default)} if left out"


_RATE = {"unit": "share/s", "low": -0.1, "high": 0.1, "stays": True}
_LINE = (("", "in both directions"), ("-to-driver", "to the driver"), ("-to-host", "to the host"))

_KINDS = (
    Kind("coil-open", "circuit", "the coil's wire is broken; the capacitor alone stays in circuit"),
    Kind(
        "turns-shorted",
        "circuit",
        "neighbouring turns touch: inductance and coupling drop, resistance rises; "
        "the value is the share of the turns",
        "share",
        0.1,
        0.01,
        0.8,
    ),
    Kind(
        "metal",
        "circuit",
        "sheet metal near the coil: inductance and coupling drop, loss rises; "
        "the value is the share of the inductance lost",
        "share",
        0.05,
        0.001,
        0.5,
    ),
    Kind("tank-drift", "circuit", "the tank capacitor drifts", default=0.01 / 60, **_RATE),  # type: ignore[arg-type]
    Kind("lamp-drift", "circuit", "the capacitors of all lamps drift", default=0.01 / 60, **_RATE),  # type: ignore[arg-type]
    Kind("probe-drift", "circuit", "the probe's capacitor drifts", default=0.01 / 60, **_RATE),  # type: ignore[arg-type]
    Kind(
        "supply-sag",
        "circuit",
        "the supply's voltage is lower by this share; 100 % is no supply",
        "share",
        0.3,
        0.0,
        1.0,
    ),
    Kind(
        "supply-over",
        "circuit",
        "the supply's voltage is higher by this share",
        "share",
        0.3,
        0.0,
        2.0,
    ),
    Kind(
        "supply-lead",
        "circuit",
        "a bad contact in the supply lead adds this resistance",
        "ohm",
        2.0,
        0.001,
        100.0,
    ),
    Kind(
        "extra-lamp",
        "circuit",
        "one more lamp of the first kind lies over the coil, at this coupling factor",
        "share",
        0.02,
        0.001,
        0.3,
    ),
    Kind(
        "lamps-at",
        "circuit",
        "no fault: lamps and probe stand at this distance from the middle of the coil; "
        "their couplings follow its field",
        "m",
        0.1,
        0.001,
        1.0,
        wrong=False,
    ),
    Kind(
        "room-light",
        "sensor",
        "no fault: the room gets brighter (or darker): the light sensor's voltage rises by so much",
        "V",
        0.3,
        -3.0,
        3.0,
        wrong=False,
    ),
    Kind(
        "room-drift",
        "sensor",
        "no fault: daylight changes: the light sensor's voltage drifts by so much a second",
        "V",
        0.01,
        -1.0,
        1.0,
        stays=True,
        wrong=False,
    ),
    *(
        Kind(
            f"flicker-{2 * mains}",
            "sensor",
            f"no fault: lamps of the room on {mains} Hz mains: the light sensor's voltage swings"
            f" by so much to either side at {2 * mains} Hz, about the mean",
            "V",
            0.1,
            0.0,
            1.0,
            wrong=False,
        )
        for mains in (50, 60)
    ),
    Kind("probe-open", "sensor", "the probe's wire is off: its pin sees the bias alone"),
    Kind(
        "sensor-stuck",
        "sensor",
        "the supply-current sensor stays at this current, or at what it showed last",
        "A",
        None,
        -100.0,
        100.0,
    ),
    Kind(
        "sensor-dead",
        "sensor",
        "the supply-current sensor has lost its own supply: 0 V at the pin, "
        "or no answer on the I2C bus",
    ),
    Kind("sensor-reversed", "sensor", "the shunt's leads are swapped: the current reads negative"),
    Kind(
        "i2c-held", "sensor", "something holds the I2C bus low: every transfer times out (INA only)"
    ),
    Kind(
        "gate-stuck",
        "gate",
        "the MOSFET's gate stays high or low, whatever the board's pin does",
        "high|low",
        "high",
    ),
    Kind("reset", "board", "the board is reset by its reset pin", event=True),
    Kind(
        "brown-out",
        "board",
        "the board loses its power for this long and starts again",
        "s",
        0.05,
        0.001,
        60.0,
        event=True,
    ),
    *(
        Kind(f"loss{tail}", "line", f"bytes {way} are lost at this rate", "share", 0.01, 0.0, 1.0)
        for tail, way in _LINE
    ),
    *(
        Kind(
            f"bit-errors{tail}",
            "line",
            f"bits {way} are flipped at this rate",
            "share",
            1e-4,
            0.0,
            0.5,
        )
        for tail, way in _LINE
    ),
    *(
        Kind(
            f"latency{tail}", "line", f"bytes {way} are so much late", "s", 0.016, 0.0, 10.0
        )
        for tail, way in _LINE
    ),
    *(
        Kind(
            f"stall{tail}",
            "line",
            f"bytes {way} wait until the stall is over; none is lost",
        )
        for tail, way in _LINE
    ),
)  # fmt: skip
KINDS: dict[str, Kind] = {kind.name: kind for kind in _KINDS}

_PER = {"s": 1.0, "min": 60.0, "h": 3600.0}
_OPTIONS = ("at", "for", "every")


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of the table with its value in SI units, and when it acts on the bench's clock.

    `for_us` None: until it is cleared. `every_us`: it comes again so long after each onset.
    """

    name: str
    value: Value = None
    at_us: int = 0
    for_us: int | None = None
    every_us: int | None = None

    @property
    def kind(self) -> Kind:
        """Its row of the table."""
        return KINDS[self.name]

    def acting_us(self, now_us: int) -> int | None:
        """How long it has been acting at a time, None while it does not act.

        A fault that stays answers its whole length from its end on.
        """
        since = now_us - self.at_us
        if since < 0:
            return None
        if self.every_us is not None:
            since %= self.every_us
        if self.for_us is None or since < self.for_us:
            return since
        return self.for_us if self.kind.stays else None

    def __str__(self) -> str:
        text = self.name
        if self.value is not None:
            text += "=" + show_value(self.kind, self.value).replace(" ", "")
        times = (("at", self.at_us or None), ("for", self.for_us), ("every", self.every_us))
        for key, us in times:
            text += "" if us is None else f",{key}={us / 1e6:g}s"
        return text


def show_value(kind: Kind, value: Value) -> str:
    """A value of a kind in words."""
    if isinstance(value, str) or value is None:
        return value or ""
    if kind.unit == "share":
        return f"{value:g}" if 0 < abs(value) < 1e-3 else f"{100 * value:g} %"
    if kind.unit == "share/s":
        return f"{6000 * value:g} %/min"
    if kind.unit == "m":
        return show_length(value, 6)
    return show(value, kind.unit)


def parse_fault(text: str) -> Fault:
    """Read `NAME[=VALUE][,at=S][,for=S][,every=S]`.

    Raises:
        BadBuild: The message names the part that is wrong.
    """
    first, *options = text.split(",")
    name, equals, value = (part.strip() for part in first.partition("="))
    kind = find_kind(name)
    found = Fault(name, _value(kind, value) if equals else kind.default)
    times: dict[str, int] = {}
    for option in options:
        key, _, seconds = (part.strip() for part in option.partition("="))
        if key not in _OPTIONS:
            hint = "after the value come at=, for= and every=, such as coil-open,at=3s,for=500ms"
            raise BadBuild(f"fault {name}: {option.strip()!r} is not an option.", hint)
        if key in times:
            raise BadBuild(f"fault {name}: {key} is given twice.")
        times[key] = _microseconds(name, key, seconds)
    return scheduled(found, times.get("at", 0), times.get("for"), times.get("every"))


def find_kind(name: str) -> Kind:
    """The row of a name.

    Raises:
        BadBuild: There is none.
    """
    if name in KINDS:
        return KINDS[name]
    near = difflib.get_close_matches(name, KINDS, 1)
    hint = f"did you mean {near[0]}? " if near else ""
    hint += "coilwright fault --list shows them all"
    raise BadBuild(f"{name!r} is not a fault of a bench.", hint)


def make_fault(name: str, value: Value = None) -> Fault:
    """A fault with a value in SI units (shares as fractions, drifts a second), or as text.

    Raises:
        BadBuild: No such fault, or the value is impossible.
    """
    kind = find_kind(name)
    if value is None:
        return Fault(name, kind.default)
    return Fault(name, _value(kind, value))


def scheduled(fault: Fault, at_us: int, for_us: int | None, every_us: int | None) -> Fault:
    """The fault with its times.

    Raises:
        BadBuild: They do not go together.
    """
    name = fault.name
    if fault.kind.event and for_us is not None:
        raise BadBuild(f"fault {name} takes no for=; it happens at one moment.")
    if for_us == 0:
        raise BadBuild(f"fault {name}: for is 0 s.", "give the time it lasts, such as for=2s")
    if every_us is not None and fault.kind.stays:
        raise BadBuild(f"fault {name} takes no every=; what it changes stays.")
    if every_us is not None and not fault.kind.event and for_us is None:
        raise BadBuild(f"fault {name}: every= needs for=, or it would never end.")
    if every_us is not None and every_us <= (for_us or 0):
        hint = "it must be longer than the fault lasts"
        raise BadBuild(f"fault {name}: every is {every_us / 1e6:g} s.", hint)
    return replace(fault, at_us=at_us, for_us=for_us, every_us=every_us)


def check_bench(fault: Fault, sensor: str, build: Build) -> None:
    """Refuse a fault that this bench cannot have.

    Raises:
        BadBuild: The fault is one of the I2C bus, and the sensor is on an ADC pin; or lamps are to
            be moved whose distance, or the coil's diameter, is not known.
    """
    known = build.driver.coil.diameter_m and any(r.distance_m for r in build.driver.receivers)
    if fault.name == "lamps-at" and not known:
        hint = "give coil.diameter, coil.turns and receiver.distance in the build file"
        raise BadBuild(f"fault lamps-at: {build.name} does not say where its lamps are.", hint)
    if fault.name == "i2c-held" and sensor == "adc":
        hint = "take a bench with sensor=ina219 or sensor=ina226"
        raise BadBuild("fault i2c-held: the supply sensor of this bench is on an ADC pin.", hint)


def _microseconds(name: str, key: str, text: str) -> int:
    try:
        seconds = parse_quantity(text, "s")
    except ValueError as error:
        raise BadBuild(f"fault {name}: {key}: {error}.", f"write {key}=3s or {key}=200ms") from None
    if not 0 <= seconds <= 1e6:
        raise BadBuild(f"fault {name}: {key} is {text}.", "give 0 to 1000000 s")
    return round(seconds * 1e6)


def _value(kind: Kind, given: float | str) -> Value:
    if not kind.unit:
        raise BadBuild(f"fault {kind.name} takes no value, {given!r} was given.")
    if "|" in kind.unit:
        if given not in kind.unit.split("|"):
            raise BadBuild(f"fault {kind.name} is {given!r}.", kind.unit.replace("|", " or "))
        return given
    try:
        value = float(given) if not isinstance(given, str) else _read(kind.unit, given)
    except ValueError as error:
        raise BadBuild(f"fault {kind.name}: {error}.", "give " + kind.value_form()) from None
    if not kind.low <= value <= kind.high:
        raise BadBuild(f"fault {kind.name} is {given}.", "give " + kind.value_form())
    return value


def _read(unit: str, text: str) -> float:
    if unit == "share":
        percent = text.endswith("%")
        return float(text[:-1]) / 100 if percent and _number(text[:-1]) else parse_fraction(text)
    if unit == "m":
        return parse_length(text)
    if unit != "share/s":
        return parse_quantity(text, unit)
    found = re.fullmatch(r"([-+]?[\d.]+(?:e[-+]?\d+)?)\s*(%?)\s*/\s*(s|min|h)", text, re.I)
    if found is None or not _number(found[1]):
        raise ValueError(f"{text!r} is not a rate such as 1%/min")
    return float(found[1]) / (100 if found[2] else 1) / _PER[found[3].lower()]


def _number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def room_light_v(acting: Iterable[tuple[Fault, int]]) -> float:
    """What the room adds to the light sensor's voltage under these faults, V.

    Args:
        acting: Faults, and for how many us each has been acting.
    """
    total = 0.0
    for fault, since_us in acting:
        value = fault.value if isinstance(fault.value, float) else 0.0
        if fault.name == "room-light":
            total += value
        elif fault.name == "room-drift":
            total += value * since_us / 1e6
        elif fault.name in _FLICKER_HZ:
            total += value * math.sin(math.tau * _FLICKER_HZ[fault.name] * since_us / 1e6)
    return total


_FLICKER_HZ = {"flicker-100": 100.0, "flicker-120": 120.0}


class Faults:
    """The faults of one bench; safe to use from several threads."""

    def __init__(self, faults: Iterable[Fault] = ()) -> None:
        self._lock = threading.Lock()
        self._all: tuple[Fault, ...] = ()
        self._events: list[tuple[int, Fault]] = []
        self._unsure: list[tuple[Fault, int]] = []
        self.changed = threading.Event()
        """Set when a fault was added or cleared."""
        for fault in faults:
            self.add(fault)

    def __iter__(self) -> Iterator[Fault]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    def add(self, fault: Fault, about_us: int | None = None) -> None:
        """From its time on it acts; of two of one name the later added counts, drifts add up.

        `about_us` is the time from which the fault's is counted, where that is "now" and known to
        be this at the latest; `settle` corrects it.
        """
        with self._lock:
            self._all += (fault,)
            if fault.kind.event:
                self._events.append((fault.at_us, fault))
            if about_us is not None and fault.kind.acts != "line":
                self._unsure.append((fault, about_us))
        self.changed.set()

    def settle(self, now_us: int) -> None:
        """The board tells its time: what was added since it did so before began by now."""
        if not self._unsure:
            return
        with self._lock:
            for fault, about_us in self._unsure:
                moved = replace(fault, at_us=fault.at_us - max(0, about_us - now_us))
                self._all = tuple(moved if f is fault else f for f in self._all)
                self._events = [
                    (moved.at_us, moved) if f is fault else (due, f) for due, f in self._events
                ]
            self._unsure.clear()

    def clear(self, name: str | None = None) -> int:
        """Remove those of a name, or all; the number removed."""
        with self._lock:
            kept = tuple(f for f in self._all if name is not None and f.name != name)
            gone = len(self._all) - len(kept)
            self._all = kept
            self._events = [(due, f) for due, f in self._events if f in kept]
        self.changed.set()
        return gone

    def acting(self, now_us: int, acts: str) -> list[tuple[Fault, int]]:
        """Faults of one group that act at a time, and for how long they have, oldest first."""
        if not self._all:
            return []
        found = ((f, f.acting_us(now_us)) for f in self._all if f.kind.acts == acts)
        return [(fault, since) for fault, since in found if since is not None]

    def next_event_us(self) -> int | None:
        """When the next reset or brown-out is due."""
        with self._lock:
            return min((due for due, _ in self._events), default=None)

    def take_event(self, now_us: int) -> Fault | None:
        """The reset or brown-out that is due by now, once; None where none is."""
        if not self._events:
            return None
        with self._lock:
            due = [event for event in self._events if event[0] <= now_us]
            for at, fault in due:
                self._events.remove((at, fault))
                if fault.every_us is None:
                    self._all = tuple(f for f in self._all if f is not fault)
                else:
                    missed = (now_us - at) // fault.every_us
                    self._events.append((at + (missed + 1) * fault.every_us, fault))
            return due[-1][1] if due else None
