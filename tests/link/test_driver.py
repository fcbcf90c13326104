"""The driver as an object, against a driver in memory: transcripts, sweeps, trips, lost links."""

from __future__ import annotations

import contextlib
import random
import zlib
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilwright.errors import (
    CoilwrightError,
    LinkLost,
    NoAnswer,
    NotOurDriver,
    OutOfRange,
    Refused,
    Tripped,
    WrongFirmware,
)
from coilwright.link import Driver, DutySweep, FrequencySweep, PointList, session, sweeping
from coilwright.link.facts import Board, Calibration, DriverState, Identity, Limits
from coilwright.link.handshake import identify
from coilwright.link.plans import list_checksum, percent_text, spread
from coilwright.link.timeouts import Timeouts
from coilwright.link.transport import Transport
from coilwright.point import Flag, Point, Setpoint
from link.fakedriver import QUICK, FakeDriver, FakeLine, lossy

TAIL = ";*ESE?;:SYST:ERR:ALL?"


class _Mark:
    """The mark that every host leaves is another one; these tests want to know it."""

    @staticmethod
    def randrange(low: int, high: int) -> int:
        return 77


@pytest.fixture(autouse=True)
def one_mark(monkeypatch):
    monkeypatch.setattr(session, "random", _Mark)


def opened(line: FakeLine, timeouts: Timeouts = QUICK) -> Driver:
    return Driver(Transport(line, timeouts, name="fake"))


@pytest.fixture(autouse=True)
def no_pauses(monkeypatch):
    """The driver in memory needs no time for its points."""
    monkeypatch.setattr(sweeping, "_LONGEST_PAUSE_S", 0.0)


@pytest.fixture
def line() -> FakeLine:
    return FakeLine()


@pytest.fixture
def driver(line: FakeLine) -> Driver:
    found = opened(line)
    line.driver.lines.clear()
    return found


class TestHandshake:
    def test_identity_and_board(self, line):
        driver = opened(line)

        assert driver.identity == Identity(
            "Coilwright", "resonant-driver", "e6614c311b5a9f2d", "0.1.0"
        )
        assert driver.board == Board("RP2", 125_000_000, 16, "ADC")
        assert line.driver.lines == [
            "*IDN?",
            "SYST:PROT?",
            "*ESE 77;*ESE?",
            "*IDN?;*ESE?",
            "SYST:BOAR?;*ESE?",
            "SYST:ERR:ALL?;*ESE?",
            "SENS:AVER:COUN?;:SWE:DWEL?;:SYST:HOST:TIM?;:SYST:SETT:CHEC?" + TAIL,
        ]

    def test_what_stood_in_the_error_queue_is_kept(self, line):
        line.driver.errors = [(-310, "System error;settings damaged")]

        (message,) = opened(line).startup_errors
        assert str(message) == '-310, "System error;settings damaged"'

    def test_boot_text_is_waited_out(self, line):
        line.say(b"ets Jul 29 2019 12:21:46\r\n\xff\xfe\x00rst:0x1 (POWERON_RESET),boot:0x13\r\n")

        assert opened(line).identity.maker == "Coilwright"

    def test_half_a_line_of_a_host_that_died_does_not_spoil_the_first_question(self, line):
        line.write(b"FREQ 1650")

        assert opened(line).identity.maker == "Coilwright"

    def test_the_second_try_aborts_a_sweep_a_dead_host_left_behind(self, line):
        real, aborted = line.answer, []

        def stuck(text: bytes) -> bytes:
            if text == b"ABOR":
                aborted.append(text)
            return real(text) if aborted else b""

        line.answer = stuck
        assert opened(line).identity.maker == "Coilwright"

    def test_silence(self, line):
        line.mute = True
        with pytest.raises(NoAnswer, match="Nothing answers on fake"):
            opened(line)

    @pytest.mark.parametrize(
        ("says", "told", "hint"),
        [
            (b">>> *IDN?\r\nSyntaxError: invalid syntax\r\n>>> ", "Python prompt", "firmware"),
            (b"Traceback (most recent call last):\r\n", "Python prompt", "firmware"),
            (b"rst:0x10\r\ninvalid header: 0xffffffff\r\n", "over and over", "firmware"),
            (b"boot:0x3 (DOWNLOAD_BOOT)\r\nwaiting for download\r\n", "boot loader", "reset"),
            (b"ACME Instruments,PSU-3,12345,2.0\n", "ACME Instruments PSU-3", "ports"),
            (b"T=21.4 H=40\n", "'T=21.4 H=40", "ports"),
        ],
    )
    def test_something_else_answers(self, line, says, told, hint):
        line.answer = lambda text: says
        with pytest.raises(NotOurDriver) as caught:
            opened(line)
        assert told in caught.value.message
        assert hint in caught.value.hint

    def test_a_prompt_that_has_answered_is_listened_to_no_longer(self, line):
        line.answer = lambda text: b">>> *IDN?\r\nSyntaxError: invalid syntax\r\n>>> "
        read, vain = line.read, []

        def counted(size: int = 1) -> bytes:
            data = read(size)
            if line.written and not data:
                vain.append(size)
            return data

        line.read = counted
        with pytest.raises(NotOurDriver, match="Python prompt"):
            identify(Transport(line, QUICK, name="fake"), tries=1)
        assert vain == []

    @pytest.mark.parametrize("version", ["1", "3", "x"])
    def test_another_protocol(self, line, version):
        line.driver.protocol = version
        with pytest.raises(WrongFirmware):
            opened(line)


