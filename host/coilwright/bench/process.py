"""The simulated bench as a whole: firmware process, pins, serial line, and their clean end."""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import json
import logging
import os
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import IO

from coilwright.build import Build, load_build
from coilwright.errors import BadBuild, NotWritable
from coilwright.firmware import firmware_folder
from coilwright.whole_file import replace_text

from . import confine, costs
from .board import SOFT_RESET, Pins
from .chips import CHIPS, OFF, board_json
from .circuit_faults import Condition, condition
from .clock import BenchClock, GateLog
from .faults import Fault, Faults, Value, check_bench, make_fault, scheduled
from .latch import Latch
from .line_faults import FaultyLine
from .plant import Plant
from .relay import PtyPort, Relay, RelayLine, TcpPort, check_system

LOG = logging.getLogger("coilwright.bench")

_SHIM = Path(__file__).parent / "shim"
_SHIM_LINK, _FIRMWARE_LINK = "sim", "fw"
SHIM_BYTES = 10 * 1024
"""What the shim's modules take of the heap at least. A board has `machine` and `time` in its ROM,
so this comes on top of the heap that the firmware gets."""
INPUT_BYTES = 2 * 1024
"""What those for inputs take besides."""
_BUSY_S = 0.1
_LEAVE_S = 5.0
POWER_ON, HARD_RESET, WATCHDOG_RESET = 1, 2, 3


def shim_folder() -> Path:
    """Folder of what stands in for the board's own modules."""
    return _SHIM


def have_micropython() -> bool:
    """Whether the MicroPython unix build is installed here."""
    return importlib.util.find_spec("micropython_unix") is not None


def open_log(path: Path) -> IO[bytes]:
    """A log to append to: a file, not a link that the flash may hold."""
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW
    return os.fdopen(os.open(path, flags, 0o666), "ab")


