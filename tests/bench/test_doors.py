"""What reaches the bench, and what whoever reaches it can do: TCP, HTTP, a browser, the prompt."""

from __future__ import annotations

import contextlib
import http.client
import os
import shutil
import socket
import subprocess
import sys
import time
from binascii import crc32
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.board_line import Talk, tiny_firmware
from coilwright.bench import confine
from coilwright.bench.bare import BareBench
from coilwright.bench.entrance import WANTS_TOKEN, Entrance, TurnedAway, without_maintenance
from coilwright.bench.process import Bench, have_micropython
from coilwright.bench.relay import PtyPort, TcpPort
from coilwright.bench.serve import listen_port
from coilwright.errors import PortDenied, PortError
from coilwright.link import Driver
from coilwright.link.opening import split_token

pytestmark = pytest.mark.skipif(os.name != "posix", reason="no bench here")
needs_micropython = pytest.mark.skipif(
    not have_micropython(), reason="the MicroPython unix build is not installed"
)
needs_confinement = pytest.mark.skipif(
    not confine.possible(), reason="this system cannot confine a process (Landlock, x86-64)"
)
TOKEN = "twelve-or-more"

ESCAPES = {
    "a program": "os.system({touch!r})",
    "a file by its path": "open({secret!r}).read()",
    "a file by dots": "open('../' * 12 + {secret!r}[1:]).read()",
    "a folder": "os.listdir({folder!r})",
    "a file to write": "open({mark!r}, 'w').write('x')",
    "a file to write by dots": "open('../' * 12 + {mark!r}[1:], 'w').write('x')",
    "a mount": "vfs.mount(vfs.VfsPosix({folder!r}), '/h') or open('/h/secret').read()",
    "the system's module again": "again('os').system({touch!r})",
    "a file to remove": "os.remove({secret!r})",
    "a file to move in": "os.rename({secret!r}, 'mine')",
    "a socket": "again('socket').socket()",
    "a thread": "again('_thread').start_new_thread(print, ())",
    "a secret of the user": "os.getenv('A_SECRET') or 1 // 0",
    "memory by number": "open('/proc/self/mem', 'rb').read(1)",
    "the process's variables": "open('/proc/self/environ').read()",
    "the firmware's own files": "open({firmware!r}, 'a').write('x')",
}
"""What a program may try that has the prompt, with the words it would show for success."""

PROGRAM = """
import os, sys, vfs
def again(name):
    sys.modules.pop(name, None)
    return __import__(name)
def attempt():
    {line}
try:
    print("got", attempt())
except Exception as error:
    print("refused", repr(error))
print("done")
"""


NATIVE = """
import ctypes, errno, os, sys
from coilwright.bench.confine import confine
libc = ctypes.CDLL(None, use_errno=True)
flash, outside, own = sys.argv[1:4]
confine(flash, [])
def call(name, number, *arguments):
    result = libc.syscall(number, *arguments)
    print(name, "done" if result >= 0 else errno.errorcode[ctypes.get_errno()], flush=True)
def name(folder, file):
    return os.path.join(folder, file).encode()
call("own", 2, name(flash, "own"), os.O_CREAT | os.O_WRONLY, 0o600)
call("read", 2, name(outside, "secret"), os.O_RDONLY, 0)
call("write", 2, name(outside, "mark"), os.O_CREAT | os.O_WRONLY, 0o600)
call("move in", 82, name(outside, "secret"), name(flash, "secret"))
call("remove", 87, name(outside, "secret"))
call("cut", 76, name(outside, "secret"), 0)
call("rights", 90, name(outside, "secret"), 0o777)
call("owner", 92, name(outside, "secret"), 0, 0)
call("link", 88, name(outside, "secret"), name(flash, "link"))
call("hard link", 86, name(outside, "secret"), name(flash, "hard"))
call("socket", 41, 2, 1, 0)
call("pair", 53, 1, 1, 0, (ctypes.c_int * 2)())
call("program", 59, b"/bin/true", None, None)
call("fork", 57)
call("clone", 56, 0, 0, 0, 0, 0)
call("signal", 62, os.getppid(), 0)
call("trace", 101, 16, os.getppid(), 0, 0)
call("memory of others", 310, os.getppid(), None, 0, None, 0, 0)
call("ring", 425, 1, (ctypes.c_char * 120)())
call("control of a file", 16, 0, 0x5401, 0)
call("32-bit numbers", 0x40000000 + 41, 2, 1, 0)
os._exit(0)
"""
"""What machine code may call, by its number (asm/unistd_64.h), whatever it was written in."""


