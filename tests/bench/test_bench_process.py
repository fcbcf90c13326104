"""The bench as processes: our firmware byte for byte, pty, TCP, sim:// URLs, and a clean end."""

from __future__ import annotations

import ast
import contextlib
import hashlib
import json
import os
import re
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

import coilwright.link
from bench.board_line import Talk, gone, tiny_firmware
from coilwright.bench.process import SHIM_BYTES, Bench, have_micropython
from coilwright.bench.serve import BenchRequest, listen_port, parse_url, serve
from coilwright.errors import BadBuild, NotWritable, PortBusy, PortError
from coilwright.firmware import firmware_digest, firmware_folder

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here")
needs_micropython = pytest.mark.skipif(
    not have_micropython(), reason="the MicroPython unix build is not installed"
)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Bench(firmware=tiny_firmware(tmp_path / "fw")) as started:
        yield started


def ask_for_the_most(talk: Talk) -> None:
    """What needs the largest pieces of heap: settings as text, a list, a sweep over it."""
    os.write(talk.fd, b"*PUD #3160" + b"8" * 160 + b"\n")
    setup = "SYST:HOST:TIM 60;:FREQ 165E3;:PULS:DCYC 10;:SYST:SETT:STOR;:*SAV 0;:LIST:CLE"
    caps = ",".join(f"{100000 + 10000 * i},{40 + i / 1000:.3f}" for i in range(16))
    os.write(talk.fd, f"PULS:DCYC:LIM:TABL {caps}\n".encode())
    assert talk.ask(setup + ";:SYST:SETT:STAT?") == "OK"
    assert talk.ask("PULS:DCYC:LIM:TABL?").count(",") == 31
    for _ in range(20):
        os.write(talk.fd, b"FREQ:STAR 123456789012345678901234567890 KHZ,5\n")
    os.write(talk.fd, b"LIST:APP " + b"1," * 120 + b"1\n")
    assert talk.ask("SYST:ERR:ALL?").count("-108") == 15
    for _ in range(32):
        os.write(talk.fd, b"LIST:APP " + b",".join([b"165E3,10"] * 8) + b"\n")
    assert talk.ask("LIST:POIN?") == "256"
    os.write(talk.fd, b"FREQ:MODE LIST;:SWE:DWEL 0;:SENS:AVER:COUN 1;:OUTP ON;:INIT\n")
    while not (state := talk.ask("TRAC:STAT?")).startswith("PAUSE"):
        assert state.startswith("RUN,1,0,")
    assert state == "PAUSE,1,0,128,256"
    assert talk.ask("ABOR;:OUTP OFF;*OPC?;:SYST:ERR?") == '1;0,"No error"'


@needs_micropython
@pytest.mark.micropython
@pytest.mark.parametrize("chip", ["esp32", "rp2040", "rp2350"])
@pytest.mark.parametrize("sensor", ["adc", "ina219", "ina226", "ina226 with its alert pin"])
def test_every_board_starts_and_stores_in_96_kib(chip: str, sensor: str) -> None:
    sensor, _, alert = sensor.partition(" ")
    request = BenchRequest(chip=chip, sensor=sensor, alert=bool(alert))
    with request.bench() as started, Talk(started.url) as talk:
        assert talk.ask("*IDN?").startswith("Coilwright,resonant-driver,")
        ask_for_the_most(talk)


@needs_micropython
@pytest.mark.micropython
@pytest.mark.parametrize("sensor", ["adc", "ina226", "ina226 with its alert pin"])
def test_a_board_that_starts_by_itself_does_so_in_160_kib(tmp_path: Path, sensor: str) -> None:
    """The ESP32 has the least room."""
    sensor, _, alert = sensor.partition(" ")
    request = BenchRequest(chip="esp32", sensor=sensor, alert=bool(alert), flash=str(tmp_path))
    with request.bench() as started, Talk(started.url) as talk:
        stored = "FREQ 165E3;:PULS:DCYC 20;*SAV 0;:OUTP:STAR ON;:SYST:SETT:STOR;:SYST:ERR?"
        assert talk.ask(stored) == '0,"No error"'
    with request.bench() as started, Talk(started.url) as talk:
        assert talk.ask("SYST:HOST:TIM 60;*OPC?;:OUTP:COND?") == "1;ON"
        if sensor == "ina226":  # the longest lines may be refused there (-225), and that is all
            assert talk.ask("SYST:SETT:STOR;:MEAS?;:SYST:ERR?").endswith(';0,"No error"')
        else:
            ask_for_the_most(talk)


