"""Opening ports: lines by vendor, advice for every way it can fail. No board needed."""

from __future__ import annotations

import errno
import fcntl
import os
import pty
import re
import socket
import termios
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial

from coilwright.errors import NoAnswer, PortBusy, PortDenied, PortError, PortNotFound
from coilwright.link import opening, ports, usb
from coilwright.link.opening import explain, open_port
from coilwright.link.usb import BOTH_OFF, BOTH_ON, VENDORS, lines_for

DOCS = Path(__file__).parents[2] / "docs" / "serial-ports.md"


@pytest.fixture
def terminal():
    """A pty: our end and the name of the other."""
    ours, theirs = pty.openpty()
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


class TestLines:
    """Truth table "Auto program" on sheet 2 of Espressif's ESP8684-DevKitC-02 schematics V1.0.

    There 1 is the level of a line that is off: DTR 1, RTS 0 pulls EN to 0.
    """

    @staticmethod
    def enable(dtr: bool, rts: bool) -> bool:
        """EN of the chip: pulled low only by RTS on with DTR off."""
        return not (rts and not dtr)

    @pytest.mark.parametrize("vid", [*VENDORS, None, 0x1234])
    def test_no_step_of_opening_on_posix_resets(self, vid):
        """The kernel switches both on in one step; then pyserial writes DTR, then RTS."""
        wanted = lines_for(vid, "posix")
        steps = [(True, True), (wanted.dtr, True), (wanted.dtr, wanted.rts)]

        assert all(self.enable(*step) for step in steps)

    def test_switching_both_off_one_by_one_would_reset(self):
        assert not self.enable(False, True)

    @pytest.mark.parametrize("vid", [vid for vid, vendor in VENDORS.items() if vendor.bridge])
    def test_bridges_on_windows_stay_as_they_are(self, vid):
        assert lines_for(vid, "nt") == BOTH_OFF

    @pytest.mark.parametrize("system", ["posix", "nt"])
    @pytest.mark.parametrize("vid", [0x2E8A, 0xF055, 0x303A])
    def test_native_usb_gets_dtr(self, vid, system):
        """An RP2 sends nothing until DTR is on (raspberrypi/pico-sdk#906)."""
        assert lines_for(vid, system).dtr

    def test_the_page_shows_the_table(self):
        rows = re.findall(
            r"^\| `0x([0-9A-F]{4})` \| ([^|]+) \| (on|off) / (on|off) \| (on|off) / (on|off) \|",
            DOCS.read_text(encoding="utf-8"),
            re.MULTILINE,
        )
        shown = {
            int(vid, 16): (name.strip(), *(cell == "on" for cell in cells))
            for vid, name, *cells in rows
        }
        assert shown == {
            vid: (v.name, v.posix.dtr, v.posix.rts, v.windows.dtr, v.windows.rts)
            for vid, v in VENDORS.items()
        }