class TestSettings:
    def test_frequency_in_one_exchange_and_the_achieved_one_comes_back(self, line, driver):
        assert driver.set_frequency(185_000) == pytest.approx(125e6 / 676, abs=1e-3)
        assert line.driver.lines == ["FREQ 185000;:FREQ?" + TAIL, "FREQ?;:PULS:DCYC?" + TAIL]

    def test_duty_is_sent_as_ppm_exactly(self, line, driver):
        assert driver.set_duty(0.123456) == pytest.approx(0.123456)
        assert line.driver.lines[0] == "PULS:DCYC 12.3456;:PULS:DCYC?" + TAIL

    def test_out_of_range_in_the_drivers_own_words(self, driver):
        with pytest.raises(OutOfRange, match=r'-222, "Data out of range;60\.0000"'):
            driver.set_duty(0.6)
        with pytest.raises(OutOfRange, match="-222"):
            driver.set_frequency(5)

    def test_a_value_that_arrives_damaged_is_sent_again(self, line, driver):
        damaged = iter([True])
        line.to_driver = lambda data: (
            data.replace(b"FREQ 185000", b"FREQ 985000") if next(damaged, False) else data
        )

        assert driver.set_frequency(185_000) == pytest.approx(185_000, rel=1e-3)

    def test_a_value_that_arrives_damaged_and_out_of_range_is_sent_again(self, line, driver):
        """The driver names a value that was never sent, so it is no fault of the person's."""
        damaged = iter([True])
        line.to_driver = lambda data: (
            data.replace(b"FREQ 185000", b"FREQ 1850") if next(damaged, False) else data
        )

        assert driver.set_frequency(185_000) == pytest.approx(185_000, rel=1e-3)

    def test_limits(self, line, driver):
        found = driver.set_limits(low_hz=100e3, high_hz=400e3, duty_cap=0.4, trip_a=0.8)

        assert found == Limits(100_000, 400_000, 0.4, 0.8, 2.0)
        assert driver.limits() == found

    def test_calibration_goes_there_and_back(self, driver):
        wanted = Calibration(0.0123, 10.0, -0.5, 11.000001, 1.5, 0.0, 1.0, 0.4)
        driver.set_calibration(wanted)

        assert driver.calibration() == wanted

    def test_zero_needs_the_output_off(self, driver):
        assert driver.zero() == 0.0123
        driver.output(True)
        with pytest.raises(Refused, match="output is on"):
            driver.zero()

    def test_memories(self, driver):
        driver.set_frequency(185_000)
        driver.set_duty(0.2)
        driver.store(0)
        driver.set_frequency(200_000)

        assert driver.recall(0) == pytest.approx((185_000, 0.2), rel=1e-3)
        with pytest.raises(Refused, match="memory 3 is empty"):
            driver.recall(3)

    def test_a_driver_that_holds_something_else_is_told(self, line, driver):
        line.driver.forge["SENS:AVER:COUN?"] = "16"
        with pytest.raises(Refused, match=r"SENS:AVER:COUN 64.*answers 16"):
            driver.set_averages(64)

    def test_no_line_is_longer_than_the_driver_takes(self, line, driver):
        driver.set_calibration(driver.calibration())
        list(driver.sweep(PointList(tuple(Setpoint(1_000_000 - i, 0.123456) for i in range(300)))))

        assert max(len(sent) for sent in line.driver.lines) <= 255

    def test_describe_is_plain(self, driver):
        told = driver.describe()

        assert told["driver"]["firmware"] == "0.1.0"
        assert told["settings"]["checksum"] == 0xDEADBEEF

    def test_protected_user_data(self, line, driver):
        assert driver.protected_data() == ""
        driver.protect_data("current 2026-11-27 2.04e-05A 3f2a")
        assert line.driver.protected == "current 2026-11-27 2.04e-05A 3f2a"
        line.driver.protected = "the buoys' own \"lamp"
        assert driver.protected_data() == "the buoys' own \"lamp"
        line.driver.forge["*PUD?"] = "#3005other"
        with pytest.raises(Refused, match="keeps 'other' where 'mine' was sent"):
            driver.protect_data("mine")

    def test_a_firmware_without_protected_user_data(self, line, driver):
        line.driver.protected = None
        with pytest.raises(Refused, match="keeps no protected user data"):
            driver.protected_data()
        assert driver.errors() == ()

    def test_status(self, driver):
        status = driver.status()

        assert status.state is DriverState.OFF
        assert (status.settings, status.free_memory_bytes, status.trip.number) == ("OK", 51200, 0)

    def test_left_over_errors_are_raised(self, line, driver):
        line.driver.errors = [(-350, "Queue overflow")]
        with pytest.raises(Refused, match="Queue overflow"):
            driver.check_errors()
        driver.check_errors()


