"""A long run, and whether memory grows on either side.

    python tests/benchmarks/long_run.py day [HOURS]     simulated hours of the firmware alone
    python tests/benchmarks/long_run.py real [MINUTES]  real minutes on the simulated bench

`day`: the firmware on MicroPython in 160 KiB of heap with the tests' fake `machine` and a clock of
its own: the output on, tracking, every ten minutes a sweep that is read to its end; free heap after
a collection every hour. `real`: driver, link and record on the bench at the speed of real time,
tracking and sweeping in turn; free heap of the firmware and resident memory of this process, which
is the host alone: the bench is one of its own.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

DAY = """
import sys
sys.path[:0] = %r
import machine, hw_esp32, gc
machine.chip = hw_esp32.Chip()
class Forget:
    def append(self, _):
        pass
machine.writes = Forget()
class Clock:
    now = 0
    def ticks_us(self):
        self.now += 3
        return self.now & 0x3FFFFFFF
    def ticks_ms(self):
        return self.now // 1000 & 0x3FFFFFFF
    def ticks_diff(self, end, start):
        return (end - start + 0x20000000 & 0x3FFFFFFF) - 0x20000000
    def sleep_us(self, us):
        self.now += us
    def sleep_ms(self, ms):
        self.now += ms * 1000
clock = Clock()
state = [1]
def conversion():
    clock.now += 60
    state[0] = state[0] * 1103515245 + 12345 & 0x7FFFFFFF
    machine.voltages[34] = 260000 + (state[0] >> 20)
    machine.voltages[35] = 900000 + (state[0] >> 19)
machine.on_conversion = conversion
class Line:
    ended = False
    pieces = ()
    said = None
    got = b""
    def take(self, timeout_ms):
        line, self.said = self.said, None
        if line is None:
            clock.now += timeout_ms * 1000
        return line
    def send(self, data):
        self.got = bytes(data)
    def push(self):
        return True
import board, store, app, ring
line = Line()
board = board.load(clock)
server = app.assemble(board, store.load(board.defaults, board.check), line, ring.Ring())
def say(text):
    line.said = text
    while line.said:
        server.turn()
def run(ms):
    end = clock.now + ms * 1000
    while clock.now < end:
        server.turn()
say("DIAG:AUTO OFF;:FREQ 165E3;:PULS:DCYC 20;:OUTP ON")
run(100)
say("SWE:POIN 81;DWEL 0.008;:FREQ:STAR 150E3;STOP 180E3;:SENS:AVER:COUN 8")
points = 0
for hour in range(%d):
    for ten in range(6):
        say("FREQ:MODE CW;:TRACK ON")
        for second in range(600 - 4):
            run(1000)
            say("*SRE 0")
        say("TRACK:DATA?;:TRACK OFF;:FREQ:MODE SWE;:INIT")
        done = 0
        while done < 81:
            run(50)
            ring = server.sweep.ring
            if ring.next > done:
                say("TRAC:DATA? %%d,64" %% done)
                done = ring.next
        points += done
        run(500)
    gc.collect()
    told = points, server.track.run, server.guard.cause, server.status.queue
    print(hour + 1, gc.mem_free(), told, clock.now // 1000000)
"""


def day(hours: int) -> None:
    """Simulated hours, as fast as this machine can."""
    from firmware.rig import FAKES, FIRMWARE
    from firmware.test_micropython import HEAP, program

    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        flash = Path(folder)
        (flash / "board.json").write_text(
            '{"chip": "esp32", "supply": {"sensor": "adc", "pin": 34}, "probe": 35}'
        )
        script = flash / "day.py"
        script.write_text(DAY % ([str(FIRMWARE), str(FAKES)], hours))
        command = [program("micropython"), "-X", f"heapsize={2 * int(HEAP[:-1])}k", str(script)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=flash) as process:
            assert process.stdout
            for line in process.stdout:
                print(f"{time.monotonic() - began:7.0f} s  {line.rstrip()}", flush=True)
    print(f"{hours} simulated hours in {time.monotonic() - began:.0f} s")


def resident_kib() -> int:
    """Resident memory of this process."""
    text = Path("/proc/self/status").read_text("utf-8")
    return int(text.split("VmRSS:")[1].split()[0])


def real(minutes: float) -> None:
    """Real minutes of tracking and sweeping on the bench."""
    from coilwright.link import Driver, FrequencySweep
    from coilwright.link.tracking import TrackMode, TrackSetup

    plan = FrequencySweep(150_000, 180_000, 81, 0.2)
    rows: list[tuple[float, int, int]] = []
    with Driver.open("sim://harbour?chip=rp2040") as driver:
        driver.set_frequency(165e3)
        driver.set_duty(0.2)
        driver.set_averages(8)
        driver.output(True)
        began, points, runs = time.monotonic(), 0, 0
        while time.monotonic() - began < 60 * minutes:
            driver.set_tracking(TrackSetup(TrackMode.PROBE, 400, 8000, 0.1))
            end = time.monotonic() + 25
            while time.monotonic() < end:
                driver.track()
                driver.measure()
                time.sleep(0.4)
            driver.set_tracking(None)
            points += len(list(driver.sweep(plan)))
            driver.set_frequency(165e3)
            runs += 1
            free = driver.status().free_memory_bytes
            rows.append(((time.monotonic() - began) / 60, free, resident_kib()))
            print(
                f"{rows[-1][0]:6.1f} min  {runs} runs of tracking, {points} points,"
                f" firmware {free} bytes free, host {rows[-1][2]} KiB",
                flush=True,
            )
        driver.output(False)
    half = len(rows) // 2
    for name, column in (("firmware free, bytes", 1), ("host, KiB", 2)):
        first = statistics.median(row[column] for row in rows[1 : max(half, 2)])
        last = statistics.median(row[column] for row in rows[half:])
        print(f"{name}: median {first:.0f} in the first half, {last:.0f} in the second")


def main() -> None:
    """Run one of both."""
    what = sys.argv[1] if len(sys.argv) > 1 else "real"
    if what == "day":
        day(int(sys.argv[2]) if len(sys.argv) > 2 else 24)
    else:
        real(float(sys.argv[2]) if len(sys.argv) > 2 else 20)


if __name__ == "__main__":
    main()