class TestOpening:
    def test_lines_are_set_before_the_port_is_opened(self, monkeypatch, terminal):
        seen = []
        monkeypatch.setattr(opening, "usb_vendor", lambda url: 0x2E8A)
        real = serial.Serial.open

        def watch(port):
            seen.append((port.is_open, port.dtr, port.rts))
            real(port)

        monkeypatch.setattr(serial.Serial, "open", watch)
        open_port(terminal[1]).close()
        assert seen == [(False, True, True)]

    def test_lines_can_be_given(self, monkeypatch, terminal):
        port = open_port(terminal[1], lines=BOTH_OFF)
        assert (port.dtr, port.rts) == (False, False)
        port.close()

    def test_hupcl_is_cleared(self, terminal):
        ours, name = terminal
        attributes = termios.tcgetattr(ours)
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(ours, termios.TCSANOW, attributes)
        port = open_port(name)
        assert not termios.tcgetattr(port.fileno())[2] & termios.HUPCL
        port.close()

    def test_a_second_host_is_told(self, terminal):
        first = open_port(terminal[1])
        with pytest.raises(PortBusy, match=re.escape(terminal[1])):
            open_port(terminal[1])
        first.close()

    def test_a_lock_of_another_program_is_respected(self, terminal):
        with open(terminal[1], "rb", buffering=0) as other:  # noqa: PTH123
            fcntl.flock(other, fcntl.LOCK_EX)
            with pytest.raises(PortBusy):
                open_port(terminal[1])

    def test_a_lock_that_a_child_holds_for_a_moment_is_waited_for(self, monkeypatch, terminal):
        """flock(2): a fork duplicates the lock, and the copy stays until the child's exec."""
        with open(terminal[1], "rb", buffering=0) as other:  # noqa: PTH123
            fcntl.flock(other, fcntl.LOCK_EX)
            waits = []

            def unlock(wait_s):
                waits.append(wait_s)
                fcntl.flock(other, fcntl.LOCK_UN)

            monkeypatch.setattr(opening.time, "sleep", unlock)
            open_port(terminal[1]).close()
        assert len(waits) == 1

    def test_no_line_waits_for_the_receipt_of_the_one_before(self):
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = open_port(f"socket://127.0.0.1:{server.getsockname()[1]}")
            assert port._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            port.close()

    def test_absent_names_what_is_there(self, monkeypatch):
        there = [SimpleNamespace(device="/dev/ttyACM7"), SimpleNamespace(device="/dev/ttyUSB3")]
        monkeypatch.setattr(opening.list_ports, "comports", lambda: there)
        with pytest.raises(PortNotFound) as caught:
            open_port("/dev/ttyNOSUCH0")
        assert "/dev/ttyNOSUCH0" in caught.value.message
        assert caught.value.hint == "Ports here: /dev/ttyACM7, /dev/ttyUSB3."

    def test_absent_with_no_port_at_all(self, monkeypatch):
        monkeypatch.setattr(opening.list_ports, "comports", list)
        with pytest.raises(PortNotFound) as caught:
            open_port("/dev/ttyNOSUCH0")
        assert "no serial port" in caught.value.hint

    def test_a_file_is_no_port(self, tmp_path):
        (tmp_path / "notes.txt").write_text("")
        with pytest.raises(PortError):
            open_port(str(tmp_path / "notes.txt"))

    def test_an_unknown_scheme(self):
        with pytest.raises(PortNotFound) as caught:
            open_port("smoke://signal")
        assert "socket://host:port" in caught.value.hint

    def test_nobody_listens(self):
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            number = taken.getsockname()[1]
            with pytest.raises(PortNotFound, match="Nothing listens at"):
                open_port(f"socket://127.0.0.1:{number}")

    def test_a_malformed_address(self):
        with pytest.raises(PortError):
            open_port("socket://127.0.0.1")


class TestDenied:
    """Root may open everything, so the refusal itself is made up; group and user are real code."""

    @pytest.fixture
    def refused(self, monkeypatch, tmp_path):
        port = tmp_path / "ttyUSB0"
        port.write_text("")

        def denied(self):
            raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

        monkeypatch.setattr(serial.Serial, "open", denied)
        monkeypatch.setattr(opening.getpass, "getuser", lambda: "mira")
        return str(port)

    def attempt(self, url: str) -> PortDenied:
        with pytest.raises(PortDenied) as caught:
            open_port(url)
        return caught.value

    @pytest.mark.parametrize("group", ["dialout", "plugdev", "uucp"])
    def test_the_ports_own_group_and_the_exact_command(self, monkeypatch, refused, group):
        import grp

        monkeypatch.setattr(
            grp, "getgrgid", lambda number: SimpleNamespace(gr_name=group, gr_mem=[])
        )
        monkeypatch.setattr(grp, "getgrnam", lambda name: SimpleNamespace(gr_mem=[]))
        failure = self.attempt(refused)

        assert "mira" in failure.message
        assert refused in failure.message
        assert f"sudo usermod -aG {group} mira" in failure.hint

    def test_the_group_is_that_of_the_file(self, refused):
        import grp

        assert opening._group_of(refused) == grp.getgrgid(os.stat(refused).st_gid).gr_name  # noqa: PTH116

    def test_a_member_that_has_not_logged_in_anew(self, monkeypatch, refused):
        import grp

        member = SimpleNamespace(gr_name="dialout", gr_mem=["mira"])
        monkeypatch.setattr(grp, "getgrgid", lambda number: member)
        monkeypatch.setattr(grp, "getgrnam", lambda name: member)

        assert "log out and in again" in self.attempt(refused).hint
        assert "usermod" not in self.attempt(refused).hint

    def test_a_port_of_root_alone(self, monkeypatch, refused):
        monkeypatch.setattr(opening, "_group_of", lambda url: "root")

        assert "udev rule" in self.attempt(refused).hint