@needs_micropython
@pytest.mark.micropython
@pytest.mark.parametrize(
    "request_", [BenchRequest(chip=chip) for chip in ("esp32", "rp2040", "rp2350")]
)
def test_what_runs_is_our_firmware_on_micropython_in_96_kib(request_: BenchRequest) -> None:
    """Asked at the prompt of the running process: who it is, its files, its heap."""
    before = firmware_digest(firmware_folder())
    with request_.bench() as started, Talk(started.url) as talk:
        assert talk.ask("*IDN?").startswith("Coilwright,resonant-driver,")
        os.write(talk.fd, b"SYST:MAIN\n")
        talk.line(end=b">>> ")

        def python(code: str) -> Any:
            os.write(talk.fd, code.encode() + b"\r")
            echo = talk.line(end=b">>> ")
            return ast.literal_eval(echo.splitlines()[-2])

        assert python("import sys;print(repr(sys.implementation[0]))") == "micropython"
        names = python("print([m for m in sys.modules if hasattr(sys.modules[m],'__file__')])")
        assert {"main", "serve", "output", "measure", "sweep", "store"} <= set(names)
        ours = {name for name in names if (firmware_folder() / f"{name}.py").exists()}
        assert set(names) - ours <= {
            "__main__", "machine", "time", "select",
            "sim_machine", "sim_time", "sim_i2c", "sim_more", "sim_timer",
        }  # fmt: skip
        python("import hashlib,gc;from binascii import hexlify;gc.collect();print(0)")
        for name in sorted(ours):
            python(f"f=open(sys.modules['{name}'].__file__,'rb');h=hashlib.sha256();print(0)")
            python("n=any(h.update(f.read(256)) for i in range(200));f.close();print(0)")
            told = python("print(hexlify(h.digest()))")
            file = (firmware_folder() / f"{name}.py").read_bytes()
            assert told.decode() == hashlib.sha256(file).hexdigest(), name
        assert python("print(gc.mem_alloc()+gc.mem_free())") <= 160 * 1024 + SHIM_BYTES
    assert firmware_digest(firmware_folder()) == before


def test_a_bench_without_micropython_runs_the_same_firmware() -> None:
    with Bench(micropython=False) as started, Talk(started.url) as talk:
        assert talk.ask("*IDN?").startswith("Coilwright,resonant-driver,")
        assert talk.ask("SYST:ERR?") == '0,"No error"'