class TestOutput:
    def test_on_reads_the_setpoint_back_first(self, line, driver):
        driver.set_frequency(185_000)
        line.driver.lines.clear()
        driver.output(True)

        assert line.driver.lines == [
            "FREQ?;:PULS:DCYC?" + TAIL,
            "OUTP ON" + TAIL,
            "OUTP:COND?;*ESE?",
        ]
        assert driver.condition() is DriverState.ON

    def test_a_wrong_setpoint_never_drives_the_coil(self, line, driver):
        driver.set_frequency(185_000)
        driver.set_duty(0.1)
        line.driver.values["PULS:DCYC"] = "50.0000"

        with pytest.raises(Refused, match=r"50\.00 % where"):
            driver.output(True)
        assert line.driver.output == "OFF"

    def test_on_while_tripped_is_refused_and_a_trip_can_be_cleared(self, line, driver):
        line.driver.trip(101, "Over-current")
        line.driver.errors.clear()
        with pytest.raises(Refused, match="clear the trip first"):
            driver.output(True)
        driver.clear_trip()
        driver.output(True)

        assert driver.condition() is DriverState.ON

    def test_leaving_by_an_exception_switches_off_and_confirms(self, line):
        with pytest.raises(KeyboardInterrupt), opened(line) as driver:  # noqa: PT012
            driver.output(True)
            raise KeyboardInterrupt
        assert line.driver.output == "OFF"
        assert driver.output_confirmed_off
        assert line.closed

    def test_leaving_in_order_leaves_the_output(self, line):
        with opened(line) as driver:
            driver.output(True)
        assert line.driver.output == "ON"
        assert line.closed

    def test_no_confirmation_is_said_loudly(self, line):
        with pytest.raises(ValueError) as caught, opened(line) as driver:  # noqa: PT012
            driver.output(True)
            line.mute = True
            raise ValueError
        assert not driver.output_confirmed_off
        assert "switch its supply off" in caught.value.__notes__[0]

    def test_ctrl_c_in_the_middle_of_an_answer(self, line):
        """The answer that was on its way must not confuse the confirmation."""
        with pytest.raises(KeyboardInterrupt), opened(line) as driver:  # noqa: PT012
            driver.output(True)
            read = line.read

            def interrupted(size: int = 1, /) -> bytes:
                line.read = read  # type: ignore[method-assign]
                raise KeyboardInterrupt

            line.read = interrupted  # type: ignore[method-assign]
            driver.measure()
        assert driver.output_confirmed_off
        assert line.driver.output == "OFF"

    def test_waiting_for_a_person_keeps_the_driver_informed(self, line, driver):
        driver.set_limits(host_timeout_s=0.2)
        line.driver.lines.clear()
        with driver.waiting():
            while not line.driver.lines:
                pass
        assert set(line.driver.lines) == {"*SRE 0"}