class Wire:
    """A TCP client that reads until something stands there."""

    def __init__(self, url: str) -> None:
        host, _, port = url.removeprefix("socket://").rpartition(":")
        self.socket = socket.create_connection((host.strip("[]"), int(port)), timeout=20)

    def __enter__(self) -> Wire:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def send(self, data: bytes) -> None:
        self.socket.sendall(data)

    def until(self, sign: bytes) -> bytes:
        """What was read up to the sign."""
        data = b""
        while sign not in data:
            more = self.socket.recv(4096)
            assert more, f"the connection ended after {data!r}"
            data += more
        return data

    def rest(self) -> bytes:
        """What comes until the connection ends."""
        data = b""
        with contextlib.suppress(ConnectionError):
            while more := self.socket.recv(4096):
                data += more
        return data


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Bench]:
    """The firmware at a TCP port."""
    with Bench(port=TcpPort(), flash=tmp_path / "flash") as bench:
        yield bench


def identity(bench: Bench) -> bytes:
    """The bench answers as it should."""
    with Wire(bench.url) as wire:
        wire.send(b"*IDN?\n")
        return wire.until(b"\n")


def checked(text: bytes) -> bytes:
    return b"%b~%08x" % (text, crc32(text))


# ---- the prompt is not to be had by TCP ----------------------------------------------------------


@pytest.mark.micropython
@pytest.mark.parametrize(
    "line",
    [
        b"SYST:MAIN",
        b"system:maintenance",
        b"*CLS;:SYST:MAIN",
        b"SYST:ERR?;MAIN",
        b"SYST:ERR? ; main",
        checked(b"~ASYST:MAIN"),
    ],
)
def test_maintenance_is_no_command_at_a_tcp_port(
    served: Bench, line: bytes, tmp_path: Path
) -> None:
    with Wire(served.url) as wire:
        wire.send(line + b"\nSYST:ERR?;*IDN?\n")
        told = wire.until(b"resonant-driver")
        assert b"-113," in told
        wire.send(b"import os\nos.system('touch " + str(tmp_path).encode() + b"/mark')\n*IDN?\n")
        assert b">>>" not in wire.until(b"resonant-driver")
    assert not (tmp_path / "mark").exists()
    assert served.starts == 1


@pytest.mark.micropython
def test_a_firmware_that_leaves_is_started_anew_at_a_tcp_port(tmp_path: Path) -> None:
    """Should the command come through all the same: there is no prompt behind it."""
    (tmp_path / "main.py").write_text(
        "import sys\nsys.stdout.write('here\\n')\nwhile sys.stdin.readline()[:2] != 'go': pass\n"
    )
    with Bench(port=TcpPort(), firmware=tmp_path) as bench, Wire(bench.url) as wire:
        for turn in range(2):
            wire.send(b"\n")
            time.sleep(0.2)
            wire.send(b"go\nprint('hello')\n")
            deadline = time.monotonic() + 20
            while bench.starts < turn + 2:
                assert time.monotonic() < deadline, "it was not started anew"
                time.sleep(0.02)
        assert b"hello" not in wire.until(b"here")


def test_only_the_command_is_taken_out() -> None:
    for line in (
        b'*PUD "a;MAIN b"\n', b"*PUD #16;MAIN \n", b"SYST:DOMAIN\n",
        b"OUTP ON\r\n", b"\n",
        b"MAIN\n", checked(b"~A*IDN?") + b"\n",
    ):  # fmt: skip
        assert without_maintenance(line) == line
    assert without_maintenance(b"SYST:MAINTENANCE;:FREQ?\r\n") == b"SYST:SHUT;:FREQ?\r\n"
    framed = without_maintenance(checked(b"~ASYST:MAIN;:FREQ?") + b"\n")
    assert framed == checked(b"~ASYST:SHUT;:FREQ?") + b"\n"
    damaged = b"~ASYST:MAIN~00000000\n"
    assert without_maintenance(damaged) == b"~ASYST:SHUT~00000000\n"


