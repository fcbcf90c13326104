"""A driver that starts anew or goes away in a sweep, and what else may talk in its place."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coilwright.bench.relay import TAKEN
from coilwright.errors import (
    LinkLost,
    NotOurDriver,
    PortBusy,
    PortNotFound,
    Refused,
    Restarted,
    Tripped,
)
from coilwright.link import Driver, FrequencySweep, reconnecting, sweeping
from coilwright.link.ports import PortInfo
from coilwright.link.reconnecting import Home, candidates
from coilwright.link.transport import Transport
from coilwright.point import Point, Setpoint
from link.fakedriver import QUICK, FakeDriver, FakeLine, lossy

PATIENT = replace(QUICK, reconnect_s=2.0)
PLAN = FrequencySweep(150_000, 200_000, 333, 0.2)


@pytest.fixture(autouse=True)
def no_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweeping, "_LONGEST_PAUSE_S", 0.0)
    monkeypatch.setattr(reconnecting, "_PAUSE_S", 0.0)


@pytest.fixture
def line() -> FakeLine:
    return FakeLine()


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def driver(line: FakeLine, told: list[str]) -> Driver:
    found = Driver(Transport(line, PATIENT, name="fake"))
    found.on_interruption = told.append
    return found


def usb(device: str, serial_number: str = "A7", vid: int = 0x10C4) -> PortInfo:
    return PortInfo(device, "", "", vid, 0xEA60, serial_number, "")


def whole(points: list[Point], setpoints: list[Setpoint]) -> None:
    """Every point once, in order, at its own setpoint."""
    assert [point.index for point in points] == list(range(len(setpoints)))
    wanted = [(point.frequency_hz, point.duty) for point in setpoints]
    assert [(point.requested_frequency_hz, point.requested_duty) for point in points] == wanted
    assert [point.frequency_hz for point in points] == [f + 0.007 for f, _ in wanted]


class TestStartedAnew:
    def test_a_sweep_goes_on_at_the_first_missing_point(self, line, driver, told):
        line.driver.restart_at = 100
        whole(list(driver.sweep(PLAN)), PLAN.setpoints())

        (sentence,) = told
        assert "started anew in mid-sweep; point 80 is the first one missing" in sentence
        assert "on from point 80" in sentence
        assert line.driver.output == "OFF"

    def test_settings_that_a_sweep_needs_are_set_again(self, line, driver):
        driver.set_averages(7)
        driver.set_settle(0.003)
        driver.set_limits(host_timeout_s=9.0)
        line.driver.restart_at = 100
        list(driver.sweep(PLAN))

        held = line.driver.values
        assert float(held["SENS:AVER:COUN"]) == 7
        assert float(held["SWE:DWEL"]) == 0.003
        assert float(held["SYST:HOST:TIM"]) == 9.0

    def test_an_output_that_was_on_is_on_again_at_its_setpoint(self, line, driver, told):
        driver.set_frequency(185_000)
        driver.set_duty(0.1)
        driver.output(True)
        driver.measure_points([Setpoint(160_000, 0.1)])
        line.driver.power_on()
        whole(driver.measure_points([Setpoint(162_000, 0.2)]), [Setpoint(162_000, 0.2)])

        assert line.driver.output == "ON"
        assert driver.setpoint() == pytest.approx((185_000, 0.1), rel=1e-3)
        assert len(told) == 1

    def test_limits_that_were_not_stored_are_not_done_without(self, line, driver):
        line.driver.restart_at = 100
        line.driver.forge["SYST:SETT:CHEC?"] = "17"  # another than before
        with pytest.raises(Refused, match=r"has lost limits .* point 80 is the first one missing"):
            list(driver.sweep(PLAN))
        assert line.driver.output == "OFF"

    def test_again_and_again_is_given_up(self, line, driver, told):
        real = line.driver.do_trac_data_q

        def restarts(value: str) -> bytes | None:
            line.driver.restart_at = 0
            return real(value)

        line.driver.do_trac_data_q = restarts
        with pytest.raises(Restarted, match="point 0 is the first one missing"):
            list(driver.sweep(PLAN))
        assert len(told) == 3

    @pytest.mark.parametrize(
        "ask",
        [
            lambda driver: driver.condition(),
            lambda driver: driver.measure(),
            lambda driver: driver.limits(),
            lambda driver: driver.output(True),
            lambda driver: driver.set_duty(0.1),
            lambda driver: driver.errors(),
        ],
    )
    def test_every_question_notices_it(self, line, driver, ask):
        line.driver.power_on()
        with pytest.raises(Restarted, match="started anew") as caught:
            ask(driver)
        assert caught.value.exit_code == 17

    def test_leaving_is_safe_even_then(self, line, driver):
        with pytest.raises(Restarted), driver:  # noqa: PT012
            driver.output(True)
            line.driver.power_on()
            driver.measure()
        assert driver.output_confirmed_off


class TestWentAway:
    @pytest.fixture
    def ports(self, monkeypatch: pytest.MonkeyPatch) -> dict[str, FakeDriver]:
        """Ports that can be opened again, by name, and what is behind them."""
        found: dict[str, FakeDriver] = {}

        def open_port(url: str) -> FakeLine:
            if url not in found:
                raise PortNotFound(f"There is no port {url}.")
            return FakeLine(found[url])

        monkeypatch.setattr(reconnecting, "open_port", open_port)
        monkeypatch.setattr(reconnecting, "find_ports", lambda: [usb(name) for name in found])
        return found

    @pytest.fixture
    def driver(self, line: FakeLine, told: list[str]) -> Driver:
        home = Home("/dev/ttyUSB0", usb("/dev/ttyUSB0"))
        found = Driver(Transport(line, PATIENT, name="fake"), home)
        found.on_interruption = told.append
        return found

    @pytest.mark.parametrize("name", ["/dev/ttyUSB0", "/dev/ttyUSB3"])
    def test_it_is_found_again_under_any_name(self, line, driver, told, ports, name):
        sweep = driver.sweep(PLAN)
        points = [next(sweep)]
        line.dies_after = 0
        ports[name] = line.driver
        points.extend(sweep)
        whole(points, PLAN.setpoints())

        assert "broke off" in told[0]
        assert line.driver.output == "OFF"

    def test_a_trip_for_want_of_the_host_is_no_obstacle(self, line, driver, told, ports):
        sweep = driver.sweep(PLAN)
        points = [next(sweep)]
        line.dies_after = 0
        line.driver.trip(102, "Host lost")
        ports["/dev/ttyUSB0"] = line.driver
        points.extend(sweep)
        whole(points, PLAN.setpoints())

    def test_nor_where_the_line_is_there_all_the_time(self, line, driver, told, ports):
        sweep = driver.sweep(PLAN)
        points = [next(sweep)]
        line.driver.trip(102, "Host lost")
        points.extend(sweep)
        whole(points, PLAN.setpoints())
        assert "Host lost" in told[0]

    def test_another_trip_is_one(self, line, driver, ports):
        sweep = driver.sweep(PLAN)
        next(sweep)
        line.dies_after = 0
        line.driver.trip(101, "Over-current")
        ports["/dev/ttyUSB0"] = line.driver
        with pytest.raises(Tripped, match="Over-current"):
            list(sweep)

    def test_another_board_is_not_taken_for_it(self, line, driver, ports):
        sweep = driver.sweep(PLAN)
        next(sweep)
        line.dies_after = 0
        other = FakeDriver()
        other.identity = "Coilwright,resonant-driver,0011223344556677,0.1.0"
        ports["/dev/ttyUSB0"] = other
        with pytest.raises(LinkLost) as caught:
            list(sweep)
        assert "Another driver answers" in caught.value.__notes__[0]
        assert other.output == "OFF"
        assert not any(text.startswith("OUTP") for text in other.lines)

    def test_nothing_comes_back(self, line, driver, ports):
        sweep = driver.sweep(PLAN)
        next(sweep)
        line.dies_after = 0
        with pytest.raises(LinkLost, match="broke off") as caught:
            list(sweep)
        assert "There is no port" in caught.value.__notes__[0]


def test_only_the_same_usb_device_is_looked_at(monkeypatch):
    there = [
        usb("/dev/ttyUSB1", "B9"),
        usb("/dev/ttyUSB2"),
        usb("/dev/ttyACM0", "A7", vid=0x2E8A),
    ]
    monkeypatch.setattr(reconnecting, "find_ports", lambda: there)

    assert candidates(Home("/dev/ttyUSB0", usb("/dev/ttyUSB0"))) == ["/dev/ttyUSB0", "/dev/ttyUSB2"]
    assert candidates(Home("socket://127.0.0.1:5025")) == ["socket://127.0.0.1:5025"]


def test_a_driver_on_a_bad_line_is_still_recognised():
    """Its identity is read from a checked answer, whatever the first one was."""
    for seed in range(10):
        line = FakeLine()
        line.to_host = lossy(seed, lose=0.01)
        line.to_driver = lossy(seed + 1, lose=0.01)
        found = Driver(Transport(line, PATIENT, name="fake"))
        assert found.identity.serial == "e6614c311b5a9f2d"


class TestSomebodyElse:
    def test_another_program_at_the_same_driver_is_named(self, line, driver):
        line.driver.values["*ESE"] = "5" if line.driver.values["*ESE"] != "5" else "6"
        with pytest.raises(LinkLost, match="Another program"):
            driver.measure()

    @pytest.mark.parametrize(
        ("says", "what"),
        [
            (b">>> ~0MEAS?\r\nSyntaxError: invalid syntax\r\n>>> \n", "Python prompt"),
            (b"Traceback (most recent call last):\r\n", "Python prompt"),
            (b"waiting for download\r\n", "boot loader"),
            (b"rst:0x10 (RTCWDT_RTC_RESET)\r\nflash read err, 1000\r\n", "over and over"),
        ],
    )
    def test_a_stranger_in_mid_talk_is_named(self, line, driver, says, what):
        line.answer = lambda text: says  # type: ignore[method-assign]
        with pytest.raises(NotOurDriver, match=what):
            driver.condition()

    def test_text_between_the_answers_does_no_harm(self, line, driver):
        line.to_host = lambda data: b"I (123) wifi: scan done\r\n" + data  # type: ignore[method-assign]
        whole(list(driver.sweep(PLAN)), PLAN.setpoints())


class TurnedAway:
    """A port whose server says something and hangs up."""

    in_waiting = 0

    def __init__(self, says: bytes) -> None:
        self._says = says

    def read(self, size: int = 1, /) -> bytes:
        says, self._says = self._says, b""
        if not says:
            raise OSError("socket disconnected")
        return says

    def write(self, data: bytes, /) -> int:
        return len(data)

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("says", "name", "kind"),
    [
        (TAKEN, "socket://127.0.0.1:5025", PortBusy),
        (b"Port already in use\r\n", "rfc2217://bench:4000", PortBusy),
        (b"", "socket://127.0.0.1:5025", PortBusy),
        (b"", "/dev/ttyUSB0", LinkLost),  # a cable that came out
        (b"boot:0x13\r\n", "socket://127.0.0.1:5025", LinkLost),
    ],
)
def test_a_second_host_is_told(says, name, kind):
    with pytest.raises(kind) as caught:
        Driver(Transport(TurnedAway(says), QUICK, name=name))
    assert name in caught.value.message
    assert type(caught.value) is kind
