"""A driver in memory after docs/commands.md, and a serial line to it that can be made bad.

Written from the contract, not from the host's code: blocks are packed here on their own.
"""

from __future__ import annotations

import itertools
import random
import struct
import time
import zlib
from collections import deque
from collections.abc import Callable

from coilwright.link.timeouts import Timeouts

QUICK = Timeouts(
    quiet_s=0.01,
    boot_s=0.5,
    identify_s=0.15,
    reply_s=0.15,
    flash_s=0.3,
    stall_s=1.0,
    reconnect_s=0.0,
)

IDENTITY = "Coilwright,resonant-driver,e6614c311b5a9f2d,0.1.0"


class FakeDriver:
    """Answers lines; records points as it is asked for them, so no clock is involved.

    Attributes:
        per_ask: Points a running sweep records between two `TRACe:DATA?`.
        trip_at: Point before which it trips, or None.
        restart_at: Point before which it restarts, or None.
        lines: Every line it understood, in order.
        protected: Its protected user data; None for a firmware that keeps none.
    """

    def __init__(self, per_ask: int = 40) -> None:
        self.per_ask = per_ask
        self.trip_at: int | None = None
        self.restart_at: int | None = None
        self.identity = IDENTITY
        self.protocol = "2"
        self.lines: list[str] = []
        self.forge: dict[str, str] = {}
        self.protected: str | None = ""
        self.power_on()

    def power_on(self) -> None:
        """State after a reset."""
        self.values = {
            "FREQ": "165000.000",
            "PULS:DCYC": "0.0000",
            "FREQ:MODE": "CW",
            "PULS:DCYC:MODE": "FIX",
            "FREQ:STAR": "100000",
            "FREQ:STOP": "400000",
            "PULS:DCYC:STAR": "0.0000",
            "PULS:DCYC:STOP": "40.0000",
            "SWE:POIN": "101",
            "SWE:DWEL": "0.008000",
            "SENS:AVER:COUN": "32",
            "SYST:HOST:TIM": "2.000000",
            "FREQ:LIM:LOW": "20000",
            "FREQ:LIM:HIGH": "1000000",
            "PULS:DCYC:LIM": "50.0000",
            "CURR:PROT": "1.000000",
            "CAL:CURR:OFFS": "0.000000",
            "CAL:CURR:GAIN": "1.000000",
            "CAL:PROB:OFFS": "0.000000",
            "CAL:PROB:GAIN": "1.000000",
            "CAL:PROB:LEV": "0.000000",
            "CAL:LIGH:OFFS": "0.000000",
            "CAL:LIGH:GAIN": "1.000000",
            "CAL:LIGH:LEV": "0.000000",
            "*ESE": "0",
        }
        self.hertz = 165_000
        self.given: tuple[str, str, int] | None = None
        self.errors: list[tuple[int, str]] = []
        self.output = "OFF"
        self.cause = (0, "None")
        self.listed: list[tuple[int, int]] = []
        self.memories: dict[str, tuple[str, str]] = {}
        self.state, self.sweep, self.first, self.next, self.total = 0, 0, 0, 0, 0
        self.clock_ms = 1000

    # ---- lines

    def take(self, line: str) -> bytes:
        """Carry out one line, checked or not, and return the answer."""
        if "~" not in line:
            return self.carry_out(line)
        check = zlib.crc32(line[:-9].encode())
        if line[:1] != "~" or line[-8:] != f"{check:08x}":
            return f"~{line[1:2]}\n".encode()
        answer = self.carry_out(line[2:-9]).removesuffix(b"\n")
        return b"%s~%08x\n" % (answer, zlib.crc32(answer, check))

    def carry_out(self, line: str) -> bytes:
        """Carry out the commands of one line and return their answer."""
        self.lines.append(line)
        replies: list[bytes] = []
        branch = ""
        for command in line.split(";"):
            if not command:
                continue
            name, _, value = command.partition(" ")
            if not name.startswith("*"):
                name = name[1:] if name.startswith(":") else branch + name
                branch = name[: name.rfind(":") + 1]
            answer = self.one(name.upper(), value)
            if answer is not None:
                replies.append(answer)
        return b";".join(replies) + b"\n" if replies else b""

    def one(self, name: str, value: str) -> bytes | None:
        """Carry out one command."""
        if name in self.forge:
            return self.forge[name].encode()
        handler: Callable[[str], str | bytes | None] | None = getattr(
            self, "do_" + name.replace("*", "").replace(":", "_").replace("?", "_q").lower(), None
        )
        if handler is not None:
            answer = handler(value)
        elif name.endswith("?") and name[:-1] in self.values:
            answer = self.values[name[:-1]]
        elif name in self.values:
            answer = self.store(name, value)
        else:
            self.errors.append((-113, "Undefined header;" + name))
            answer = None
        return answer.encode() if isinstance(answer, str) else answer

    def store(self, name: str, value: str) -> None:
        """Set a value; frequency and duty are held as what a chip of 125 MHz achieves."""
        if name in ("FREQ", "PULS:DCYC") and self.state in (1, 2):
            return self.errors.append((-221, "Settings conflict;a sweep is running"))
        if name in ("FREQ", "PULS:DCYC"):
            self.given = None
        if name == "FREQ":
            hertz = float(value)
            if not float(self.values["FREQ:LIM:LOW"]) <= hertz <= 1e6:
                return self.errors.append((-222, "Data out of range;" + value))
            self.hertz = int(hertz)
            value = f"{125e6 / round(125e6 / hertz):.3f}"
        if name == "PULS:DCYC" and float(value) > float(self.values["PULS:DCYC:LIM"]):
            return self.errors.append((-222, "Data out of range;" + value))
        if name == "FREQ:MODE" or name == "PULS:DCYC:MODE":
            value = {"SWEEP": "SWE", "FIXED": "FIX"}.get(value, value)
        self.values[name] = value
        return None

    def do_idn_q(self, _: str) -> str:
        return self.identity

    def do_cls(self, _: str) -> None:
        self.errors.clear()

    def do_sre(self, _: str) -> None:
        return None

    def do_syst_prot_q(self, _: str) -> str:
        return self.protocol

    def do_syst_boar_q(self, _: str) -> str:
        return "RP2,125000000,16,ADC"

    def do_syst_mem_q(self, _: str) -> str:
        return "51200,40960"

    def do_syst_err_all_q(self, _: str) -> str:
        found = self.errors or [(0, "No error")]
        self.errors = []
        return ",".join(f'{number},"{text}"' for number, text in found)

    def do_syst_sett_stat_q(self, _: str) -> str:
        return "OK"

    def do_syst_sett_chec_q(self, _: str) -> str:
        return "3735928559"

    def do_syst_sett_stor(self, _: str) -> None:
        return None

    def do_pud(self, value: str) -> None:
        digits = int(value[1])
        text = value[2 + digits :]
        if value[0] != "#" or int(value[2 : 2 + digits]) != len(text):
            return self.errors.append((-161, "Invalid block data"))
        self.protected = text
        return None

    def do_pud_q(self, _: str) -> str | None:
        if self.protected is None:
            self.errors.append((-113, "Undefined header;*PUD"))
            return None
        return f"#3{len(self.protected):03d}{self.protected}"

    def do_sav(self, value: str) -> None:
        self.memories[value] = (self.values["FREQ"], self.values["PULS:DCYC"])

    def do_rcl(self, value: str) -> None:
        if value not in self.memories:
            return self.errors.append((-200, f"Execution error;memory {value} is empty"))
        self.values["FREQ"], self.values["PULS:DCYC"] = self.memories[value]
        return None

    # ---- output

    def do_outp(self, value: str) -> None:
        if value == "ON" and self.cause[0]:
            return self.errors.append((-221, "Settings conflict;tripped; clear the trip first"))
        self.output = value
        if value == "OFF":
            self.do_abor("")
            self.give_back()
        return None

    def do_outp_cond_q(self, _: str) -> str:
        return "TRIPPED" if self.cause[0] else self.output

    def do_outp_prot_caus_q(self, _: str) -> str:
        return f'{self.cause[0]},"{self.cause[1]}"'

    def do_outp_prot_cle(self, _: str) -> None:
        self.cause = (0, "None")

    def trip(self, number: int, text: str) -> None:
        """Latch a trip."""
        self.cause, self.output = (number, text), "OFF"
        self.errors.append((number, text))
        if self.state in (1, 2):
            self.state = 5
        self.give_back()

    # ---- measuring

    def do_meas_q(self, _: str) -> str:
        percent = float(self.values["PULS:DCYC"])
        flags = 0 if self.output == "ON" else 256
        self.clock_ms += 3
        return (
            f"0,{self.clock_ms},{self.values['FREQ']},{percent:.4f},"
            f"0.123456,1.234567,0.000001,0.001000,0.002000,0.000000,{flags}"
        )

    def do_cal_zero_q(self, _: str) -> str | None:
        if self.output == "ON":
            self.errors.append((-221, "Settings conflict;output is on"))
            return None
        self.values["CAL:CURR:OFFS"] = "0.012300"
        return "0.012300"

    def do_swe_base(self, value: str) -> None:
        hertz, percent = value.split(",")
        given = self.given or (self.values["FREQ"], self.values["PULS:DCYC"], self.hertz)
        self.store("FREQ", hertz)
        self.store("PULS:DCYC", percent)
        self.given = given

    def give_back(self) -> None:
        """The output has gone off: what a base of sweeps stands in for."""
        if self.given:
            self.values["FREQ"], self.values["PULS:DCYC"], self.hertz = self.given
            self.given = None

    def do_list_cle(self, _: str) -> None:
        self.listed = []

    def do_list_app(self, value: str) -> None:
        try:
            numbers = value.split(",")
            for hertz, percent in zip(numbers[::2], numbers[1::2], strict=True):
                self.listed.append((int(hertz), round(float(percent) * 10_000)))
        except ValueError:
            self.errors.append((-121, "Invalid character in number"))

    def do_list_poin_q(self, _: str) -> str:
        return str(len(self.listed))

    def do_list_chec_q(self, _: str) -> str:
        return str(zlib.crc32(b"".join(struct.pack("<II", *pair) for pair in self.listed)))

    def setpoint(self, i: int) -> tuple[int, int]:
        """Hz and ppm of a point, by the rule in docs/commands.md."""
        if self.values["FREQ:MODE"] == "LIST":
            return self.listed[i]
        hertz, ppm = self.hertz, round(float(self.values["PULS:DCYC"]) * 10_000)
        last = max(self.total - 1, 1)
        if self.values["FREQ:MODE"] == "SWE":
            low, high = int(self.values["FREQ:STAR"]), int(self.values["FREQ:STOP"])
            hertz = low + (high - low) * i // last
        if self.values["PULS:DCYC:MODE"] == "SWE":
            low, high = (
                round(float(self.values[f"PULS:DCYC:{end}"]) * 10_000) for end in ("STAR", "STOP")
            )
            ppm = low + (high - low) * i // last
        return hertz, ppm

    def do_init(self, _: str) -> None:
        if self.state in (1, 2):
            return self.errors.append((-213, "Init ignored"))
        if self.output != "ON":
            return self.errors.append((-221, "Settings conflict;output is off"))
        self.sweep += 1
        self.state, self.first, self.next = 1, 0, 0
        is_list = self.values["FREQ:MODE"] == "LIST"
        self.total = len(self.listed) if is_list else int(self.values["SWE:POIN"])
        return None

    def do_abor(self, _: str) -> None:
        if self.state in (1, 2):
            self.state = 4

    def do_trac_stat_q(self, _: str) -> str:
        names = ("IDLE", "RUN", "PAUSE", "DONE", "ABORT", "TRIP")
        return f"{names[self.state]},{self.sweep},{self.first},{self.next},{self.total}"

    def do_trac_data_q(self, value: str) -> bytes | None:
        try:
            first, count, *check = (int(text) for text in value.split(","))
        except ValueError:
            self.errors.append((-121, "Invalid character in number"))
            return None
        if not self.first <= first <= self.next or check not in ([], [first + count]):
            self.errors.append((-222, "Data out of range;" + value))
            return None
        self.first = first
        self._record()
        if self.restart_at is not None and self.next > self.restart_at:
            self.restart_at = None
            self.power_on()
            return b"ets Jul 29 2019 12:21:46\r\nrst:0x1 (POWERON_RESET)\r\n"
        count = min(count, 64, self.next - first)
        return self.block(first, count)

    def _record(self) -> None:
        for _ in range(self.per_ask):
            if self.state == 2 and self.next - self.first < 256:
                self.state = 1
            if self.state != 1:
                return
            if self.trip_at is not None and self.next >= self.trip_at:
                self.trip(101, "Over-current")
                return
            self.next += 1
            if self.next >= self.total:
                self.state = 3
            elif self.next - self.first >= 256:
                self.state = 2

    def record(self, i: int) -> bytes:
        """Point i as 36 bytes; its readings follow from its index, so a test can check them."""
        hertz, ppm = self.setpoint(i)
        return struct.pack(
            "<IIIIiiiHHHH",
            i,
            1000 + 13 * i,
            hertz * 1000 + 7,
            ppm,
            1000 + i,
            2000 + i,
            -i,
            1,
            2,
            3,
            0,
        )

    def block(self, first: int, count: int) -> bytes:
        """A block of points."""
        head = struct.pack("<BBHIIII", 1, self.state, 36, self.sweep, first, count, self.next)
        body = head + b"".join(self.record(first + i) for i in range(count))
        body += struct.pack("<I", zlib.crc32(body))
        return b"#4%04d" % len(body) + body