# ---- HTTP, and a browser -------------------------------------------------------------------------


@pytest.mark.micropython
@pytest.mark.parametrize(
    "first",
    [
        b"GET / HTTP/1.1\r\n",
        b"POST /x?y=z HTTP/1.0\n",
        b"OPTIONS * HTTP/1.1\r\n",
        b"x-my.own~method / HTTP/1.1\r\n",
        b"PRI * HTTP/2.0\r\n",
        b"*IDN?\nPUT / HTTP/1.1\r\n",
        b"\x16\x03\x01\x02\x00\x01",
        b"\x00\x03\x00\x08\x21\x12\xa4\x42",
    ],
)
def test_http_ends_the_connection_and_nothing_of_it_arrives(served: Bench, first: bytes) -> None:
    with Wire(served.url) as wire:
        with contextlib.suppress(ConnectionError):
            wire.send(first)
            wire.send(b"Host: 127.0.0.1\r\n\r\nFREQ 123E3\nOUTP ON\n")
        assert wire.rest() == b"" or first.startswith(b"*IDN")
    with Wire(served.url) as wire:
        wire.send(b"OUTP?;:FREQ?;:SYST:ERR?\n")
        answer = wire.until(b"\n")
        assert answer.startswith(b"0;")
        assert answer.endswith(b'0,"No error"\n')
        assert b"123000" not in answer


@pytest.mark.micropython
def test_a_library_that_posts_gets_nothing(served: Bench) -> None:
    """Python's own HTTP client, and curl where it is installed."""
    body = "\nSYST:MAIN\nimport os\nOUTP ON\n"
    host, _, port = served.url.removeprefix("socket://").partition(":")
    client = http.client.HTTPConnection(host, int(port), timeout=20)
    with contextlib.suppress(OSError):
        client.request("POST", "/", body)
    with pytest.raises((http.client.HTTPException, OSError)):
        client.getresponse()
    client.close()
    if shutil.which("curl"):
        command = ["curl", "-s", "-m", "20", "-X", "POST", "--data-binary", body]
        done = subprocess.run(
            [*command, f"http://{host}:{port}/"], capture_output=True, check=False
        )
        assert (done.returncode != 0, done.stdout) == (True, b"")
    with Wire(served.url) as wire:
        wire.send(b"OUTP?;:SYST:ERR?\n")
        assert wire.until(b"\n") == b'0;0,"No error"\n'


