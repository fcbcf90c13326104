"""Faults on a bench that is served: the control socket, who may use it, and the command."""

from __future__ import annotations

import json
import os
import shutil
import socket
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.board_line import tiny_firmware
from cli.commandline import refusal, run, run_json
from coilwright.bench import control
from coilwright.bench.process import Bench
from coilwright.bench.serve import serve
from coilwright.errors import BadBuild, PortError, PortNotFound

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here")


@pytest.fixture
def runtime(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A runtime folder of our own; short, since a socket's name is at most 107 bytes."""
    folder = Path(tempfile.mkdtemp(prefix="cw-"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    monkeypatch.delenv("COILWRIGHT_PORT", raising=False)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def bench(runtime: Path, tmp_path: Path) -> Iterator[Bench]:
    with Bench(firmware=tiny_firmware(tmp_path / "fw")) as started, control.Control(started):
        yield started


def names(bench: Bench) -> list[str]:
    return [fault.name for fault in bench.faults]


def test_faults_are_added_and_cleared(bench: Bench) -> None:
    told = control.ask(bench.url, {"add": ["metal=5%,for=60", "coil-open,at=900"]})
    assert [one["acting"] for one in told["faults"]] == [True, False]
    assert told["url"] == bench.url
    assert names(bench) == ["metal", "coil-open"]
    assert control.ask(None, {"clear": ["metal"]})["faults"][0]["name"] == "coil-open"
    assert control.ask(None, {"clear": []})["faults"] == []


def test_from_now_counts_from_now(bench: Bench) -> None:
    before = bench.clock.now_us()
    control.ask(None, {"add": ["metal,at=5"], "from_now": True})
    (fault,) = bench.faults
    assert fault.at_us >= before + 5_000_000


def test_what_is_wrong_is_refused_whole(bench: Bench) -> None:
    for wrong, said in (("coil-opne", "coil-opne"), ("i2c-held", "i2c-held"), ("metal=3V", "3V")):
        with pytest.raises(BadBuild, match=said):
            control.ask(bench.url, {"add": ["coil-open", wrong]})
    with pytest.raises(BadBuild, match="gremlins"):
        control.ask(bench.url, {"clear": ["gremlins"]})
    assert names(bench) == []


@pytest.mark.parametrize(
    "line", [b"\n", b"[]\n", b"\xff\n", b"{\n", b'{"add": "metal"}\n', b"x" * 70_000]
)
def test_other_bytes_are_no_request_and_do_no_harm(bench: Bench, line: bytes) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
        client.connect(str(control.socket_path(bench.url)))
        client.sendall(line)
        client.shutdown(socket.SHUT_WR)
        assert json.loads(client.makefile().readline())["error"]["kind"] == "BadBuild"
    assert control.ask(bench.url, {})["faults"] == []


def test_only_its_owner_may_enter(bench: Bench, runtime: Path) -> None:
    path = control.socket_path(bench.url)
    assert path.parent.parent == runtime
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.parent.stat().st_mode & 0o777 == 0o700
    assert control.is_bench(bench.url)
    assert not control.is_bench("/dev/ttyUSB0")
    path.parent.chmod(0o755)
    assert not control.is_bench(bench.url)
    with pytest.raises(PortError, match="not a folder of your own"):
        control.ask(bench.url, {})
    path.parent.chmod(0o700)


def test_a_folder_that_leads_elsewhere_is_not_entered(runtime: Path) -> None:
    (runtime / "elsewhere").mkdir(mode=0o700)
    (runtime / "coilwright-bench").symlink_to(runtime / "elsewhere")
    with pytest.raises(PortError, match="not a folder of your own"):
        control.folder()


def test_no_bench_and_a_bench_that_was_killed(runtime: Path) -> None:
    with pytest.raises(PortNotFound, match="No bench is running"):
        control.ask(None, {})
    left = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    left.bind(str(control.socket_path("/dev/pts/9")))
    left.close()
    with pytest.raises(PortNotFound, match="/dev/pts/9"):
        control.ask("/dev/pts/9", {})
    assert control.running() == []


def test_the_command_on_a_served_bench(runtime: Path, tmp_path: Path) -> None:
    ready, stop = threading.Event(), threading.Event()
    served: list[Bench] = []

    def listening(bench: Bench) -> None:
        served.append(bench)
        ready.set()

    options = {"listen": "0", "on_listening": listening, "stop": stop}
    thread = threading.Thread(target=serve, args=("sim://?fault=loss=0.1%",), kwargs=options)
    thread.start()
    assert ready.wait(30)
    try:
        command = ("fault", "lamp-drift=1%/min", "metal", "--in", "2", "--for", "30s")
        told = run_json(*command, "--port", served[0].url, cwd=tmp_path)
        assert [one["name"] for one in told["faults"]] == ["loss", "lamp-drift", "metal"]
        assert told["faults"][2]["for_s"] == 30
        assert told["faults"][2]["at_s"] == pytest.approx(told["now_s"] + 2, abs=1)
        shown = run("fault", "--clear", "metal", cwd=tmp_path)
        assert "lamp-drift=1%/min" in shown.stdout
        assert names(served[0]) == ["loss", "lamp-drift"]
        assert "nothing is wrong" in run("fault", "--clear", cwd=tmp_path).stdout
    finally:
        stop.set()
        thread.join(30)
    assert list((runtime / "coilwright-bench").iterdir()) == []


def test_the_command_without_a_bench(runtime: Path, tmp_path: Path) -> None:
    done = run("fault", "coil-open", cwd=tmp_path)
    assert done.returncode == 10
    assert "No bench is running" in refusal(done)
    done = run("fault", "coil-opne", cwd=tmp_path)
    assert done.returncode == 32
    assert "coil-open?" in refusal(done)
    assert "in its URL" in refusal(run("fault", "metal", "--port", "sim://", cwd=tmp_path))
    assert run("fault", "metal", "--at", "1", "--in", "1", cwd=tmp_path).returncode == 2
    listed = run_json("fault", "--list", cwd=tmp_path)["faults"]
    assert {"name", "acts", "value", "does"} == set(listed[0])
    assert all(row["name"] in run("fault", "--list", cwd=tmp_path).stdout for row in listed[:1])
