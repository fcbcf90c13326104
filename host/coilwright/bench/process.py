"""The simulated bench as a whole: firmware process, pins, serial line, and their clean end."""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import json
import logging
import socket
import subprocess
import sys
import tempfile
import threading
from dataclasses import replace
from pathlib import Path

from coilwright.build import Build, load_build
from coilwright.errors import NotWritable

from .board import Pins
from .chips import CHIPS, board_json
from .plant import Plant
from .relay import Line, PtyPort, Relay, TcpPort, check_system

LOG = logging.getLogger("coilwright.bench")

_SHIM = Path(__file__).parent / "shim"
_SHIM_LINK, _FIRMWARE_LINK = "sim", "fw"
_MICROPYTHON = "import sys; from micropython_unix import main; sys.exit(main())"
POWER_ON, HARD_RESET, WATCHDOG_RESET, SOFT_RESET = 1, 2, 3, 5


def firmware_folder() -> Path:
    """Folder of the firmware: beside the package in a checkout, inside it in a wheel."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "_firmware"
    return inside if inside.is_dir() else package.parents[1] / "firmware"


def firmware_digest(folder: Path) -> str:
    """SHA-256 over the names and contents of a firmware folder's Python files."""
    digest = hashlib.sha256()
    for path in sorted(folder.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def have_micropython() -> bool:
    """Whether the MicroPython unix build is installed here."""
    return importlib.util.find_spec("micropython_unix") is not None


class Bench:
    """A simulated bench: the firmware behind a serial line, acting on a solved circuit.

    Args:
        build: Build, path of a build file, or `"harbour"`.
        chip: esp32, rp2040 or rp2350; the build's own where not given.
        seed: Of tolerances, sensor errors and noise; the build's own where not given.
        sensor: Supply sensor adc, ina219 or ina226; the build's own where not given.
        speed: Virtual seconds a real second, at most.
        flash: Folder that is the board's flash and is kept; a temporary one where not given.
        port: Host's side of the line; a pseudo-terminal if not given.
        line: What the line does to bytes.
        micropython: False runs the firmware on CPython; by default only where there is no other.
        firmware: Folder of the firmware, by default the project's.

    Raises:
        BadBuild: The build file is wrong.
        NotWritable: The flash folder cannot be written.
        PortError: This system passes no sockets to its children (Windows).
    """

    def __init__(
        self,
        build: Build | str | Path = "harbour",
        *,
        chip: str | None = None,
        seed: int | None = None,
        sensor: str | None = None,
        speed: float = 1.0,
        flash: str | Path | None = None,
        port: PtyPort | TcpPort | None = None,
        line: Line | None = None,
        micropython: bool | None = None,
        firmware: Path | None = None,
    ) -> None:
        check_system()
        nominal = build if isinstance(build, Build) else load_build(build)
        self.nominal = nominal
        self.chip = CHIPS[chip or nominal.bench.chip]
        self.seed = nominal.bench.seed if seed is None else seed
        self.sensor = sensor or nominal.bench.supply.kind
        self.build = nominal.drawn(self.seed)
        self.speed, self.micropython = speed, have_micropython()
        if micropython is not None:
            self.micropython = micropython
        self.firmware = firmware or firmware_folder()
        self.plant = Plant(self.build, self.chip.name)
        self._temporary = None if flash else tempfile.TemporaryDirectory(prefix="coilwright-")
        self.flash = Path(flash or self._temporary.name)  # type: ignore[union-attr]
        self._relay = Relay(port or PtyPort(), line or Line(), self._ended)
        self._process: subprocess.Popen[bytes] | None = None
        self._ends: list[socket.socket] = []
        self._lock = threading.RLock()
        self._stopping = False
        self.pins: Pins | None = None
        self.starts = 0

    @property
    def url(self) -> str:
        """What a host opens: path of the pseudo-terminal, or `socket://host:port`."""
        return self._relay.port.url

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

    def _warm(self) -> None:
        try:
            self.plant.warm()
        except Exception:
            LOG.exception("the circuit cannot be solved")

    def stop(self) -> None:
        """Power off; returns when every process and thread has ended."""
        with self._lock:
            self._stopping = True
            self._kill()
        self._relay.stop()
        self.plant.close()
        if self._temporary is not None:
            self._temporary.cleanup()

    def reset(self, cause: int = HARD_RESET) -> None:
        """Reset the board; the device folder stays."""
        with self._lock:
            if self._stopping:
                return
            self._kill()
            self._launch(cause)

    def _write_wiring(self) -> None:
        supply = self.build.bench.supply
        shunt_uohm = round(self.nominal.bench.supply.shunt_ohm * 1e6)
        wiring = board_json(
            self.chip, self.sensor, shunt_uohm, supply.amplifier, self._calibration()
        )
        try:
            self.flash.mkdir(parents=True, exist_ok=True)
            (self.flash / "board.json").write_text(json.dumps(wiring, indent=1), "utf-8")
            self._link(_SHIM_LINK, _SHIM)
            self._link(_FIRMWARE_LINK, self.firmware)
        except OSError as error:
            hint = "give flash= another folder"
            raise NotWritable(f"Cannot write {self.flash}: {error.strerror}.", hint) from None

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
        pins = Pins(link, self.plant, self.build, self.seed, self.sensor, self._reset_later)
        unique = hashlib.sha256(f"coilwright bench {self.seed}".encode()).hexdigest()
        arguments = [
            *self._interpreter(),
            f"{_SHIM_LINK}/run.py",
            str(board_link.fileno()),
            _FIRMWARE_LINK,
            repr(float(self.speed)),
            str(cause),
            str(self.chip.cpu_clock_hz),
            unique[: 2 * self.chip.unique_id_bytes],
            *pins.channel_arguments(),
        ]
        with board_line, board_link, self.log_path.open("ab") as log, self._lock:
            self._process = subprocess.Popen(
                arguments,
                stdin=board_line.fileno(),
                stdout=board_line.fileno(),
                stderr=log,
                cwd=self.flash,
                pass_fds=[board_link.fileno()],
                start_new_session=True,  # Ctrl-C in the terminal is for the host alone
            )
            self.pins, self._ends = pins, [line, link]
        pins.start()
        self._relay.attach(line)
        self.starts += 1

    def _interpreter(self) -> list[str]:
        if self.micropython:
            heap = f"heapsize={self.build.bench.heap_bytes}"
            return [sys.executable, "-c", _MICROPYTHON, "-i", "-X", heap]
        return [sys.executable, "-i", "-B"]

    def _reset_later(self, cause: int) -> None:
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
        if not self._stopping and self._process is not None:
            LOG.warning("the firmware ended; its last words are in %s", self.log_path)