class TestMeasure:
    def test_a_point_as_text(self, driver):
        driver.set_frequency(185_000)
        driver.set_duty(0.25)
        point = driver.measure()

        assert point == Point(
            0, 1.003, 185_000, 0.25, pytest.approx(184911.243), 0.25,
            0.123456, 1.234567, 1e-6, 0.001, 0.002, 0.0, 32, Flag.OUTPUT_OFF,
        )  # fmt: skip


def check(points: list[Point], setpoints: list[Setpoint], piece: int = 10_000) -> None:
    """Every point once, in order, unaltered: its readings follow from its index in its piece."""
    assert [point.index for point in points] == list(range(len(setpoints)))
    for at, (point, wanted) in enumerate(zip(points, setpoints, strict=True)):
        assert point.requested_frequency_hz == wanted.frequency_hz
        assert point.requested_duty == wanted.duty
        assert point.frequency_hz == wanted.frequency_hz + 0.007
        assert point.duty == pytest.approx(wanted.duty, abs=1e-9)
        assert round(point.supply_a * 1e6) == 1000 + at % piece
        assert round(point.probe_v * 1e6) == 2000 + at % piece


class TestSweep:
    def test_setpoints_follow_the_contracts_rule(self):
        """docs/commands.md: start + (stop − start)·i // (n − 1), floor division."""
        assert spread(100, 201, 4) == [100, 133, 167, 201]
        assert spread(201, 100, 4) == [201, 167, 133, 100]
        assert spread(5, 9, 1) == [5]

    def test_frequency_sweep(self, line, driver):
        plan = FrequencySweep(150_000, 200_001, 333, 0.2)
        check(list(driver.sweep(plan, settle_s=0.004, averages=16)), plan.setpoints())

        assert line.driver.output == "OFF"
        assert line.driver.values["SENS:AVER:COUN"] == "16"

    def test_duty_sweep(self, line, driver):
        plan = DutySweep(180_000, 0.4, 0.0, 100)
        check(list(driver.sweep(plan)), plan.setpoints())

    @pytest.mark.parametrize("count", [1, 2, 64, 256, 257, 600])
    def test_lists_of_any_length_have_one_index(self, line, driver, count):
        wanted = [
            Setpoint(150_000 + 37 * i % 50_000, (i * 7919 % 400_000) / 1e6) for i in range(count)
        ]
        check(driver.measure_points(wanted), wanted, piece=256)

    def test_an_output_that_was_on_stays_on(self, line, driver):
        driver.output(True)
        list(driver.sweep(FrequencySweep(150_000, 160_000, 10, 0.1)))

        assert line.driver.output == "ON"

    def test_the_transcript_of_a_short_sweep(self, line, driver):
        driver.output(True)
        line.driver.lines.clear()
        line.driver.per_ask = 3
        list(driver.sweep(FrequencySweep(150_000, 160_000, 3, 0.1)))

        assert line.driver.lines == [
            "OUTP:COND?;*ESE?",
            "SWE:BASE 165000,10.0000;:FREQ?;:PULS:DCYC?" + TAIL,
            "SWE:DWEL 0.008000;:SENS:AVER:COUN 32;:FREQ:STAR 150000;:FREQ:STOP 160000;:SWE:POIN 3;"
            ":FREQ:MODE SWE;:PULS:DCYC:MODE FIX;:SWE:DWEL?;:SENS:AVER:COUN?;:FREQ:STAR?;"
            ":FREQ:STOP?;:SWE:POIN?;:FREQ:MODE?;:PULS:DCYC:MODE?" + TAIL,
            "TRAC:STAT?;*ESE?",
            "INIT;:TRAC:STAT?" + TAIL,
            "TRAC:DATA? 0,64,64",
            "FREQ 165000;:FREQ?" + TAIL,
            "PULS:DCYC 0.0000;:PULS:DCYC?" + TAIL,
        ]

    @pytest.mark.parametrize(
        "plan",
        [
            FrequencySweep(150_000, 160_000, 3, 0.1),
            DutySweep(150_000, 0.1, 0.2, 3),
            PointList((Setpoint(150_000, 0.1), Setpoint(151_000, 0.1))),
        ],
    )
    @pytest.mark.parametrize("on", [False, True])
    @pytest.mark.parametrize("end", ["whole", "closed", "tripped"])
    def test_the_setting_from_before_comes_back(self, line, driver, plan, on, end):
        driver.set_frequency(173_600)
        driver.set_duty(0.21)
        held = driver.setpoint()
        driver.output(on)
        line.driver.per_ask = 1
        if end == "tripped":
            line.driver.trip_at = 1
        with contextlib.suppress(Tripped):
            for _ in driver.sweep(plan):
                if end == "closed":
                    break

        assert driver.setpoint() == held
        assert driver.wanted() == Setpoint(173_600, 0.21)

    def test_a_firmware_that_knows_no_base_still_sweeps(self, line, driver):
        real = line.driver.one

        def older(name, value):
            if name == "SWE:BASE":
                line.driver.errors.append((-113, "Undefined header;SWE:BASE"))
                return None
            return real(name, value)

        line.driver.one = older
        points = list(driver.sweep(FrequencySweep(150_000, 160_000, 3, 0.1)))

        assert len(points) == 3
        assert driver.condition() is DriverState.OFF

    def test_a_short_list_costs_three_lines_and_its_points(self, line, driver):
        driver.output(True)
        line.driver.lines.clear()
        wanted = [Setpoint(160_000, 0.1), Setpoint(162_271, 0.148437)]
        check(driver.measure_points(wanted), wanted)

        assert line.driver.lines == [
            "OUTP:COND?;*ESE?",
            "FREQ:MODE LIST;:LIST:CLE;:LIST:APP 160000,10.0000,162271,14.8437;:SWE:DWEL?;"
            ":SENS:AVER:COUN?;:FREQ:MODE?;:LIST:CHEC?;:TRAC:STAT?" + TAIL,
            "INIT;:TRAC:STAT?" + TAIL,
            "TRAC:DATA? 0,64,64",
        ]

    def test_a_short_list_takes_the_longer_way_where_a_setting_is_not_in_force(self, line, driver):
        driver.output(True)
        line.driver.values["SENS:AVER:COUN"] = "7"
        wanted = [Setpoint(160_000, 0.1)]
        check(driver.measure_points(wanted), wanted)

        assert line.driver.values["SENS:AVER:COUN"] == "32"

    @pytest.mark.parametrize("damage", [(b",162271,", b",172271,"), (b"LIST:CLE", b"LIST:CXE")])
    def test_a_short_list_that_arrives_damaged_is_not_measured(self, line, driver, damage):
        driver.output(True)
        wanted = [Setpoint(160_000, 0.1), Setpoint(162_271, 0.2)]
        check(driver.measure_points(wanted), wanted)  # a list that must not be doubled
        once = iter([True])

        def spoil(data: bytes) -> bytes:
            hit = damage[0] in data and next(once, False)
            return data.replace(*damage) if hit else data

        line.to_driver = spoil
        check(driver.measure_points(wanted), wanted)

    def test_the_ramp_is_what_it_was_afterwards(self, line, driver):
        line.driver.values["OUTP:RAMP"] = "0.020000"
        with driver.ramping(0.004):
            assert float(line.driver.values["OUTP:RAMP"]) == 0.004
        assert float(line.driver.values["OUTP:RAMP"]) == 0.02

    def test_far_fewer_round_trips_than_points(self, line, driver):
        list(driver.sweep(FrequencySweep(150_000, 200_000, 2000, 0.1)))

        asked = [text for text in line.driver.lines if text.startswith("TRAC:DATA?")]
        assert len(asked) <= 2000 / 30

    def test_the_list_proves_itself_by_its_checksum(self, line, driver):
        wanted = [Setpoint(150_000 + i, 0.1) for i in range(30)]
        damaged = iter([True])

        def once(data: bytes) -> bytes:
            hit = b"LIST:APP" in data and next(damaged, False)
            return data.replace(b",150003,", b",170003,") if hit else data

        line.to_driver = once
        check(driver.measure_points(wanted), wanted)
        assert line.driver.lines.count("LIST:CLE" + TAIL) == 1
        assert sum(text.startswith("LIST:APP") for text in line.driver.lines) == 3

    def test_a_list_that_lost_a_line_is_not_doubled(self, line, driver):
        wanted = [Setpoint(150_000 + i, 0.1) for i in range(60)]
        lost = iter([True])
        real = line.driver.take

        def unanswered(text: str) -> bytes:
            answer = real(text)
            return b"" if text.startswith("LIST:APP") and next(lost, False) else answer

        line.driver.take = unanswered  # type: ignore[method-assign]
        check(driver.measure_points(wanted), wanted)

    def test_a_start_whose_answer_got_lost_is_not_started_twice(self, line, driver):
        real = line.driver.take
        lost = iter([True])

        def unanswered(text: str) -> bytes:
            answer = real(text)
            return b"" if text.startswith("INIT") and next(lost, False) else answer

        line.driver.take = unanswered  # type: ignore[method-assign]
        plan = FrequencySweep(150_000, 160_000, 50, 0.1)
        check(list(driver.sweep(plan)), plan.setpoints())
        assert line.driver.sweep == 1

    def test_a_sweep_over_a_buffer_that_fills_pauses_and_loses_nothing(self, line, driver):
        line.driver.per_ask = 500
        plan = FrequencySweep(150_000, 200_000, 1500, 0.1)
        check(list(driver.sweep(plan)), plan.setpoints())

    def test_every_point_before_a_trip_is_yielded(self, line, driver):
        line.driver.trip_at = 100
        got, error = gathered(driver.sweep(FrequencySweep(150_000, 200_000, 333, 0.2)), Tripped)

        assert "Over-current (101)" in error.message
        assert line.driver.output == "OFF"
        assert [point.index for point in got] == list(range(100))
        driver.clear_trip()
        driver.set_duty(0.1)  # the trip in the error queue has been told, it does not come again

    def test_a_restart_names_the_first_missing_point(self, line, driver):
        line.driver.restart_at = 100
        got, error = gathered(driver.sweep(FrequencySweep(150_000, 200_000, 333, 0.2)), LinkLost)

        assert f"point {len(got)} is the first one missing" in error.message
        assert len(got) <= 100

    def test_a_pulled_cable(self, line, driver):
        sweep = driver.sweep(FrequencySweep(150_000, 200_000, 333, 0.2))
        next(sweep)
        line.dies_after = 0
        with pytest.raises(LinkLost):
            list(sweep)

    def test_a_driver_that_falls_silent(self, line, driver):
        sweep = driver.sweep(FrequencySweep(150_000, 200_000, 333, 0.2))
        next(sweep)
        line.mute = True
        with pytest.raises(LinkLost, match="is the first one missing"):
            list(sweep)

    def test_closing_early_aborts(self, line, driver):
        sweep = driver.sweep(FrequencySweep(150_000, 200_000, 2000, 0.2))
        next(sweep)
        sweep.close()

        assert line.driver.state == 4
        assert line.driver.output == "OFF"
        assert driver.set_duty(0.1) == 0.1

    def test_an_abort_from_elsewhere_is_told(self, line, driver):
        sweep = driver.sweep(FrequencySweep(150_000, 200_000, 2000, 0.2))
        next(sweep)
        line.driver.do_abor("")
        with pytest.raises(Refused, match="ended before point"):
            list(sweep)

    def test_a_tripped_driver_does_not_sweep(self, line, driver):
        line.driver.trip(102, "Host lost")
        line.driver.errors.clear()
        with pytest.raises(Tripped, match="Host lost"):
            list(driver.sweep(FrequencySweep(150_000, 200_000, 10, 0.2)))

    @pytest.mark.parametrize(
        "plan",
        [
            FrequencySweep(150_000, 200_000, 0, 0.2),
            FrequencySweep(150_000, 200_000, 10_001, 0.2),
            FrequencySweep(150_000, 200_000, 10, 1.2),
            FrequencySweep(-1, 200_000, 10, 0.2),
            DutySweep(150_000, -0.1, 0.2, 10),
        ],
    )
    def test_a_plan_that_cannot_be_fails_before_anything_is_sent(self, line, driver, plan):
        with pytest.raises(OutOfRange):
            driver.sweep(plan)
        assert line.driver.lines == []

    def test_the_clock_wraps_at_two_to_the_thirty(self, driver):
        assert driver._seconds((1 << 30) - 5) == ((1 << 30) - 5) / 1e3
        assert driver._seconds(7) == ((1 << 30) + 7) / 1e3
        assert driver._seconds(9) == ((1 << 30) + 9) / 1e3