def test_the_line_is_raw_and_survives_closing_and_killing(bench: Bench, tmp_path: Path) -> None:
    for _ in range(3):
        with Talk(bench.url) as talk:
            assert talk.ask("now").isdigit()
    killer = tmp_path / "killer.py"
    killer.write_text(
        "import os,sys,signal\n"
        "fd=os.open(sys.argv[1],os.O_RDWR|os.O_NOCTTY)\n"
        "os.write(fd,b'now\\nno')\n"
        "os.kill(os.getpid(),signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, str(killer), bench.url], check=False)
    with Talk(bench.url) as talk:
        os.write(talk.fd, b"\n")
        assert talk.line().isdigit()  # the answer the killed one did not read
        assert talk.line() == "what"  # its half line, ended by ours
        assert talk.ask("cause") == "1"


def test_control_characters_reach_the_board_as_bytes(bench: Bench) -> None:
    with Talk(bench.url) as talk:
        os.write(talk.fd, b"\x03\x04\x1a\x11\x13\n")
        assert talk.line() == "what"
        assert talk.ask("cause") == "1"


def test_an_unread_host_does_not_stop_the_board(bench: Bench) -> None:
    with Talk(bench.url) as talk:
        for _ in range(40):
            os.write(talk.fd, b"read 0 0 200\n")
        time.sleep(1.0)
        while select.select([talk.fd], [], [], 1.0)[0]:
            os.read(talk.fd, 65536)
        assert talk.ask("cause") == "1"


def test_the_bench_ends_with_all_it_started(tmp_path: Path) -> None:
    threads = threading.active_count()
    started = Bench(firmware=tiny_firmware(tmp_path / "fw"))
    started.start()
    pid, folder = started.pid, started.flash
    with Talk(started.url) as talk:
        talk.ask("now")
    started.stop()
    assert gone(pid)
    assert not folder.exists()
    assert threading.active_count() <= threads + 1  # the warm-up may still import


def test_a_kept_flash_is_kept(tmp_path: Path) -> None:
    flash = tmp_path / "flash"
    for _ in range(2):
        with Bench(firmware=tiny_firmware(tmp_path / "fw"), flash=flash) as started:
            (started.flash / "note").write_text("kept")
    assert (flash / "note").exists()
    wiring = json.loads((flash / "board.json").read_text())
    assert wiring["chip"] == "esp32"
    assert wiring["calibration"]["supply"] == [200_000, 500_000]


def test_a_flash_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(NotWritable, match="Cannot write"):
        Bench(firmware=tiny_firmware(tmp_path / "fw"), flash=tmp_path / "file").start()


def test_a_firmware_that_falls_over_leaves_a_prompt(tmp_path: Path) -> None:
    """As on a board: the traceback, then the prompt."""
    if not have_micropython():
        pytest.skip("the MicroPython unix build is not installed")
    (tmp_path / "main.py").write_text("print(1 // 0)\n")
    with Bench(firmware=tmp_path) as started, Talk(started.url) as talk:
        assert "ZeroDivisionError" in talk.line(end=b">>> ")


def _tied(url: str, **popen: Any) -> tuple[subprocess.Popen[bytes], str]:
    command = [sys.executable, "-m", "coilwright.bench", url]
    bench = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, **popen)
    assert bench.stdout is not None
    return bench, json.loads(bench.stdout.readline())["url"]


def _children(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if int(stat.read_text().rsplit(")", 1)[1].split()[1]) == pid:
                found.append(int(stat.parent.name))
    return found


needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc here")


@needs_proc
@pytest.mark.parametrize("busy", [False, True])
def test_no_orphan_when_the_bench_is_killed(busy: bool) -> None:
    bench, url = _tied("sim://")
    with bench, Talk(url) as talk:
        talk.ask("*IDN?")
        children = _children(bench.pid)
        assert children
        if busy:
            os.write(talk.fd, b"PULS:DCYC 20;:OUTP ON;:FREQ:MODE SWE;:INIT\n")
        bench.kill()
    assert all(gone(child) for child in children)


@needs_proc
def test_no_orphan_when_the_parent_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(
        "import serial,coilwright.link,time\n"
        "port=serial.serial_for_url('sim://',timeout=20)\n"
        "port.write(b'*IDN?\\n')\n"
        "print(port._bench.pid,port.readline().decode().strip(),flush=True)\n"
        "time.sleep(600)\n"
    )
    with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        pid, identity = parent.stdout.readline().split(maxsplit=1)
        assert identity.startswith(b"Coilwright,")
        children = _children(int(pid))
        assert children
        parent.kill()
    assert gone(int(pid))
    assert all(gone(child) for child in children)


def test_sim_urls_are_serial_ports(tmp_path: Path) -> None:
    with serial.serial_for_url("sim://harbour?chip=rp2040&seed=3", timeout=20) as port:
        assert port.port == "sim://harbour?chip=rp2040&seed=3"
        port.write(b"SYST:BOAR?;*IDN?\n")
        assert re.fullmatch(
            rb"RP2,125000000,2,ADC;Coilwright,resonant-driver,[0-9a-f]{16},.*\n", port.readline()
        )
        bench = port._bench
    assert bench.poll() == 0
    closed = serial.serial_for_url("sim://", do_not_open=True)
    assert not closed.is_open
    closed.timeout = 20
    for _ in range(2):
        closed.open()
        closed.write(b"*OPC?\n")
        assert closed.readline() == b"1\n"
        closed.close()


def test_a_build_file_by_url(tmp_path: Path) -> None:
    text = (Path(coilwright.link.__file__).parents[1] / "builds" / "harbour.toml").read_text()
    good, bad = tmp_path / "my bench.toml", tmp_path / "bad.toml"
    good.write_text(text.replace('chip = "esp32"', 'chip = "rp2350"'))
    bad.write_text(text.replace('"9.6 uH"', '"9.6 uF"'))
    with serial.serial_for_url(f"sim://{str(good).replace(' ', '%20')}", timeout=20) as port:
        port.write(b"SYST:BOAR?\n")
        assert port.readline() == b"RP2,150000000,2,ADC\n"
    with pytest.raises(BadBuild, match=r"coil\.inductance"):
        serial.serial_for_url(f"sim://{bad}")


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("sim://harbor", "harbor"),
        ("sim://harbour?chp=esp32", "chp"),
        ("sim://?chip=avr", "avr"),
        ("sim://?seed=x", "seed"),
        ("sim://?seed=-1", "seed"),
        ("sim://?speed=0", "speed"),
        ("sim://?speed=nan", "speed"),
        ("sim://?sensor=ina220", "ina220"),
        ("sim://?sensor=ina226&alert=1", "alert"),
        ("socket://x", "socket"),
    ],
)
def test_urls_that_name_no_bench(url: str, said: str) -> None:
    with pytest.raises(BadBuild, match=said):
        parse_url(url)