class Bench:
    """A simulated bench: the firmware behind a serial line, acting on a solved circuit.

    Args:
        build: Build, path of a build file, or `"harbour"`.
        chip: esp32, esp32s3, esp32c3, rp2040 or rp2350; the build's own where not given.
        seed: Of tolerances, sensor errors and noise; the build's own where not given.
        sensor: Supply sensor adc, ina219 or ina226; the build's own where not given.
        alert: Whether the alert pin of an INA226 is wired; as in the build where not given.
        latch: Whether a latch in hardware holds the gate driver's enable, see `latch`.
        speed: Virtual seconds a real second, at most.
        flash: Folder that is the board's flash and is kept; a temporary one where not given.
        port: Host's side of the line; a pseudo-terminal if not given.
        line: What the line does to bytes.
        faults: What goes wrong, and when.
        costs: `"chip"` charges the board's clock with what its work costs there, see `costs`.
        micropython: False runs the firmware on CPython; by default only where there is no other.
        firmware: Folder of the firmware, by default the project's.

    Raises:
        BadBuild: The build file is wrong, or a fault or the alert pin cannot be had with this
            sensor.
        NotWritable: The flash folder cannot be written.
        PortError: This system passes no sockets to its children (Windows).
    """

    bare = False
    """Whether it has the board's prompt and no firmware of its own."""

    def __init__(
        self,
        build: Build | str | Path = "harbour",
        *,
        chip: str | None = None,
        seed: int | None = None,
        sensor: str | None = None,
        alert: bool | None = None,
        latch: bool = False,
        speed: float = 1.0,
        flash: str | Path | None = None,
        port: PtyPort | TcpPort | None = None,
        line: RelayLine | None = None,
        micropython: bool | None = None,
        firmware: Path | None = None,
        faults: Iterable[Fault] = (),
        costs: str = "none",
    ) -> None:
        check_system()
        nominal = build if isinstance(build, Build) else load_build(build)
        self.nominal = nominal
        self.chip = CHIPS[chip or nominal.bench.chip]
        self.seed = nominal.bench.seed if seed is None else seed
        self.sensor = sensor or nominal.bench.supply.kind
        if alert and self.sensor != "ina226":
            raise BadBuild("Only an INA226 has an alert pin.", "take sensor=ina226")
        wired = nominal.bench.supply.alert if alert is None else alert
        self.alert = wired and self.sensor == "ina226"
        self.latch = Latch() if latch else None
        self.build = nominal.drawn(self.seed)
        self.speed, self.micropython = speed, have_micropython()
        if micropython is not None:
            self.micropython = micropython
        self.confined = self.micropython and confine.possible()
        """Whether the system keeps the interpreter to its flash, see `confine`."""
        self.costs = costs
        self.firmware = firmware or firmware_folder()
        self._paced = self._pace() if costs == "chip" else None
        self.plant = Plant(self.build, self.chip.name)
        self.clock, self.faults = BenchClock(speed), Faults()
        self.add_faults(faults)
        self._temporary = None if flash else tempfile.TemporaryDirectory(prefix="coilwright-")
        self.flash = Path(flash or self._temporary.name)  # type: ignore[union-attr]
        self._relay = Relay(
            port or PtyPort(), line or FaultyLine(self.faults, self.clock, self.seed), self._ended
        )
        self._watcher = threading.Thread(target=self._watch, name="bench events", daemon=True)
        self._process: subprocess.Popen[bytes] | None = None
        self._ends: list[socket.socket] = []
        self._lock = threading.RLock()
        self._stopping, self._down = threading.Event(), False
        self.pins: Pins | None = None
        self.starts = 0

    @property
    def url(self) -> str:
        """What a host opens: path of the pseudo-terminal, or `socket://host:port`."""
        return self.port.url

    @property
    def port(self) -> PtyPort | TcpPort:
        """Host's side of the line."""
        return self._relay.port

    @property
    def log_path(self) -> Path:
        """What the firmware wrote to its standard error: a traceback, if it fell over."""
        return self.flash / "stderr.log"

    @property
    def pid(self) -> int:
        """Process number of the firmware."""
        assert self._process is not None
        return self._process.pid

    def __enter__(self) -> Bench:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Power on."""
        try:
            self._write_wiring()
        except NotWritable:
            self.stop()
            raise
        self._relay.start()
        self._launch(POWER_ON)
        threading.Thread(target=self._warm, name="bench warm-up", daemon=True).start()
        self._watcher.start()

    def _warm(self) -> None:
        try:
            self.plant.warm()
        except Exception:
            LOG.exception("the circuit cannot be solved")

    def stop(self) -> None:
        """Power off; returns when every process and thread has ended."""
        self._stopping.set()
        self.faults.changed.set()
        with self._lock:
            self._kill()
        if self._watcher.ident is not None:
            self._watcher.join()
        self._relay.stop()
        self.plant.close()
        for folder in (self._temporary, self._paced):
            if folder is not None:
                folder.cleanup()

    def reset(self, cause: int = HARD_RESET, off_s: float = 0.0) -> None:
        """Reset the board, or take its power for so long; the device folder stays."""
        with self._lock:
            if self._stopping.is_set():
                return
            self._kill()
            self.clock.restart(off_s)
            if not self._stopping.wait(self.clock.real_s(off_s * 1e6)):
                self._launch(cause)

    def fault(
        self,
        name: str,
        value: Value = None,
        *,
        at_s: float | None = None,
        for_s: float | None = None,
        every_s: float | None = None,
    ) -> Fault:
        """Let something go wrong.

        Args:
            name: Name of the table in `faults`.
            value: SI units, shares as fractions, drifts a second; or as text, such as `"1%/min"`.
            at_s: Time on the bench's clock, now by default.
            for_s: How long it lasts, until it is cleared by default.
            every_s: It comes again so long after each onset.

        Raises:
            BadBuild: No such fault, an impossible value or time.
        """
        spans = (None if s is None else round(s * 1e6) for s in (for_s, every_s))
        fault = scheduled(make_fault(name, value), round((at_s or 0) * 1e6), *spans)
        self.add_faults([fault], from_now=at_s is None)
        return fault

    def add_faults(self, faults: Iterable[Fault], from_now: bool = False) -> None:
        """Let these go wrong, or none of them where one cannot be had on this bench.

        `from_now`: their times count from now, not from power-on.

        Raises:
            BadBuild: One needs another sensor, or lengths that the build file does not give.
        """
        faults = list(faults)
        for fault in faults:
            check_bench(fault, self.sensor, self.build)
        now_us = self.clock.now_us() if from_now else 0
        for fault in faults:
            later = replace(fault, at_us=fault.at_us + now_us)
            self.faults.add(later, now_us if from_now else None)

    def condition(self, at_s: float | None = None) -> Condition:
        """Condition of the circuit at a time on the bench's clock, for `Plant.pickup`."""
        at_us = self.clock.now_us() if at_s is None else round(at_s * 1e6)
        return condition(self.faults.acting(at_us, "circuit"))

    def gate_log(self) -> GateLog:
        """What the gate pin has done so far."""
        found = list(self.clock.gate_log)
        times, gates = zip(*found, strict=True) if found else ((), ())
        return GateLog(self.chip, times, gates, self.clock.now_us())

    def gate_is_low(self) -> bool:
        """Whether the gate pin is a plain low output, or floats at a board without power."""
        return self.gate_log().is_low()

    def _watch(self) -> None:
        """Resets and brown-outs that are due while the board does nothing with its pins."""
        while not self._stopping.is_set():
            due = self.faults.next_event_us()
            wait = None if due is None else self._wait_s(due)
            if wait is not None and wait <= 0:
                self._happens(self.clock.now_us())
            elif self.faults.changed.wait(wait):
                self.faults.changed.clear()

    def _wait_s(self, due_us: int) -> float:
        """Real seconds until then; a board that is busy tells its time itself."""
        left = self.clock.real_s(due_us - self.clock.now_us())
        return max(left, _BUSY_S - self.clock.quiet_s())

    def _happens(self, now_us: int) -> bool:
        """Carry out the reset or brown-out that is due; True if there was one."""
        fault = self.faults.take_event(now_us)
        if fault is None or self._stopping.is_set() or self._process is None:
            return False
        self._down = True
        self._process.kill()
        self._log_low(now_us)
        off_s = fault.value if isinstance(fault.value, float) else 0.0
        cause = HARD_RESET if fault.name == "reset" else POWER_ON
        threading.Thread(target=self.reset, args=(cause, off_s), name="bench reset").start()
        return True

    def _log_low(self, now_us: int) -> None:
        """The pins float."""
        log = self.clock.gate_log
        if log and log[-1][1] != OFF:
            log.append((now_us, OFF))

    def _write_wiring(self) -> None:
        supply = self.build.bench.supply
        shunt_uohm = round(self.nominal.bench.supply.shunt_ohm * 1e6)
        wiring = board_json(
            self.chip,
            self.sensor,
            shunt_uohm,
            supply.amplifier,
            self._calibration(),
            self.alert,
            self.latch is not None,
        )
        self._make_flash()
        try:
            replace_text(self.flash / "board.json", json.dumps(wiring, indent=1))
            if self.log_path.is_symlink():
                self.log_path.unlink()
            self._link(_SHIM_LINK, _SHIM)
            self._link(_FIRMWARE_LINK, self.firmware)
        except OSError as error:
            raise self._not_writable(error) from None

    def _make_flash(self) -> None:
        try:
            self.flash.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._not_writable(error) from None

    def _not_writable(self, error: OSError) -> NotWritable:
        hint = "give flash= another folder"
        return NotWritable(f"Cannot write {self.flash}: {error.strerror}.", hint)

    def _link(self, name: str, folder: Path) -> None:
        """A short way to a folder: every module keeps its path in the small heap."""
        link = self.flash / name
        if link.is_symlink():
            link.unlink()
        link.symlink_to(folder.resolve(), target_is_directory=True)

    def _calibration(self) -> dict[str, list[int]]:
        """What is known of the sensors: nominal offsets in uV, gains in millionths a volt."""
        nominal, probe = self.nominal.bench, self.nominal.probe
        supply = replace(nominal.supply, kind=self.sensor)
        lamp = self.nominal.driver.receivers[self.nominal.light_index]
        lit_v = lamp.lit_a * nominal.light.transimpedance_ohm
        bias_v = supply.pin.bias_v if self.sensor == "adc" else 0.0
        return {
            "supply": [round(bias_v * 1e6), round(supply.gain_a_per_v * 1e6)],
            "probe": [round((probe.pin.bias_v - probe.drop_v) * 1e6), round(1e6 / probe.divider)],
            "light": [round(nominal.light.pin.bias_v * 1e6), 1_000_000, round(lit_v * 1e6)],
        }

    def _launch(self, cause: int) -> None:
        line, board_line = socket.socketpair()
        link, board_link = socket.socketpair()
        soft = cause == SOFT_RESET and self.pins is not None
        if not soft:
            self._log_low(self.clock.now_us())
        pins = Pins(
            link,
            self.plant,
            self.build,
            self.seed,
            self.sensor,
            self._reset_later,
            self.clock,
            self.faults,
            self._happens,
            self.pins.gate if soft and self.pins else OFF,
            self.latch,
        )
        unique = hashlib.sha256(f"coilwright bench {self.seed}".encode()).hexdigest()
        unique = unique[: 2 * self.chip.unique_id_bytes]
        pins.greeting = f"{self.chip.cpu_clock_hz} {unique} {cause} {pins.channels()}\n"
        arguments = [*self._interpreter(), *self._program(board_link.fileno())]
        with board_line, board_link, open_log(self.log_path) as log, self._lock:
            self._process = subprocess.Popen(
                arguments,
                stdin=board_line.fileno(),
                stdout=board_line.fileno(),
                stderr=log,
                cwd=None if self.micropython else self.flash,
                env=confine.variables(os.environ),
                pass_fds=[board_link.fileno()],
                start_new_session=True,  # Ctrl-C in the terminal is for the host alone
            )
            self.pins, self._ends, self._down = pins, [line, link], False
        pins.start()
        self._started()
        self._relay.attach(line)
        self.starts += 1

    def _program(self, link: int) -> list[str]:
        """What the interpreter runs, and its arguments; `link` is the board's end of its pins."""
        words = [f"{_SHIM_LINK}/run.py", str(link), _FIRMWARE_LINK, repr(float(self.speed))]
        return words + self._inputs()

    def _inputs(self) -> list[str]:
        """The shim's modules for inputs, where one is wired, and for what the work costs."""
        pin = "sim_pin=hard" if self.chip.family == "rp2" else "sim_pin"
        modules = [pin] if self.alert or self.latch else []
        if self.costs == "chip":
            modules.append(costs.argument(self.chip.family, self.seed))
        return modules

    def _pace(self) -> tempfile.TemporaryDirectory[str]:
        """A copy of the firmware that pays for its bytecodes."""
        folder = tempfile.TemporaryDirectory(prefix="coilwright-")
        costs.pace_folder(self.firmware, Path(folder.name))
        self.firmware = Path(folder.name)
        return folder

    def _started(self) -> None:
        """The interpreter has been started, and hears nobody yet."""

    def _interpreter(self) -> list[str]:
        prompt = ["-i"] if self.port.prompt else []
        if self.micropython:
            shim_bytes = SHIM_BYTES + (INPUT_BYTES if self.alert or self.latch else 0)
            shim_bytes += costs.HEAP_BYTES if self.costs == "chip" else 0
            heap = f"heapsize={self.build.bench.heap_bytes + shim_bytes}"
            how = "confined" if self.confined else "loose"
            places = [self.flash, *self._readable()]
            # -P: what lies in a folder is no module of the host's.
            return [
                *(sys.executable, "-P", confine.__file__, how),
                *(str(place.resolve()) for place in places),
                *("--", *prompt, "-X", heap),
            ]
        return [sys.executable, *prompt, "-B"]

    def _readable(self) -> list[Path]:
        """Folders outside the flash that the interpreter reads."""
        return [_SHIM, self.firmware]

    def _reset_later(self, cause: int) -> None:
        if cause == HARD_RESET and self.chip.family == "rp2":
            cause = WATCHDOG_RESET  # ports/rp2/modmachine.c: machine.reset() is by the watchdog
        threading.Thread(target=self.reset, args=(cause,), name="bench reset").start()

    def _kill(self) -> None:
        self._relay.attach(None)
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        if self.pins is not None and self.pins is not threading.current_thread():
            self.pins.join()
        self._ends = []

    def _ended(self) -> None:
        """The firmware's process has gone without a reset."""
        if self._stopping.is_set() or self._down or self._process is None:
            return
        if not self.port.prompt and self._left_in_order(self._process):
            # It was made to leave, and nobody may have what comes then: the board starts anew.
            threading.Thread(target=self.reset, name="bench reset").start()
            return
        LOG.warning("the firmware ended; its last words are in %s", self.log_path)

    @staticmethod
    def _left_in_order(process: subprocess.Popen[bytes]) -> bool:
        try:
            return process.wait(_LEAVE_S) == 0
        except subprocess.TimeoutExpired:
            return False
