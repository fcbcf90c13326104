"""The bench's side of the board's pins: told what they do, it answers what they see."""

from __future__ import annotations

import contextlib
import errno
import logging
import math
import random
import socket
import struct
import threading
import zlib
from collections import Counter, deque
from collections.abc import Callable
from functools import partial

from coilwright.build import Analogue, Build
from coilwright.sensors import SHUNT_SENSORS

from .chips import HIGH, OFF, Gate
from .circuit_faults import condition, conditions_ahead
from .clock import BenchClock
from .faults import Faults, Value, room_light_v
from .ina import MODELS, Ina
from .latch import Latch
from .plant import Operating, Plant
from .pwm import PwmPort, read_back

LOG = logging.getLogger("coilwright.bench")

SOFT_RESET = 5
"""`machine.SOFT_RESET`: the interpreter starts again, the pins stay."""

_FRAME = struct.Struct("<BBHIIQ")
_ALERT_US, _ALERT_OFF_US = 400, 2000
"""How often the board looks for an edge at an input, with a PWM at the gate and without. A
conversion of an INA226 takes 332 us as the firmware sets it."""


class Errors:
    """Unknown errors of this bench's sensors, drawn by its seed: offset V and gain."""

    def __init__(self, seed: int, name: str, pin: Analogue) -> None:
        draw = random.Random(f"{seed}:{name}")
        self.offset_v = draw.uniform(-1, 1) * pin.offset_v
        self.gain = 1 + draw.uniform(-1, 1) * pin.gain_error


class _Settling:
    """A first-order quantity on the virtual clock."""

    def __init__(self, tau_s: float) -> None:
        self._tau_us = tau_s * 1e6
        self.value = self.target = 0.0
        self._at = 0

    def at(self, now_us: int, held: bool = False) -> float:
        """The value at a time, not before the last; `held` where the target is not known."""
        span = max(0, now_us - self._at)
        if not held:
            self.value = self.target + (self.value - self.target) * math.exp(-span / self._tau_us)
        self._at += span
        return self.value