@pytest.mark.micropython
@pytest.mark.browser
def test_a_page_in_a_browser_can_run_nothing(
    served: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a page can do without being asked: fetch in every mode, a form, a WebSocket."""
    from report.chromium import chromium

    came: list[bytes] = []
    went: list[bytes] = []

    def admit(entrance: Entrance, data: bytes) -> bytes:
        came.append(data)
        went.append(admitted := really(entrance, data))
        return admitted

    really = Entrance.admit
    monkeypatch.setattr(Entrance, "admit", admit)
    mark = tmp_path / "mark"
    page = tmp_path / "page.html"
    page.write_text("<!doctype html><title>Another's page</title><iframe name=f></iframe>")
    body = f"\nSYST:MAIN\nimport os\nos.system('touch {mark}')\nFREQ 123E3\nOUTP ON\n"
    address = served.url.removeprefix("socket://")
    with chromium(tmp_path / "profile", loopback=True) as window:
        window.open(page)
        window.driver.set_script_timeout(60)
        tried = window.driver.execute_async_script(
            """
            const [address, body, done] = arguments, url = `http://${address}/`;
            const said = promise => promise.then(() => "answered", error => String(error));
            (async () => {
              const found = {};
              for (const [mode, method] of [["no-cors", "POST"], ["no-cors", "GET"],
                                            ["cors", "POST"], ["cors", "PATCH"]]) {
                const sent = method === "GET" ? {mode, method} : {mode, method, body};
                found[`${mode} ${method}`] = await said(fetch(url, sent));
              }
              found.beacon = navigator.sendBeacon(url, body) && "sent";
              found.socket = await new Promise(tell => {
                const line = new WebSocket(`ws://${address}/`);
                line.onopen = () => tell("answered");
                line.onerror = () => tell("ended");
              });
              const form = document.createElement("form");
              const field = document.createElement("textarea");
              form.action = url; form.method = "post"; form.enctype = "text/plain";
              form.target = "f"; field.name = "x"; field.value = body;
              form.append(field); document.body.append(form); form.submit();
              setTimeout(() => done(found), 1000);
            })();
            """,
            address,
            body,
        )
    for request in (b"POST / HTTP/", b"GET / HTTP/", b"OPTIONS / HTTP/"):
        assert any(data.startswith(request) for data in came), f"{request!r} never came: {tried}"
    assert went == []
    assert tried.pop("beacon") == "sent"
    assert "answered" not in tried.values()
    assert len(tried) == 5
    with Wire(served.url) as wire:
        wire.send(b"OUTP?;:FREQ?;:SYST:ERR?\n")
        answer = wire.until(b"\n")
    assert answer.startswith(b"0;")
    assert answer.endswith(b'0,"No error"\n')
    assert b"123000" not in answer
    assert served.starts == 1
    assert not mark.exists()


# ---- the token -----------------------------------------------------------------------------------


@pytest.mark.micropython
def test_a_bench_behind_a_token(tmp_path: Path) -> None:
    with Bench(port=TcpPort(token=TOKEN), firmware=tiny_firmware(tmp_path)) as bench:
        for first in (b"cause\n", b"\n", TOKEN[:-1].encode() + b"\n", b"x" * 5000):
            with Wire(bench.url) as wire:
                wire.send(first)
                assert wire.rest() == WANTS_TOKEN
        with Wire(bench.url) as wire:
            wire.send(TOKEN.encode() + b"\ncause\n")
            assert wire.until(b"\n") == b"1\n"


@pytest.mark.micropython
def test_a_client_that_never_says_its_token_gives_its_place_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilwright.bench.relay._TOKEN_S", 0.2)
    with Bench(port=TcpPort(token=TOKEN), firmware=tiny_firmware(tmp_path)) as bench:
        with Wire(bench.url) as wire:
            wire.send(b"tw")
            assert wire.rest() == WANTS_TOKEN
        with Wire(bench.url) as wire:
            wire.send(TOKEN.encode() + b"\n")
            time.sleep(0.5)
            wire.send(b"cause\n")
            assert wire.until(b"\n") == b"1\n"


@pytest.mark.micropython
def test_nothing_is_said_before_the_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilwright.bench.relay._TOKEN_S", 0.5)
    (tmp_path / "main.py").write_text(
        "import time\nwhile True:\n    print('loud')\n    time.sleep_ms(10)\n"
    )
    with Bench(port=TcpPort(token=TOKEN), firmware=tmp_path) as bench:
        with Wire(bench.url) as wire:
            wire.send(TOKEN.encode() + b"\n")
            assert b"loud" in wire.until(b"loud")
        with Wire(bench.url) as wire:
            assert wire.rest() == WANTS_TOKEN


@pytest.mark.micropython
def test_the_host_program_has_the_token_in_its_url(tmp_path: Path) -> None:
    with Bench(port=TcpPort(token=TOKEN)) as bench:
        with Driver.open(f"{bench.url}?token={TOKEN}") as driver:
            assert driver.measure().supply_a < 0.1
            assert TOKEN not in driver.identity.serial
        with pytest.raises(PortDenied, match="wants another token") as caught:
            Driver.open(f"{bench.url}?token=not-this-one-{TOKEN}")
        assert TOKEN not in str(caught.value)
        assert caught.value.exit_code == 12


def test_a_token_is_not_shown() -> None:
    assert split_token("socket://h:1?token=abc") == ("socket://h:1", "abc")
    assert split_token("socket://h:1?logging=debug&token=a") == ("socket://h:1?logging=debug", "a")
    for url in ("socket://h:1", "rfc2217://h:1?token=x", "sim://harbour?seed=1", "/dev/ttyUSB0"):
        assert split_token(url) == (url, "")


def test_other_addresses_than_loopback_have_a_token() -> None:
    with contextlib.closing(listen_port("0")) as port:
        assert port.token == ""
    with contextlib.closing(listen_port("127.0.0.1:0", TOKEN)) as port:
        assert port.token == TOKEN
    drawn = set()
    for _ in range(2):
        with contextlib.closing(listen_port("0.0.0.0:0")) as port:
            assert not port.on_loopback
            drawn.add(port.token)
    assert len(drawn) == 2
    assert min(map(len, drawn)) >= 20
    with contextlib.closing(listen_port(None, bare=True)) as port:
        assert isinstance(port, PtyPort)
    for bad in ("short", "with a blank in it", "a&b=cdefghijklmn"):
        with pytest.raises(PortError, match="token"):
            listen_port("0", bad)


def test_a_prompt_on_tcp_has_a_token_and_a_system_that_confines_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(confine, "possible", lambda: True)
    with contextlib.closing(listen_port("127.0.0.1:0", bare=True)) as port:
        assert len(port.token) >= 20
    monkeypatch.setattr(confine, "possible", lambda: False)
    with pytest.raises(PortDenied, match="confine"):
        listen_port("127.0.0.1:0", bare=True)


def test_bytes_go_to_the_prompt_as_they_are_behind_the_token() -> None:
    entrance = Entrance(TOKEN, prompt=True)
    assert entrance.admit(TOKEN[:4].encode()) == b""
    assert not entrance.open
    assert entrance.admit(TOKEN[4:].encode() + b"\n\x01raw") == b"\x01raw"
    assert entrance.admit(b"\x04\x00GET / HTTP/1.1\n") == b"\x04\x00GET / HTTP/1.1\n"
    with pytest.raises(TurnedAway) as told:
        Entrance(TOKEN, prompt=True).admit(b"POST / HTTP/1.1\r\n\r\n" + TOKEN.encode() + b"\n")
    assert told.value.answer == b""


@pytest.mark.micropython
def test_the_command_says_in_red_what_a_port_opens() -> None:
    command = [
        sys.executable,
        "-m",
        "coilwright",
        "bench",
        "--listen",
        "0.0.0.0:0",
        "--token",
        TOKEN,
    ]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "FORCE_COLOR": "1"},
    ) as bench:
        assert bench.stdout is not None
        assert bench.stderr is not None
        first = bench.stdout.readline()
        bench.terminate()
        told = bench.stderr.read()
    assert f"?token={TOKEN}" in first
    assert told.startswith("\x1b[31mWhoever reaches socket://0.0.0.0:")
    assert "not encrypted" in told


# ---- what the prompt can reach -------------------------------------------------------------------


@needs_micropython
@needs_confinement
@pytest.mark.micropython
@pytest.mark.parametrize("board", ["with the firmware", "bare"])
def test_the_prompt_reaches_nothing_but_its_flash(
    board: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both have a prompt at a pseudo-terminal, or had one; the interpreter is confined anyway."""
    outside, firmware = tmp_path / "outside", tmp_path / "fw"
    outside.mkdir()
    secret, mark = outside / "secret", outside / "mark"
    secret.write_text("kept")
    monkeypatch.setenv("A_SECRET", "not for a board")
    (tiny_firmware(firmware) / "main.py").write_text("")
    shown = {
        "touch": f"touch {mark}", "secret": str(secret), "mark": str(mark), "folder": str(outside),
        "firmware": str(firmware / "main.py"),
    }  # fmt: skip
    bench = (
        BareBench(flash=tmp_path / "flash")
        if board == "bare"
        else Bench(flash=tmp_path / "flash", firmware=firmware)
    )
    with bench, Talk(bench.url) as talk:
        talk.line(end=b">>> ")
        for what, line in ESCAPES.items():
            attempt = f"return {line.format(**shown)}"
            program = PROGRAM.replace("{line}", attempt)
            os.write(talk.fd, f"exec({program!r})\r".encode())
            told = talk.line(end=b">>> ")
            assert not mark.exists(), what
            if ".system(" not in attempt:  # which tells by a number that nothing was started
                assert "\nrefused" in told, f"{what}: {told}"
        # Its own flash it has.
        os.write(talk.fd, b"print(open('mine', 'w').write('abc'), open('mine').read())\r")
        assert "3 abc" in talk.line(end=b">>> ")
    assert secret.read_text() == "kept"
    assert [path.name for path in outside.iterdir()] == ["secret"]
    assert (firmware / "main.py").read_text() == ""


@needs_confinement
def test_native_code_is_confined_too(tmp_path: Path) -> None:
    flash, outside = tmp_path / "flash", tmp_path / "outside"
    flash.mkdir()
    outside.mkdir()
    (outside / "secret").write_text("kept")
    before = (outside / "secret").stat()
    command = [sys.executable, "-c", NATIVE, str(flash), str(outside), str(os.getpid())]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    told = dict(line.rsplit(" ", 1) for line in done.stdout.splitlines())
    assert told.pop("own") == "done"
    assert set(told.values()) <= {"EPERM", "EACCES", "EXDEV"}, told
    assert len(told) == 20
    after = (outside / "secret").stat()
    assert (after.st_mode, after.st_uid, after.st_size) == (before.st_mode, before.st_uid, 4)
    assert [path.name for path in outside.iterdir()] == ["secret"]
    assert [path.name for path in flash.iterdir()] == ["own"]


@needs_micropython
@needs_confinement
@pytest.mark.micropython
def test_a_board_that_reaches_into_memory_ends_itself(tmp_path: Path) -> None:
    """Memory is any program's that has the prompt; what holds is the system's, whatever runs."""
    with BareBench(flash=tmp_path / "flash") as bench, Talk(bench.url) as talk:
        talk.line(end=b">>> ")
        status = Path(f"/proc/{bench.pid}/status").read_text()
        assert "Seccomp:\t2\n" in status
        assert "NoNewPrivs:\t1\n" in status
        limits = Path(f"/proc/{bench.pid}/limits").read_text()
        assert str(confine.LARGEST_FILE_BYTES) in limits
        os.write(talk.fd, b"import uctypes;uctypes.bytearray_at(1, 1)[0]\r")
        deadline = time.monotonic() + 20
        while bench.starts < 2:
            assert time.monotonic() < deadline, "it was not started anew"
            time.sleep(0.02)


@needs_micropython
@needs_confinement
@pytest.mark.micropython
def test_a_bare_board_at_a_tcp_port_is_installed_on_with_its_token(tmp_path: Path) -> None:
    """The prompt, its raw mode and its raw-paste mode, behind the token and not before it."""
    from coilwright.install.prompt import Prompt

    with BareBench(flash=tmp_path / "flash", port=TcpPort(token=TOKEN)) as bench:
        with Wire(bench.url) as wire:
            wire.send(b"\x03\x01print(6 * 7)\x04\n")
            assert wire.rest() == WANTS_TOKEN
        prompt = Prompt.open(f"{bench.url}?token={TOKEN}", 20)
        try:
            prompt.write("a.txt", b"kept \x00\x03\x04\xff" * 100, lambda count: None)
            assert prompt.read("a.txt") == b"kept \x00\x03\x04\xff" * 100
        finally:
            prompt.close()


@needs_micropython
@pytest.mark.micropython
@pytest.mark.parametrize("name", ["micropython_unix", "ctypes", "coilwright", "json", "site"])
def test_what_lies_in_the_flash_is_no_module_of_the_host(name: str, tmp_path: Path) -> None:
    flash = tmp_path / "flash"
    flash.mkdir()
    mark = tmp_path / "mark"
    (flash / f"{name}.py").write_text(f"open({str(mark)!r}, 'w').write('x')\n")
    with (
        Bench(flash=flash, firmware=tiny_firmware(tmp_path / "fw")) as bench,
        Talk(bench.url) as talk,
    ):
        assert talk.ask("cause") == "1"
    assert not mark.exists()


def test_the_bench_writes_through_no_link_of_the_flash(tmp_path: Path) -> None:
    flash, victim = tmp_path / "flash", tmp_path / "victim"
    flash.mkdir()
    victim.write_text("kept")
    (flash / "board.json").symlink_to(victim)
    (flash / "stderr.log").symlink_to(victim)
    with (
        Bench(flash=flash, firmware=tiny_firmware(tmp_path / "fw")) as bench,
        Talk(bench.url) as talk,
    ):
        assert talk.ask("cause") == "1"
    assert victim.read_text() == "kept"