def gathered(
    sweep: Iterator[Point], kind: type[CoilwrightError]
) -> tuple[list[Point], CoilwrightError]:
    """Points until the failure of that kind, and the failure."""
    got: list[Point] = []
    with pytest.raises(kind) as caught:  # noqa: PT012
        for point in sweep:
            got.append(point)  # noqa: PERF402
    return got, caught.value


def some_lost(seed: int, share: float):
    """A change of lines to the driver: some never arrive."""
    draw = random.Random(seed)
    return lambda data: b"\n" if draw.random() < share else data


class TestBadLines:
    @pytest.mark.parametrize("seed", range(2))
    @pytest.mark.parametrize(("lose", "flip"), [(0.0, 2e-3), (2e-3, 0.0), (3e-3, 3e-3)])
    def test_no_point_is_lost_doubled_or_altered(self, seed, lose, flip):
        line = FakeLine()
        driver = opened(line, replace(QUICK, stall_s=60.0))
        plan = FrequencySweep(150_000, 200_000, 120, 0.2)
        sweep = driver.sweep(plan)
        points = [next(sweep)]
        line.to_host = lossy(seed, lose, flip)
        line.to_driver = some_lost(seed, 0.05)
        points.extend(sweep)

        check(points, plan.setpoints())

    def test_a_damaged_request_releases_nothing(self):
        """A turned bit can make `TRAC:DATA? 64,64,128` ask for 68: its check gives it away."""
        line = FakeLine()
        damaged = iter([True])
        hits = []

        def turned(data: bytes) -> bytes:
            hit = b"TRAC:DATA? 64,64,128" in data and next(damaged, False)
            hits.append(hit)
            return data.replace(b" 64,", b" 68,") if hit else data

        line.driver.per_ask = 100
        line.to_driver = turned
        plan = FrequencySweep(150_000, 160_000, 200, 0.1)

        check(list(opened(line).sweep(plan)), plan.setpoints())
        assert any(hits)

    @settings(max_examples=15)
    @given(chunk=st.integers(1, 97), per_ask=st.integers(1, 90), count=st.integers(1, 200))
    def test_any_chunking_and_any_pace(self, chunk, per_ask, count):
        line = FakeLine(FakeDriver(per_ask), chunk=chunk)
        plan = FrequencySweep(150_000, 200_000, count, 0.2)

        check(list(opened(line).sweep(plan)), plan.setpoints())


