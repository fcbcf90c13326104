"""Generated lines into the firmware on the real MicroPython with a heap of 160 KiB.

    python tests/fuzz/firmware_lines.py [LINES] [SEED]

Lines are made from the command table (right, nearly right, many to a line), from random text, from
bytes, too long, cut off, merged. After every batch the driver is asked what it has become. Checked:
nothing raises, the output is never on where no line asked for it (every other batch holds no line
that could), every line of a kind whose error is known gives that error, the queue holds at most 16
and says when it overflowed, and the heap is as free at the end as at the start.
"""

from __future__ import annotations

import random
import re
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from firmware.rig import load
from firmware.test_micropython import Device

TABLE: str = load("table").TABLE
BATCH = 40
QUEUE = 16
ASK = b"*ESE %d;:OUTP:COND?;:OUTP?;:OUTP:PROT:CAUS?;*ESE?;:SYST:ERR:ALL?\n"
ANSWER = rb'(OFF|RAMPING|ON|TRIPPED);([01]);(\d+),"([^"\n]*)";%d;([^\n]*)\n'
"""With a number of its own each time: a line that waits may be answered twice."""
ON = re.compile(rb"OUTP|STAT|TRACK|CHEC|TST", re.IGNORECASE)
"""What every line has that could switch the output on, whatever else it does."""
WARM = (
    *(b"*SAV %d\n" % n for n in range(4)),
    b"OUTP ON;:TRACK ON;:TRACK:DATA?\n",
    b"*RST\n*TST?\n",
    b"OUTP:PROT:CLE\nDIAG:CHEC?\n",
    b"OUTP:PROT:CLE\nOUTP OFF;:CAL:ZERO;:MEAS?;:SYST:SETT:STOR\n",
    b"LIST:APP 150000,10,160000,20\n",
    b"PULS:DCYC:LIM:TABL 150 KHZ,40,250 KHZ,30\n",
    b"NOSUCH\n" * (QUEUE + 2),
)
"""Makes whatever is made once: memories, history of the tracking, room in the error queue."""
CLEAN = (
    b"OUTP:RAMP 0;*RST;*WAI;*CLS;*ESE 0;*SRE 0;:LIST:CLE;:PULS:DCYC:LIM:TABL:CLE;:OUTP:PROT:CLE"
    b";:FREQ:LIM:LOW 20E3;HIGH 1E6;:PULS:DCYC:LIM 50;LIM:TABL:CLE;:DIAG:AUTO OFF\n"
)
WORDS = ("ON", "OFF", "MIN", "MAX", "DEF", "CW", "SWE", "LIST", "FIX", "PROB", "LIGH", "NAN", "INF")
UNITS = ("", "HZ", " KHZ", "MHZ", " PCT", "V", " MA", "A", "US", " S", "Q", "e3", "E-2", "E999")


def patterns() -> list[str]:
    """Full headers of the table in short and long form."""
    found: list[str] = []
    for row in TABLE.strip().split("\n"):
        whole = row.split(" ")[0]
        found.append(whole.replace("[", "").replace("]", ""))
        found.append(re.sub(r"\[[^\]]*\]", "", whole).lstrip(":"))
        found.append("".join(c for c in found[-1] if not c.islower()))
    return [name for name in found if "MAIN" not in name.upper()]


