"""What the computer itself does wrong in a sweep: no room, no rights, its clock set, its terminal
changed. The record stays whole, the output goes off, the sweep can be gone on with."""

from __future__ import annotations

import fcntl
import json
import resource
import signal
import struct
import subprocess
import termios
from pathlib import Path

import pytest

from cli.commandline import COMMAND, environment, refusal, run, wait_for_rows
from cli.screen import Screen
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.link.facts import DriverState
from coilwright.record import read_record

SWEEP = ["--from", "130k", "--to", "250k", "--points", "121", "--duty", "10%"]
ROOM = 10 * 1024


def without_room() -> None:
    """No file may grow beyond some 80 rows: the system refuses the rest of the write."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (ROOM, ROOM))


def is_off(bench: Bench) -> bool:
    with Driver.open(bench.url) as driver:
        return driver.condition() is DriverState.OFF and bench.gate_is_low()


@pytest.mark.micropython
def test_no_room_for_a_record_ends_the_sweep_and_it_goes_on_later(
    bench: Bench, tmp_path: Path
) -> None:
    arguments = ["sweep", "--port", bench.url, *SWEEP, "--record", "s.csv"]
    done = subprocess.run(
        [*COMMAND, *arguments],
        cwd=tmp_path,
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        preexec_fn=without_room,
    )

    assert done.returncode == 33
    told = refusal(done)
    assert "s.csv cannot be written: File too large" in told
    record = read_record(tmp_path / "s.csv")
    assert 50 < len(record) < 121
    assert f"{len(record)} rows are kept" in told
    assert is_off(bench)

    done = run("sweep", "--port", bench.url, "--resume", "s.csv", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    whole = read_record(tmp_path / "s.csv")
    assert list(whole["index"]) == list(range(121))
    assert not whole.truncated


@pytest.mark.micropython
@pytest.mark.parametrize("place", ["file/s.csv", "/proc/s.csv", "/sys/kernel/s.csv"])
def test_a_folder_that_takes_no_record_keeps_the_output_off(
    bench: Bench, tmp_path: Path, place: str
) -> None:
    """Places where not even root can write, since tests may run as root."""
    (tmp_path / "file").write_text("not a folder")
    before = len(bench.clock.gate_log)

    done = run("sweep", "--port", bench.url, *SWEEP, "--record", place, cwd=tmp_path)

    assert done.returncode == 33
    assert f"{place} cannot be written" in refusal(done)
    assert all(gate.on == 0 for _, gate in list(bench.clock.gate_log)[before:])


@pytest.mark.micropython
def test_a_terminal_that_changes_its_size_does_not_disturb_a_sweep(
    bench: Bench, tmp_path: Path
) -> None:
    plain = {key: value for key, value in environment().items() if key not in ("COLUMNS", "LINES")}
    with Screen() as screen:
        resize(screen, 24, 80)
        process = subprocess.Popen(
            [*COMMAND, "sweep", "--port", bench.url, *SWEEP, "--record", "s.csv", "--json"],
            cwd=tmp_path, env={**plain, "TERM": "xterm"},
            stdin=screen.slave, stdout=subprocess.PIPE, stderr=screen.slave, text=True,
        )  # fmt: skip
        try:
            for rows, (height, width) in enumerate([(6, 20), (1, 1), (60, 200), (0, 0), (24, 80)]):
                wait_for_rows(tmp_path / "s.csv", 15 * (rows + 1))
                resize(screen, height, width)
                process.send_signal(signal.SIGWINCH)
            answer = json.loads(process.communicate(timeout=60)[0])
        finally:
            process.kill()
            process.communicate()

    assert process.returncode == 0, screen.text
    assert "Traceback" not in screen.text
    assert answer
    assert list(read_record(tmp_path / "s.csv")["index"]) == list(range(121))
    assert is_off(bench)


def resize(screen: Screen, height: int, width: int) -> None:
    size = struct.pack("HHHH", height, width, 0, 0)
    fcntl.ioctl(screen.slave, termios.TIOCSWINSZ, size)