class FakeLine:
    """A pyserial port in memory, with a driver (or whatever answers) behind it.

    Attributes:
        out: Bytes on their way to the host.
        chunk: Most bytes a read returns.
        to_host, to_driver: Change bytes on their way; the identity to begin with.
        dies_after: Bytes after which every read and write fails, as when a cable is pulled.
    """

    def __init__(self, driver: FakeDriver | None = None, *, chunk: int = 4096) -> None:
        self.driver = driver or FakeDriver()
        self.out: deque[int] = deque()
        self.chunk = chunk
        self.echo = False
        self.mute = False
        self.closed = False
        self.written = bytearray()
        self.dies_after: int | None = None
        self.to_host: Callable[[bytes], bytes] = bytes
        self.to_driver: Callable[[bytes], bytes] = bytes
        self._half = b""
        self._wrote_s: list[float] = []

    def longest_silence_s(self) -> float:
        """The longest time for which the host sent nothing."""
        times = [*self._wrote_s, time.monotonic()]
        return max(after - before for before, after in itertools.pairwise(times))

    @property
    def in_waiting(self) -> int:
        self._alive()
        return min(len(self.out), self.chunk)

    def read(self, size: int = 1, /) -> bytes:
        self._alive()
        if not self.out:
            time.sleep(0.001)
            return b""
        return bytes(self.out.popleft() for _ in range(min(size, self.chunk, len(self.out))))

    def write(self, data: bytes, /) -> int:
        self._alive()
        self.written += data
        self._wrote_s.append(time.monotonic())
        if self.echo:
            self.say(data)
        *lines, self._half = (self._half + self.to_driver(data)).split(b"\n")
        for line in lines:
            if not self.mute and line.strip():
                self.say(self.to_host(self.answer(line)))
        return len(data)

    def answer(self, line: bytes) -> bytes:
        """What the other end says to a line."""
        if not all(32 <= byte < 127 for byte in line):
            if b"~" in line:
                return b"~%c\n" % line[1]
            self.driver.errors.append((-101, "Invalid character"))
            return b""
        return self.driver.take(line.decode())

    def say(self, data: bytes) -> None:
        """Send bytes to the host."""
        self.out.extend(data)

    def close(self) -> None:
        self.closed = True

    def _alive(self) -> None:
        if self.closed or (self.dies_after is not None and len(self.written) > self.dies_after):
            raise OSError(5, "Input/output error")


def lossy(seed: int, lose: float = 0.0, flip: float = 0.0) -> Callable[[bytes], bytes]:
    """A change of bytes: each is lost, or has one bit turned, with these probabilities."""
    draw = random.Random(seed)

    def change(data: bytes) -> bytes:
        kept = bytearray()
        for byte in data:
            if draw.random() < lose:
                continue
            kept.append(byte ^ (1 << draw.randrange(8)) if draw.random() < flip else byte)
        return bytes(kept)

    return change