class Maker:
    """Lines by a seed."""

    def __init__(self, seed: int) -> None:
        self.draw = random.Random(seed)
        self.headers = patterns()

    def number(self) -> str:
        r = self.draw
        text = r.choice(
            (
                str(r.randint(-5, 300)),
                str(r.randint(0, 10**7)),
                f"{r.uniform(0, 1e6):.{r.randint(0, 9)}f}",
                "1" * r.randint(1, 60),
                f"{r.randint(0, 99)}.{r.randint(0, 99)}.{r.randint(0, 9)}",
                r.choice(WORDS),
            )
        )
        return text + r.choice(UNITS)

    def command(self) -> str:
        r = self.draw
        text = r.choice(self.headers)
        if r.random() < 0.3:
            text = text.lower() if r.random() < 0.5 else text.swapcase()
        if r.random() < 0.1:
            i = r.randrange(len(text) + 1)
            text = text[:i] + r.choice(":?*;, 0Zz_") + text[i:]
        text += "?" if r.random() < 0.5 else ""
        count = r.choice((0, 0, 1, 1, 1, 2, 3, 12))
        if count:
            text += " " + ",".join(self.number() for _ in range(count))
        return text

    def line(self) -> bytes:
        """One line, with its end."""
        r = self.draw
        kind = r.random()
        text = ";".join(self.command() for _ in range(r.choice((1, 1, 1, 2, 3, 6))))
        data = text.encode()[:255]
        if kind < 0.1:
            data = bytes(r.randrange(256) for _ in range(r.randint(0, 80)))
        elif kind < 0.18:
            data = "".join(chr(r.randint(32, 126)) for _ in range(r.randint(0, 255))).encode()
        elif kind < 0.22:
            data = (data * 200)[: r.randint(256, 3000)]
        elif kind < 0.28:
            i = r.randrange(len(data) + 1)
            data = data[:i] + b"\0" + data[i:]
        elif kind < 0.36:
            data = data[: r.randrange(len(data) + 1)]
        elif kind < 0.42 and data:
            flipped = bytearray(data)
            flipped[r.randrange(len(data))] ^= 1 << r.randrange(8)
            data = bytes(flipped)
        elif kind < 0.46:
            data = b'Traceback (most recent call last):\r\n  File "main.py", line 1\r\n>>> '
        if b"MAIN" in data.upper():  # it would leave the server, as it should
            data = b"*IDN?"
        return data + r.choice((b"\n", b"\n", b"\r", b"\r\n"))

    def known(self) -> tuple[bytes, list[int]]:
        """A line, and the errors that it must give."""
        r = self.draw
        return r.choice(
            (
                (b"\x00" + self.command().encode()[:200].replace(b";", b"") + b"\n", [-101]),
                (b"F" * r.randint(256, 2000) + b"\n", [-363]),
                (b"NOSUCH:HEADER%d\n" % r.randint(0, 99), [-113]),
                (b"FREQ %d\n" % r.randint(2 * 10**6, 10**9), [-222]),
                (b"FREQ 100 KV\n", [-131]),
                (b"FREQ 1.2.3\n", [-121]),
                (b"FREQ\n", [-109]),
                (b"FREQ 1,2\n", [-108]),
                (b"FREQ 165E3;NOPE;:PULS:DCYC 200;:OUTP MAYBE\n", [-113, -222, -224]),
                (b"INIT\n", [-221]),
                (b"*CLS\n", []),
                (b"FREQ 150 KHZ;:PULS:DCYC 20 PCT\n", []),
            )
        )


class Reader(threading.Thread):
    """Takes what the driver says, so that it never waits for us."""

    def __init__(self, stream: object) -> None:
        super().__init__(daemon=True)
        self.stream, self.data, self.changed = stream, b"", threading.Condition()

    def run(self) -> None:
        """Thread body."""
        while piece := self.stream.read1(65536):  # type: ignore[attr-defined]
            with self.changed:
                self.data = (self.data + piece)[-200_000:]
                self.changed.notify_all()


@dataclass
class Figures:
    """What came of it."""

    lines: int = 0
    asked_on: int = 0
    batches: int = 0
    errors: Counter[int] = field(default_factory=Counter)
    free_first: int = 0
    free_last: int = 0
    lowest: int = 1 << 30