class Pins(threading.Thread):
    """Serves one board: gate state in, sensor voltages out.

    Args:
        link: Socket whose other end the shim holds; its end of file ends the thread.
        plant: The circuit.
        build: As built, with the bench's sensors.
        seed: Of the sensors' errors and noise.
        sensor: Supply sensor, adc, ina219 or ina226.
        restart: Called with the cause when the board resets itself.
        clock: The bench's clock.
        faults: What is wrong with the bench.
        happens: Asked with the bench's time before anything the board does; True when the board
            has just lost its power or was reset.
        gate: State of the gate pin that a soft reset left.
        latch: At the gate driver's enable, where there is one; a reset leaves it as it is.
    """

    def __init__(
        self,
        link: socket.socket,
        plant: Plant,
        build: Build,
        seed: int,
        sensor: str,
        restart: Callable[[int], None],
        clock: BenchClock,
        faults: Faults,
        happens: Callable[[int], bool],
        gate: Gate = OFF,
        latch: Latch | None = None,
    ) -> None:
        super().__init__(name="bench pins", daemon=True)
        self._link, self._plant, self._build, self._restart = link, plant, build, restart
        self._seed, self._sensor, self._clock, self._faults = seed, sensor, clock, faults
        self._happens, self._down, self._shown_a = happens, False, 0.0
        self.greeting = ""
        """What the board is told of itself when it connects, one line."""
        self.gate = gate
        self.history: deque[tuple[int, Gate]] = deque(maxlen=4096)
        """Times on the board's own clock in us, and the gate pin's state from then on."""
        self._supply = _Settling(build.bench.supply.pin.time_constant_s)
        self._errors = Errors(seed, "supply", build.bench.supply.pin)
        self._stale, self._since = False, 0
        self._ports: dict[int, PwmPort] = {}
        self._now = self._at = 0
        self._visits: Counter[Gate] = Counter()
        self._told, self._glanced = OFF, (0, 0, 0)
        self._alert_level = 1
        self._latch, self._filtered = latch, _Settling(build.bench.supply.pin.time_constant_s)
        self._ina: Ina | None = MODELS[sensor](self._sense) if sensor in MODELS else None

    def channels(self) -> str:
        """A channel each: pin, us, tau us, noise nV, offset uV, gain ppm, upper, lower end uV."""
        chip, bench = self._plant.chip, self._build.bench
        named = (
            (chip.supply_pin, "supply", bench.supply.pin),
            (chip.probe_pin, "probe", self._build.probe.pin),
            (chip.light_pin, "light", bench.light.pin),
        )
        return " ".join(self._channel(pin, name, analogue) for pin, name, analogue in named)

    def _channel(self, pin: int, name: str, analogue: Analogue) -> str:
        errors, chip = Errors(self._seed, name, analogue), self._plant.chip
        numbers = (
            pin,
            chip.conversion_us,
            max(1, round(analogue.time_constant_s * 1e6)),
            round(analogue.noise_v * 1e9),
            round(errors.offset_v * 1e6),
            round((errors.gain - 1) * 1e6),
            chip.adc_top_uv,
            chip.adc_floor_uv,
        )
        return ",".join(map(str, numbers))

    def run(self) -> None:
        """Thread body."""
        try:
            while frame := self._take(_FRAME.size):
                kind, pin, count, first, _, now_us = _FRAME.unpack(frame)
                self._frame(chr(kind), pin, count, first, now_us)
                self._clock.answered()
        except OSError:
            pass  # the board has gone
        except Exception:
            LOG.exception("the plant failed; the board loses its power")
        finally:
            with contextlib.suppress(OSError):
                self._link.shutdown(socket.SHUT_RDWR)

    def _take(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self._link.recv(count - len(data))
            if not more:
                return b""
            data += more
        return data

    def _frame(self, letter: str, pin: int, n: int, a: int, now_us: int) -> None:
        self._at = self._clock.seen(now_us)
        self._faults.settle(self._at)
        if self._down or self._happens(self._at):
            self._down = True
            return
        self._watch()
        if letter == "T":
            self._told, self._glanced = self._switch(), self._targets()
            self._link.sendall(struct.pack("<3i", *self._glanced))
        elif letter == "K":
            self._link.sendall(struct.pack("<3i", *self._glance()))
        elif letter in "GFDNX":
            self._link.sendall(struct.pack("<3I", *self._pwm(letter, pin, a, now_us)))
        elif letter == "L" and pin == self._plant.chip.gate:
            self._set(HIGH if n else OFF, now_us)
        elif letter == "L" and pin == self._plant.chip.led:
            self._clock.led_log.append((self._at, n))
        elif letter == "L" and self._latch and pin == self._plant.chip.latch_clear:
            self._latch.clock(n)
        elif letter == "A" and self._latch and pin == self._plant.chip.latch:
            self._link.sendall(struct.pack("<BI", not self._latch.acted, _ALERT_OFF_US))
        elif letter == "A":
            self._link.sendall(struct.pack("<BI", *self._alert(pin, now_us)))
        elif letter == "I":
            self._i2c(pin, self._take(n), a, now_us)
        elif letter == "H":
            self._link.sendall(self.greeting.encode())
        elif letter == "R":
            self._reset(pin, now_us)

    def _reset(self, cause: int, now_us: int) -> None:
        """Pins float at a reset, and the pull-down holds the gate; not at a soft one."""
        self._now = now_us
        if cause != SOFT_RESET:
            self._set(OFF, now_us)
        elif self.gate.period:
            self._halt(self._plant.chip.gate, self.gate)
        self._restart(cause)

    def _pwm(self, letter: str, pin: int, value: int, now_us: int) -> tuple[int, int, int]:
        """One call of a PWM method; what reads back, and the seed of the noise that follows."""
        self._now = now_us
        if letter == "G":
            self._ports[pin] = PwmPort(self._plant.chip, partial(self._write, pin))
        port = self._ports[pin]
        if letter == "X":
            self._halt(pin, port.gate)
        methods = {"F": port.freq, "D": port.duty_u16, "N": port.duty_ns}
        try:
            if letter in methods:
                methods[letter](value)
        except ValueError:
            return 0, 0, 0  # the shim raises it again in the firmware
        return *read_back(self._plant.chip, port.gate), self._noise_seed(port.gate)

    def _noise_seed(self, gate: Gate) -> int:
        """The same setting, set for the n-th time, is followed by the same noise."""
        key = f"{self._seed}:{gate.period}:{gate.scale}:{gate.on}:{self._visits[gate]}"
        return zlib.crc32(key.encode())

    def _write(self, pin: int, gate: Gate) -> None:
        if pin == self._plant.chip.gate:
            self._visits[gate] += 1
            self._set(gate, self._now)

    def _halt(self, pin: int, gate: Gate) -> None:
        """A stopped RP2 slice holds whatever level it had; an ESP32 pin goes low."""
        if pin != self._plant.chip.gate:
            return
        high = False
        if self._plant.chip.family == "rp2":
            place = random.Random(f"{self._seed}:{gate}:{self._visits[gate]}").random()
            high = place < gate.duty(self._plant.chip)
        self._set(HIGH if high else OFF, self._now)

    def _set(self, gate: Gate, now_us: int) -> None:
        if gate == self.gate:
            return
        self._supply.at(now_us, held=self._stale)
        self.gate, self._stale, self._since = gate, True, now_us
        self.history.append((now_us, gate))
        self._clock.gate_log.append((self._at, gate))

    def _targets(self) -> tuple[int, int, int]:
        """Voltages at the three ADC pins in uV, before offset, gain error and noise."""
        point = self._point()
        bench = self._build.bench
        supply = 0.0
        if self._ina is None:
            amps = self._shown(point.supply_a)
            dead = "sensor-dead" in self._wrong()
            supply = 0.0 if dead else bench.supply.pin.bias_v + amps / bench.supply.gain_a_per_v
        probe_v = 0.0 if "probe-open" in self._wrong() else point.probe_v
        light = bench.light.pin.bias_v + point.light_a * bench.light.transimpedance_ohm
        light += room_light_v(self._faults.acting(self._at, "sensor"))
        volts = supply, self._build.probe.pin_v(probe_v), light
        return tuple(round(min(max(v, -1.0), 1000.0) * 1e6) for v in volts)  # type: ignore[return-value]

    def _glance(self) -> tuple[int, int, int]:
        """What a conversion in a timer's callback sees. Steps of a ramp that the main loop passes
        by without a look are not solved for it: it sees what was seen last."""
        if self._solved():
            self._glanced = self._targets()
        return self._glanced

    def _solved(self) -> bool:
        """Whether the gate does what the main loop has looked at, or nothing."""
        gate = self._switch()
        return gate == self._told or gate.on == 0 or gate.period == 0

    def _watch(self) -> None:
        """What the latch sees, up to now."""
        if self._latch is None:
            return
        known = self._solved()
        amps = self._filtered.at(self._at, held=not known)
        if known:
            self._filtered.target = self._shown(self._point().supply_a)
        self._latch.see(amps)

    def _point(self) -> Operating:
        port = self._ports.get(self._plant.chip.gate)
        hertz = port.frequency_hz if port else 0
        acting = self._faults.acting(self._at, "circuit")
        ahead = partial(conditions_ahead, acting) if acting else None
        return self._plant.operating(self._switch(), hertz, condition(acting), ahead)

    def _switch(self) -> Gate:
        """What the MOSFET's gate does: what the pin does, unless it is stuck or latched off."""
        for fault, _ in reversed(self._faults.acting(self._at, "gate")):
            return HIGH if fault.value == "high" else OFF
        return OFF if self._latch and self._latch.acted else self.gate

    def _wrong(self) -> dict[str, Value]:
        """Faults of the sensors now, with their values."""
        return {fault.name: fault.value for fault, _ in self._faults.acting(self._at, "sensor")}

    def _shown(self, amps: float) -> float:
        """Current as the sensor shows it."""
        wrong = self._wrong()
        if "sensor-stuck" in wrong:
            value = wrong["sensor-stuck"]
            return value if isinstance(value, float) else self._shown_a
        self._shown_a = -amps if "sensor-reversed" in wrong else amps
        return self._shown_a

    def _i2c(self, address: int, out: bytes, count: int, now_us: int) -> None:
        if self._ina is None or address != 64:
            self._link.sendall(bytes([self._no_answer()]) + bytes(count))
            return
        wrong = self._wrong()
        if "i2c-held" in wrong or "sensor-dead" in wrong:
            silent = errno.ETIMEDOUT if "i2c-held" in wrong else self._no_answer()
            self._link.sendall(bytes([silent]) + bytes(count))
            return
        self._told = self._switch()
        self._link.sendall(b"\0" + self._ina.transfer(out, count, now_us))

    def _alert(self, pin: int, now_us: int) -> tuple[int, int]:
        """Level of an input pin, and time in us after which to look again.

        As in `_glance`, steps of a ramp that the main loop passes by are not solved for it.
        """
        if self._ina is None or pin != self._plant.chip.alert or "sensor-dead" in self._wrong():
            self._alert_level = 1  # pulled up, and nobody pulls it low
        elif self._solved():
            self._alert_level = 0 if self._ina.alert_low(now_us) else 1
        return self._alert_level, _ALERT_US if self.gate.period else _ALERT_OFF_US

    def _no_answer(self) -> int:
        """Error number of a port whose address byte nobody acknowledged."""
        return errno.ENODEV if self._plant.chip.family == "esp32" else errno.EIO

    def _sense(self, now_us: int, samples: int) -> tuple[float, float]:
        """Shunt and bus voltage as the INA converts them."""
        point = self._point()
        self._supply.target, self._stale = self._shown(point.supply_a), False
        noise = random.Random(
            f"{self._seed}:{self.gate}:{self._visits[self.gate]}:{now_us - self._since}"
        )
        limits = self._build.bench.supply.pin
        share = self._errors.offset_v / limits.offset_v if limits.offset_v else 0.0
        shunt = self._supply.at(now_us) * self._build.bench.supply.shunt_ohm * self._errors.gain
        shunt += share * SHUNT_SENSORS[self._sensor].offset_v
        if "sensor-stuck" in self._wrong():
            return shunt, point.supply_v
        shunt += noise.gauss(0, SHUNT_SENSORS[self._sensor].noise_v / math.sqrt(samples))
        return shunt, point.supply_v
