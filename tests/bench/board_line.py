"""Small helpers of the bench's tests: a firmware of a few lines, and a line to talk to it."""

from __future__ import annotations

import os
import select
import time
from pathlib import Path

TINY = """
import sys, time, select, gc, machine
chip = "%s"
poll = select.poll()
poll.register(sys.stdin, select.POLLIN)
inp, out = sys.stdin.buffer, sys.stdout.buffer
pins = (34, 35, 32) if chip == "esp32" else (26, 27, 28)
adc = [machine.ADC(machine.Pin(pin)) for pin in pins]
read = [a.read_uv if chip == "esp32" else a.read_u16 for a in adc]
pwm = None
def do(word, *n):
    global pwm
    if word == "set":
        if pwm is None:
            pwm = machine.PWM(machine.Pin(25 if chip == "esp32" else 2), freq=n[0], duty_u16=n[1])
        else:
            pwm.freq(n[0])
            pwm.duty_u16(n[1])
        return pwm.freq(), pwm.duty_u16()
    if word == "read":
        time.sleep_ms(n[1])
        return [read[n[0]]() for _ in range(n[2])]
    if word == "sweep":
        found = []
        for hz in range(n[0], n[1], n[2]):
            do("set", hz, 20000)
            time.sleep_ms(8)
            found.append([[one() for _ in range(8)] for one in read])
        return found
    if word == "step":
        start = read[n[0]]()
        do("set", n[1], n[2])
        return [start] + [read[n[0]]() for _ in range(n[3])]
    if word == "now":
        return time.ticks_us()
    if word == "spend":
        start = time.ticks_us()
        if n[0] == 0:
            time.sleep_us(n[1])
        elif n[0] == 1:
            poll.poll(n[1])
        elif n[0] == 2:
            while time.ticks_diff(time.ticks_us(), start) < n[1]:
                poll.poll(0)
        else:
            while time.ticks_diff(time.ticks_us(), start) < n[1]:
                pass
        return time.ticks_diff(time.ticks_us(), start)
    if word == "timer":
        seen = []
        timer = machine.Timer(0, period=n[0], callback=lambda t: seen.append(time.ticks_ms()))
        time.sleep_ms(n[1])
        timer.deinit()
        time.sleep_ms(n[1])
        return [b - a for a, b in zip(seen, seen[1:])], len(seen)
    if word == "dog":
        machine.WDT(timeout=n[0])
        time.sleep_ms(n[1])
        return "alive"
    if word == "reset":
        machine.reset()
    if word == "soft":
        machine.soft_reset()
    if word == "cause":
        return machine.reset_cause()
    if word == "off":
        pwm.deinit()
        return 0
    if word == "i2c":
        bus = machine.I2C(0, scl=machine.Pin(22), sda=machine.Pin(21), freq=400000)
        bus.writeto_mem(n[0], 0, b"\\x41\\x27")
        time.sleep_ms(20)
        word = bytearray(2)
        bus.readfrom_mem_into(n[0], n[1], word)
        return word[0] << 8 | word[1]
    if word == "heap":
        gc.collect()
        return gc.mem_alloc(), gc.mem_free()
    return "what"
line = b""
while True:
    if poll.poll(20):
        c = inp.read(1)
        if c == b"\\n":
            words = line.decode().split()
            line = b""
            try:
                answer = do(words[0], *[int(w) for w in words[1:]])
            except Exception as error:
                answer = repr(error)
            out.write((str(answer) + "\\n").encode())
        else:
            line += c
"""


def tiny_firmware(folder: Path, chip: str = "esp32") -> Path:
    """A firmware folder that reads pins and clocks on request."""
    folder.mkdir(exist_ok=True)
    (folder / "main.py").write_text(TINY.replace("%s", "esp32" if chip == "esp32" else "rp2"))
    return folder


class Talk:
    """A plain file descriptor on the bench's pty, one line out, one line in."""

    def __init__(self, url: str) -> None:
        self.fd = os.open(url, os.O_RDWR | os.O_NOCTTY)

    def __enter__(self) -> Talk:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.fd)

    def ask(self, text: str, within_s: float = 30) -> str:
        """The line that answers, or AssertionError."""
        os.write(self.fd, text.encode() + b"\n")
        return self.line(within_s)

    def line(self, within_s: float = 30, end: bytes = b"\n") -> str:
        """Input up to `end`."""
        data, deadline = b"", time.monotonic() + within_s
        while not data.endswith(end):
            left = max(0.0, deadline - time.monotonic())
            assert select.select([self.fd], [], [], left)[0], f"no answer, but {data!r}"
            data += os.read(self.fd, 1)
        return data.decode().strip()


def gone(pid: int, within_s: float = 20) -> bool:
    """Whether a process has ended (or is a zombie its parent has not asked about)."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        try:
            os.kill(pid, 0)
            if Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z":
                return True
        except (ProcessLookupError, FileNotFoundError):
            return True
        time.sleep(0.05)
    return False