class Fuzz:
    """A driver under fire."""

    def __init__(self, flash: Path, seed: int) -> None:
        (flash / "board.json").write_text(
            '{"chip": "esp32", "gate": 25, "supply": {"sensor": "adc", "pin": 34},'
            '"probe": 35, "light": 32}'
        )
        self.device = Device(flash)
        self.maker = Maker(seed)
        self.reader = Reader(self.device.process.stdout)
        self.reader.start()
        self.last: list[bytes] = []
        self.figures = Figures()
        self.number = 0

    def send(self, data: bytes) -> None:
        assert self.device.process.stdin
        self.device.process.stdin.write(data)
        self.device.process.stdin.flush()

    def ask(
        self, question: bytes = ASK, pattern: bytes = ANSWER, patience_s: float = 1.0
    ) -> re.Match[bytes]:
        """The answer to a question; a line that waits longer, for a sweep, is ended."""
        self.number = self.number % 255 + 1
        question, answer = question % self.number, re.compile(pattern % self.number)
        with self.reader.changed:
            self.reader.data = b""
        self.send(question)
        deadline = time.monotonic() + 120
        while True:
            with self.reader.changed:
                self.reader.changed.wait_for(lambda: answer.search(self.reader.data), patience_s)
                found = answer.search(self.reader.data)
            if found:
                return found
            code = self.device.process.poll()
            assert code is None, f"the firmware has ended with {code}: {self.reader.data[-300:]!r}"
            assert time.monotonic() < deadline, f"no answer after {self.last}"
            # A line waits for a sweep, and behind it the queue is full: both are over now.
            self.send(b"\n*RST\n" + question)

    def free(self) -> int:
        """Free heap, everything put back."""
        self.send(CLEAN)
        found = self.ask(b"*ESE %d;*ESE?;:SYST:MEM?\n", rb"%d;(\d+),\d+\n")
        free = int(found[1])
        self.figures.lowest = min(self.figures.lowest, free)
        return free

    def batch(self, lines: list[bytes]) -> None:
        """Send them and look at what the driver is then."""
        self.last = lines
        asked = any(ON.search(line) for line in lines)
        self.send((b"" if asked else b"\n" + CLEAN) + b"".join(lines) + b"\n")
        before = self.ask()
        self.figures.lines += len(lines)
        self.figures.batches += 1
        self.figures.asked_on += asked
        state, on, cause, _, errors = before.groups()
        if not asked:
            assert state in (b"OFF", b"TRIPPED"), (state, lines)
            assert on == b"0", lines
        assert cause != b"104", (errors, lines)
        numbers = [int(n) for n in re.findall(rb'(-?\d+),"[^"]*"', errors)]
        assert len(numbers) <= QUEUE, (errors, lines)
        assert 104 not in numbers, (errors, lines)
        self.figures.errors.update(numbers)

    def exact(self) -> None:
        """A line whose errors are known."""
        self.send(b"\n" + CLEAN)
        self.ask()
        line, wanted = self.maker.known()
        self.send(line)
        found = self.ask(patience_s=60.0)  # nothing here waits: only the machine may be slow
        numbers = [int(n) for n in re.findall(rb'(-?\d+),"[^"]*"', found[5])]
        assert numbers == (wanted or [0]), (line, found[5])
        assert found[1] == b"OFF", line
        self.figures.lines += 1

    def run(self, count: int) -> Figures:
        """So many lines."""
        for line in WARM:
            self.batch([line])
        self.figures.free_first = self.free()
        while self.figures.lines < count:
            lines = [self.maker.line() for _ in range(BATCH)]
            if self.figures.batches % 2:
                lines = [line for line in lines if not ON.search(line)]
            self.batch(lines)
            self.exact()
            if self.figures.batches % 50 == 0:
                self.free()
        self.figures.free_last = self.free()
        assert self.device.process.poll() is None
        return self.figures

    def close(self) -> None:
        """End the driver."""
        assert self.device.process.stdin
        self.device.process.stdin.close()
        self.device.process.wait(30)
        self.reader.join(10)
        assert self.device.process.stdout
        self.device.process.stdout.close()


def fuzz(count: int, seed: int) -> Figures:
    """Figures of so many lines."""
    with tempfile.TemporaryDirectory() as flash:
        driver = Fuzz(Path(flash), seed)
        try:
            return driver.run(count)
        finally:
            driver.close()


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    began = time.monotonic()
    found = fuzz(count, seed)
    print(
        f"{found.lines} lines in {found.batches} batches ({found.asked_on} with a word that could"
        f" switch on), seed {seed}, {time.monotonic() - began:.0f} s"
    )
    free = f"{found.free_first} at first, {found.lowest} least, {found.free_last} at last"
    print(f"heap free: {free}")
    print("errors:", ", ".join(f"{n}: {count}" for n, count in sorted(found.errors.items())))


if __name__ == "__main__":
    main()