def test_urls_that_do() -> None:
    assert parse_url("sim://?sensor=ina226&alert=yes").alert is True
    assert parse_url("sim://") == parse_url("sim://harbour") == BenchRequest()
    wanted = BenchRequest("/a b.toml", "rp2040", 3, "ina226", 2.0, "/tmp/x")
    query = "chip=rp2040&seed=3&sensor=ina226&speed=2&flash=/tmp/x"
    assert parse_url(f"sim:///a%20b.toml?{query}") == wanted


def test_served_on_loopback_for_one_client_at_a_time() -> None:
    urls: list[str] = []
    stop, ready = threading.Event(), threading.Event()

    def listening(bench: Bench) -> None:
        urls.append(bench.url)
        ready.set()

    options = {"listen": "0", "on_listening": listening, "stop": stop}
    server = threading.Thread(target=serve, args=("sim://",), kwargs=options)
    server.start()
    assert ready.wait(30)
    url = urls[0]
    assert url.startswith("socket://127.0.0.1:")
    for _ in range(2):
        host, port = url.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(port)), timeout=30) as client:
            client.sendall(b"*IDN?\n")
            assert client.makefile().readline().startswith("Coilwright,")
            # A second one is told, also one that speaks first, and the first one is not disturbed.
            with socket.create_connection((host, int(port)), timeout=30) as second:
                second.sendall(b"OUTP ON\n")
                assert "serves another program already" in second.makefile().read()
            with pytest.raises(PortBusy, match="another program") as caught:
                coilwright.link.Driver.open(url)
            assert caught.value.exit_code == 11
            client.sendall(b"OUTP?;:SYST:ERR?\n")
            assert client.makefile().readline() == '0;0,"No error"\n'
    stop.set()
    server.join(30)
    assert not server.is_alive()


@pytest.mark.parametrize("listen", ["nowhere", "1:2:x", "70000", "127.0.0.1:-1"])
def test_addresses_nobody_can_listen_on(listen: str) -> None:
    with pytest.raises(PortError):
        listen_port(listen)


def test_a_served_bench_stops_on_ctrl_c() -> None:
    command = [sys.executable, "-m", "coilwright", "bench", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as bench:
        assert bench.stdout is not None
        url = json.loads(bench.stdout.readline())["url"]
        with Talk(url) as talk:
            talk.ask("*IDN?")
        bench.send_signal(signal.SIGINT)
        assert bench.wait(30) == 0
