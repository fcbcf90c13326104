"""What the host says to a device that is no driver of ours: one question, and nothing after it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from coilwright.cli import cli
from coilwright.errors import CoilwrightError, NoAnswer, NotOurDriver, PortNotFound
from coilwright.install import installing, prompt
from coilwright.link import last_port, ports
from coilwright.link.handshake import ForeignDevice, PythonPrompt
from link.fakedriver import FakeDriver, FakeLine
from link.recorded import Recorded

QUESTION = b"\n*IDN?\n"
"""All that docs/serial-ports.md allows to be sent to what may be anything."""

NAME = b"Harbour Works,Tide gauge,7,2.1\r\n"


def asked(answer: bytes) -> Callable[[bytes], bytes]:
    """Answers the question, and whatever else ends in a question mark."""
    return lambda line: answer if line.endswith(b"?") else b""


@pytest.fixture
def gauge() -> Iterator[Recorded]:
    device = Recorded(asked(NAME))
    yield device
    device.close()


def refused(*arguments: str, answer: str | None = None) -> CoilwrightError:
    """The failure of a command, in this process."""
    done = CliRunner().invoke(cli, arguments, input=answer)
    assert isinstance(done.exception, CoilwrightError), done.output
    return done.exception


@pytest.mark.parametrize(
    "command",
    [
        ["status"],
        ["check"],
        ["set", "--frequency", "165k"],
        ["set", "--clear"],
        ["steps", "165k"],
        ["sweep", "--from", "150k", "--to", "180k", "--duty", "10%"],
        ["tune"],
        ["limit", "--max-current", "0.2A"],
        ["track", "--minutes", "1"],
        ["calibrate", "current", "--at", "130k:15%=0.1A", "--at", "140k:20%=0.2A"],
        ["install"],
        ["install", "--dry-run"],
        ["install", "--uninstall"],
    ],
    ids=" ".join,
)
def test_a_device_that_names_itself_hears_no_more(command: list[str], gauge: Recorded) -> None:
    failure = refused(*command, "--port", gauge.url)

    assert failure.exit_code == 14
    assert failure.kind == "NotOurDriver"
    assert "Tide gauge" in failure.message
    assert gauge.bytes == QUESTION


@pytest.mark.parametrize(
    "answer",
    [
        b"Harbour Works,Tide gauge,7,2.1",
        b"\x1b[1mHarbour Works,Tide gauge,7,2.1\r",
        "Höhe & Söhne,Pegel,7,2.1\n".encode(),
        b"ERROR: unknown command\r\n",
        b"error:20\r\n",
        b"Tide gauge ready\n",
        b"Traceback (most recent call last):\r\nSyntaxError: invalid syntax\r\n>>> ",
    ],
    ids=["no end", "bold", "not ASCII", "words", "short words", "greeting", "Python"],
)
def test_neither_does_one_that_answers_in_other_words(answer: bytes) -> None:
    device = Recorded(asked(answer))

    assert isinstance(refused("status", "--port", device.url), NotOurDriver)
    assert device.bytes == QUESTION
    device.close()


def test_a_silent_device_hears_the_end_of_a_sweep_and_the_question_again() -> None:
    device = Recorded(lambda line: b"")

    assert isinstance(refused("status", "--port", device.url), NoAnswer)
    assert device.bytes == QUESTION + b"\nABOR\n*IDN?\n"
    device.close()


@pytest.mark.parametrize("option", [[], ["--uninstall"]], ids=["install", "uninstall"])
def test_a_dry_run_interrupts_nothing_that_it_does_not_know(option: list[str]) -> None:
    device = Recorded(lambda line: b"")
    failure = refused("install", "--dry-run", *option, "--port", device.url)

    assert isinstance(failure, NoAnswer)
    assert "dry run" in failure.hint
    assert device.bytes == QUESTION
    device.close()


class TestInterrupting:
    """A device that names itself as something else, behind which a board may be all the same."""

    @pytest.fixture(autouse=True)
    def quick(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(prompt, "_HEED_S", 0.2)

    def test_it_is_interrupted_where_that_is_asked_for(self, gauge: Recorded) -> None:
        refused("install", "--interrupt", "--port", gauge.url)

        assert b"\x03" in gauge.bytes

    @pytest.mark.parametrize(("answer", "heard"), [("y\n", True), ("n\n", False), ("\n", False)])
    def test_a_person_is_asked(
        self, answer: str, heard: bool, gauge: Recorded, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from coilwright.cli import install_command

        terminal = SimpleNamespace(isatty=lambda: True)
        monkeypatch.setattr(
            install_command, "sys", SimpleNamespace(stdin=terminal, stderr=terminal)
        )
        failure = refused("install", "--port", gauge.url, answer=answer)

        assert (b"\x03" in gauge.bytes) == heard
        assert heard or "--interrupt" in failure.hint

    def test_a_python_prompt_may_be_interrupted(self) -> None:
        for careful in (False, True):
            installing._check_interruptible(PythonPrompt("It is"), careful=careful, interrupt=False)
        with pytest.raises(ForeignDevice):
            installing._check_interruptible(ForeignDevice("It is"), careful=True, interrupt=True)


def port(device: str, vid: int | None = None, serial: str = "", description: str = "n/a") -> Any:
    """A port as pyserial tells of it."""
    return SimpleNamespace(
        device=device, description=description, vid=vid, pid=vid and 1, serial_number=serial
    )


class TestWithoutPort:
    """Which ports are opened where none is given."""

    @pytest.fixture(autouse=True)
    def own_state(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
        monkeypatch.setattr("sys.platform", "linux")
        monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
        monkeypatch.delenv("COILWRIGHT_PORT", raising=False)
        return tmp_path / "coilwright" / "last-port.json"

    @pytest.fixture
    def there(self, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
        found: list[Any] = []
        monkeypatch.setattr(ports.list_ports, "comports", lambda: found)
        return found

    def test_an_unlikely_one_is_not_opened(self, there: list[Any], gauge: Recorded) -> None:
        there += [port(gauge.url), port("/dev/ttyLPT", vid=0x0A69)]
        failure = refused("status")
        listed = CliRunner().invoke(cli, ["ports"])

        assert isinstance(failure, PortNotFound)
        assert gauge.url in failure.message
        assert "not opened" in listed.output
        assert not gauge.bytes

    def test_all_are_asked_where_that_is_asked_for(self, there: list[Any], gauge: Recorded) -> None:
        there.append(port(gauge.url))
        listed = CliRunner().invoke(cli, ["ports", "--all"])

        assert "Tide gauge" in listed.output
        assert gauge.bytes == QUESTION

    @pytest.mark.parametrize(
        ("vid", "description"),
        [(0x2E8A, "n/a"), (0x10C4, "n/a"), (0x1209, "Board in FS mode"), (None, "Lab ESP32-S3")],
    )
    def test_vendor_or_name_make_one_likely(
        self, vid: int | None, description: str, there: list[Any], gauge: Recorded
    ) -> None:
        there.append(port(gauge.url, vid=vid, description=description))
        refused("status")

        assert gauge.bytes == QUESTION

    def test_so_does_the_last_use_while_it_is_the_same_device(
        self, there: list[Any], own_state: Path
    ) -> None:
        line = FakeLine(FakeDriver())
        device = Recorded(lambda data: line.driver.take(data.decode()) if data else b"")
        there.append(port(device.url, vid=0x1209, serial="A1"))
        first = CliRunner().invoke(cli, ["set", "--port", device.url])
        assert first.exit_code == 0, first.output
        assert json.loads(own_state.read_text())["serial_number"] == "A1"
        device.forget()

        assert CliRunner().invoke(cli, ["set"]).exit_code == 0
        assert device.bytes.startswith(QUESTION)

        device.forget()
        there[0] = port(device.url, vid=0x1209, serial="B2")  # another device at the same name
        assert isinstance(refused("set"), PortNotFound)
        assert not device.bytes
        device.close()

    @pytest.mark.parametrize("kept", ["", "[" * 3000, "[]", "null", "\xff"])
    def test_a_damaged_note_of_it_makes_nothing_likely(
        self, kept: str, there: list[Any], own_state: Path
    ) -> None:
        own_state.parent.mkdir()
        own_state.write_text(kept, encoding="latin-1")
        there.append(port("/dev/ttyLPT"))

        assert last_port.likely() == []

    def test_where_it_cannot_be_kept_nothing_is_lost(
        self, there: list[Any], own_state: Path
    ) -> None:
        own_state.parent.write_text("a file where the folder should be")
        there.append(port("/dev/ttyLPT"))
        last_port.remember("/dev/ttyLPT")

        assert last_port.likely() == []


def test_the_document_tells_the_names() -> None:
    page = (Path(__file__).parents[2] / "docs" / "serial-ports.md").read_text(encoding="utf-8")

    assert ", ".join(f"`{name}`" for name in ports.BOARD_NAMES) in page