def test_what_is_no_serial_port_is_said_to_be_none(tmp_path):
    (tmp_path / "notes.txt").write_text("no port")

    for url in (str(tmp_path), str(tmp_path / "notes.txt"), os.devnull):
        with pytest.raises(PortNotFound, match=r"is no serial port\.$"):
            open_port(url)


@pytest.mark.parametrize("url", ["socket://banana", "socket://127.0.0.1", "rfc2217://host:x"])
def test_an_address_without_host_and_port_is_told_how_to_be_written(url):
    with pytest.raises(PortNotFound) as failure:
        open_port(url)

    assert url in failure.value.message
    assert "<" not in failure.value.message  # no words of the library
    assert "socket://127.0.0.1:4001" in failure.value.hint


def test_an_empty_name_is_shown_as_one():
    with pytest.raises(PortNotFound, match="no port ''"):
        open_port("")


def test_windows_says_in_text_what_posix_says_in_numbers(monkeypatch):
    """Texts as pyserial 3.5 makes them of ctypes.WinError()."""
    monkeypatch.setattr(opening.os, "name", "nt")
    monkeypatch.setattr(opening, "_holder", lambda url: "")
    opening_failed = "could not open port 'COM5': "
    busy = opening_failed + "PermissionError(13, 'Access is denied.', None, 5)"
    absent = opening_failed + "FileNotFoundError(2, 'The system cannot find the file.', None, 2)"

    assert isinstance(explain("COM5", serial.SerialException(busy)), PortBusy)
    assert isinstance(explain("COM5", serial.SerialException(absent)), PortNotFound)


class TestPorts:
    @pytest.fixture
    def one_port(self, monkeypatch, tmp_path, terminal):
        info = SimpleNamespace(
            device=terminal[1], description="n/a", vid=0x10C4, pid=0xEA60, serial_number="0001"
        )
        monkeypatch.setattr(ports.list_ports, "comports", lambda: [info])
        monkeypatch.setattr(ports, "_BY_ID", tmp_path)
        (tmp_path / "usb-Silicon_Labs_CP2102_0001-if00-port0").symlink_to(terminal[1])
        return terminal

    def test_what_is_known_about_a_port(self, one_port):
        (found,) = ports.find_ports()

        assert (found.vid, found.pid, found.serial_number) == (0x10C4, 0xEA60, "0001")
        assert found.by_id.endswith("usb-Silicon_Labs_CP2102_0001-if00-port0")
        assert found.board == "Silicon Labs bridge"
        assert found.description == ""

    def test_a_silent_port_is_probed_with_a_reason(self, one_port):
        (found,) = ports.find_ports()
        looked = ports.probe(found, ports.Timeouts(quiet_s=0.01, boot_s=0.1, identify_s=0.05))

        assert looked.identity is None
        assert isinstance(looked.problem, NoAnswer)

    def test_the_vendor_is_found_behind_a_by_id_name(self, monkeypatch, one_port, tmp_path):
        link = next(tmp_path.iterdir())
        assert opening.usb_vendor(str(link)) == 0x10C4
        assert opening.usb_vendor("socket://127.0.0.1:1") is None

    def test_no_by_id_folder(self, monkeypatch, one_port):
        monkeypatch.setattr(ports, "_BY_ID", Path("/nonexistent"))
        assert ports.find_ports()[0].by_id == ""


def test_every_vendor_has_its_reason():
    assert set(usb.VENDORS) == {0x10C4, 0x1A86, 0x0403, 0x067B, 0x303A, 0x2E8A, 0xF055}
    assert all(BOTH_ON in (v.posix, v.windows) for v in usb.VENDORS.values())