def test_the_lists_checksum_is_crc_32_of_little_endian_pairs():
    """By hand: 185 000 = 0x0002D2A8 Hz, 40 % = 400 000 ppm = 0x00061A80."""
    expected = zlib.crc32(bytes.fromhex("a8d20200801a0600"))
    assert list_checksum([Setpoint(185_000, 0.4)]) == expected


@given(st.integers(0, 1_000_000))
def test_duty_text_loses_no_ppm(ppm):
    assert round(float(percent_text(ppm)) * 10_000) == ppm


class TestHostThatWasNotHeard:
    """A bad line keeps the driver from hearing its host, and what the driver says of it, too."""

    def test_a_refusal_with_a_lost_host_behind_it_is_taken_up_again(self, line):
        driver = opened(line, replace(QUICK, reconnect_s=1.0))
        told = []
        driver.on_interruption = told.append
        driver.set_frequency(173_600)
        driver.set_duty(0.21)
        held = driver.setpoint()
        real, trips = line.driver.do_init, iter([True])

        def init(value):
            if next(trips, False):
                line.driver.trip(102, "Host lost")
                line.driver.errors.clear()  # told already, in an answer that got lost
            return real(value)

        line.driver.do_init = init
        points = list(driver.sweep(FrequencySweep(150_000, 160_000, 5, 0.1)))

        assert [point.index for point in points] == [0, 1, 2, 3, 4]
        assert "Host lost (102)" in told[0]
        assert driver.setpoint() == held

    def test_without_a_return_it_is_named_with_its_own_hint(self, line):
        driver = opened(line)

        def init(value):
            line.driver.trip(102, "Host lost")
            line.driver.errors[:] = [(-221, "Settings conflict;output is off")]

        line.driver.do_init = init
        with pytest.raises(Tripped, match=r"Host lost \(102\)") as told:
            list(driver.sweep(FrequencySweep(150_000, 160_000, 5, 0.1)))

        assert told.value.exit_code == 22
        assert "cable" in told.value.hint

    @pytest.mark.parametrize("what", ["sweep", "measure"])
    def test_a_silent_try_leaves_time_for_others_before_the_host_counts_as_lost(self, what):
        waits = Timeouts(quiet_s=0.01, boot_s=0.5, reply_s=2.0)  # as long as the host-lost time
        line = FakeLine()
        driver = opened(line, waits)
        for _ in range(20):  # the line shows how quick it is
            driver.condition()
        driver.output(True)
        lost = iter([True])
        word = b"INIT" if what == "sweep" else b"MEAS?"
        line.to_driver = lambda data: b"" if word in data and next(lost, False) else data
        if what == "sweep":
            assert len(list(driver.sweep(FrequencySweep(150_000, 160_000, 5, 0.1)))) == 5
        else:
            driver.measure()
        assert next(lost, None) is None
        assert line.longest_silence_s() < 0.9 * driver.host_timeout_s
