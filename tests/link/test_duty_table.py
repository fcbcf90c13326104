"""Duty caps over frequency on the line: whole, rising, proved by checksum, or refused."""

from __future__ import annotations

import struct
import zlib

import pytest

from coilwright.errors import NoAnswer, OutOfRange, Refused
from coilwright.link import Driver
from coilwright.link.transport import Transport
from coilwright.point import Setpoint
from link.fakedriver import QUICK, FakeDriver, FakeLine, lossy

HEADER = "PULS:DCYC:LIM:TABL"


class CapsDriver(FakeDriver):
    """A driver that keeps a table as docs/commands.md says."""

    def power_on(self) -> None:
        super().power_on()
        self.caps: list[tuple[int, int]] = []

    def do_puls_dcyc_lim_tabl(self, value: str) -> None:
        numbers = value.split(",")
        pairs = [(int(f), round(float(d) * 10_000)) for f, d in zip(numbers[::2], numbers[1::2])]  # noqa: B905
        rising = all(a < b for (a, _), (b, _) in zip(pairs, pairs[1:]))  # noqa: B905, RUF007
        if len(pairs) > 16 or not rising:
            return self.errors.append((-221, "Settings conflict"))
        self.caps = pairs
        return None

    def do_puls_dcyc_lim_tabl_q(self, _: str) -> str:
        return ",".join(f"{f},{ppm / 1e4:.4f}" for f, ppm in self.caps) or "NONE"

    def do_puls_dcyc_lim_tabl_cle(self, _: str) -> None:
        self.caps = []

    def do_puls_dcyc_lim_tabl_chec_q(self, _: str) -> str:
        return str(zlib.crc32(b"".join(struct.pack("<II", *pair) for pair in self.caps)))


@pytest.fixture
def line() -> FakeLine:
    return FakeLine(CapsDriver())


def opened(line: FakeLine) -> Driver:
    driver = Driver(Transport(line, QUICK, name="fake"))
    line.driver.lines.clear()
    return driver


def test_it_is_written_in_one_line_and_read_back(line) -> None:
    driver = opened(line)
    wanted = [Setpoint(99_999, 0.0), Setpoint(100_000, 0.125), Setpoint(250_000, 0.4998)]

    driver.set_duty_table(wanted)

    assert line.driver.lines[0] == f"{HEADER} 99999,0,100000,12.5,250000,49.98;*ESE?;:SYST:ERR:ALL?"
    assert driver.duty_table() == wanted
    driver.set_duty_table([])
    assert driver.duty_table() == []


def test_sixteen_points_fit_into_a_line(line) -> None:
    driver = opened(line)
    wanted = [Setpoint(100_000 + 9_999 * i, 0.4999 - 0.0111 * i) for i in range(16)]
    wanted = [Setpoint(p.frequency_hz, round(p.duty, 4)) for p in wanted]

    driver.set_duty_table(wanted)

    assert max(map(len, line.driver.lines)) <= 255
    assert driver.duty_table() == wanted


@pytest.mark.parametrize(
    "points",
    [
        [Setpoint(100_000 + i, 0.1) for i in range(17)],
        [Setpoint(200_000, 0.1), Setpoint(100_000, 0.1)],
        [Setpoint(100_000, 0.1), Setpoint(100_000, 0.2)],
        [Setpoint(1_000_000 - 16 + i, 0.123456) for i in range(16)],
    ],
)
def test_what_does_not_fit_is_refused_before_it_is_sent(line, points) -> None:
    driver = opened(line)

    with pytest.raises(OutOfRange):
        driver.set_duty_table(points)
    assert line.driver.lines == []


def test_a_table_that_arrives_damaged_is_sent_again(line) -> None:
    driver = opened(line)
    spoil = {"left": 2}

    def digit_lost(data: bytes) -> bytes:
        if b"TABL 1" in data and spoil["left"]:
            spoil["left"] -= 1
            return data.replace(b",12.5", b",92.5").replace(b"92", b"62")
        return data

    line.to_driver = digit_lost
    driver.set_duty_table([Setpoint(100_000, 0.125), Setpoint(250_000, 0.1)])

    assert driver.duty_table()[0].duty == 0.125


def test_it_arrives_whole_over_a_lossy_line(line) -> None:
    driver = opened(line)
    line.to_host, line.to_driver = lossy(3, flip=2e-4), lossy(4, flip=2e-4)
    wanted = [Setpoint(100_000 + 9_999 * i, 0.4 - 0.01 * i) for i in range(16)]

    driver.set_duty_table(wanted)

    assert [ppm for _, ppm in line.driver.caps] == [round(p.duty * 1e6) for p in wanted]


def test_a_table_that_never_arrives_whole_is_told(line) -> None:
    driver = opened(line)
    line.to_driver = lambda data: data.replace(b"100000,12.5", b"100000,62.5")

    with pytest.raises(NoAnswer, match=r"No whole answer .* in \d+ tries"):
        driver.set_duty_table([Setpoint(100_000, 0.125)])


def test_a_driver_that_keeps_another_table_is_told(line) -> None:
    line.driver.forge["PULS:DCYC:LIM:TABL:CHEC?"] = "1"

    with pytest.raises(Refused, match="did not arrive whole"):
        opened(line).set_duty_table([Setpoint(100_000, 0.125)])


def test_firmware_without_a_table_is_told_apart() -> None:
    driver = opened(FakeLine())

    with pytest.raises(Refused, match="no duty caps"):
        driver.duty_table()
