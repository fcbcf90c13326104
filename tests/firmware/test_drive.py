"""The output: never above its limits at any instant, whatever order the port writes in."""

from __future__ import annotations

import itertools
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from firmware.rig import Rig, block, load, machine


def highest() -> float:
    """Highest duty the gate showed, also between the port's two writes."""
    steps = [w for w in machine.writes if w[0] in ("timer", "duty")]
    return max((w[1] / w[2] for w in steps), default=0.0)


def settle(rig: Rig) -> None:
    for _ in range(400):
        if rig.server.output.state not in load("output").RAMPING:
            return
        rig.server.turn()
        rig.say("*ESE 0")  # a host that is there
    raise AssertionError("the ramp does not end")


def test_gate_is_a_low_output_before_anything_else(tmp_path: Path) -> None:
    machine.writes.clear()
    boot = Path(load("serve").__file__).with_name("boot.py")
    exec(compile(boot.read_text(), "boot.py", "exec"), {})
    assert machine.writes == [("pin", 0)]


def test_soft_start_rises_in_steps_and_takes_its_time(rig: Rig) -> None:
    machine.writes.clear()
    before = rig.clock.now
    rig.on()
    duties = [w[1] / w[2] for w in machine.writes if w[0] == "duty"]
    assert duties == sorted(duties)
    assert max(b - a for a, b in itertools.pairwise(duties)) < 0.06
    # From 0 to the cap of 50 % in 20 ms, so to 40 % in 16 ms.
    assert 15000 <= rig.clock.now - before <= 22000


def test_off_is_duty_zero_two_periods_then_a_low_pin(rig: Rig) -> None:
    rig.on()
    machine.writes.clear()
    rig.say("OUTP OFF")
    settle(rig)
    kinds = [w[0] for w in machine.writes]
    assert kinds[-4:] == ["duty", "pin", "deinit", "pin"]
    assert machine.writes[-4][1] == 0
    assert machine.writes[-1] == ("pin", 0)
    assert rig.text("OUTP?;:OUTP:COND?") == "0;OFF"


def test_achieved_is_reported_not_asked_for(esp32: Rig) -> None:
    # 165 kHz gives 80 MHz / 485, 40 % gives 102 of 256: ports/esp32/machine_pwm.c.
    esp32.on(165000, 40)
    assert esp32.text("FREQ?;:PULS:DCYC?") == "164948.453;39.8437"
    point = esp32.text("MEAS?").split(",")
    assert point[2:4] == ["164948.453", "39.8437"]
    assert esp32.server.output.mismatch is False


def test_port_that_reads_back_something_else_is_noticed(esp32: Rig) -> None:
    load("machine").chip = load("hw_rp2").Chip()
    esp32.on()
    assert esp32.server.output.mismatch is True
    assert int(esp32.text("STAT:QUES:COND?")) & 32


def test_small_step_keeps_the_output_on(rig: Rig) -> None:
    rig.on(165000)
    machine.writes.clear()
    rig.say("FREQ 166 KHZ")
    settle(rig)
    assert min(w[1] for w in machine.writes if w[0] == "duty") > 0


@pytest.mark.parametrize(
    ("start", "stop"), [(165000, 180000), (156000, 156500), (156500, 156000), (313000, 313200)]
)
def test_jump_and_boundary_are_crossed_at_duty_zero(esp32: Rig, start: int, stop: int) -> None:
    esp32.on(start)
    machine.writes.clear()
    esp32.say(f"FREQ {stop}")
    settle(esp32)
    moved = [w for w in machine.writes if w[0] == "timer"]
    assert [w[1] for w in moved] == [0]
    assert highest() < 0.401  # 40 % to the nearest count


def drive_to(
    rig: Rig, setpoints: list[tuple[int, int]], beside: Callable[[int], tuple[int, ...]]
) -> None:
    """Drive at setpoints and at frequencies beside each, and keep what is written meanwhile."""
    drive = rig.server.output
    drive.enforce()
    if drive.state != load("output").ON:
        drive.start()
    machine.writes.clear()
    for hz, ppm in setpoints:
        for place in (hz, *beside(hz)):
            drive.set(place, ppm)
            settle(rig)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.integers(0, 900000),
    st.lists(
        st.tuples(
            st.one_of(st.integers(20000, 1000000), st.integers(150000, 160000)),
            st.integers(0, 1200000),
        ),
        min_size=1,
        max_size=8,
    ),
)
def test_duty_never_exceeds_the_cap(rig: Rig, cap: int, setpoints: list[tuple[int, int]]) -> None:
    rig.server.settings.cap_ppm = cap
    drive_to(rig, setpoints, lambda hz: (hz + hz // 60, hz, hz - hz // 70))
    assert highest() <= cap / 1e6 + 1e-12
    rig.server.guard.heard()


def test_lower_cap_takes_effect_at_once(rig: Rig) -> None:
    rig.on(165000, 45)
    machine.writes.clear()
    rig.say("PULS:DCYC:LIM 20")
    assert machine.writes
    assert highest() <= 0.2
    assert float(rig.text("PULS:DCYC?")) <= 20
    assert rig.server.output.ppm_limited


def test_frequency_limits_hold(rig: Rig) -> None:
    rig.on(165000)
    rig.say("FREQ:LIM:LOW 170 KHZ")
    settle(rig)
    assert float(rig.text("FREQ?")) > 169500
    assert int(rig.text("STAT:QUES:COND?")) & 32


@pytest.mark.parametrize("gate", [8, 15, 24, 29])
def test_unfit_gate_pin_is_refused_with_the_reason(tmp_path: Path, gate: int) -> None:
    # A soft reset leaves PWM slices 4 to 7 running: seen with MicroPython 1.28 on an emulator.
    rig = Rig(tmp_path, chip="rp2", gate=gate)
    assert rig.errors() == [-240]
    rig.say("PULS:DCYC 10;:OUTP ON")
    assert f"GPIO {gate}" in rig.text("SYST:ERR?")
    assert rig.text("OUTP?;*TST?") == "0;8"
    assert all(w == ("pin", 0) for w in machine.writes)


def test_a_lower_cap_also_holds_for_the_rounding_of_the_level(esp32: Rig) -> None:
    """0.7 % is nearest to one count of 128 (0.78 %), which a cap of 0.75 % does not allow."""
    esp32.on(400000, 0)
    esp32.say("PULS:DCYC 0.7")
    settle(esp32)
    assert esp32.server.output.raw == 1
    esp32.say("PULS:DCYC:LIM 0.75")
    assert esp32.server.output.raw == 0


def cap_at(points: list[tuple[int, int]], mhz: int) -> int:
    """The documented rule written a second time: the smaller of the enclosing points' caps."""
    below = [ppm for hz, ppm in points if hz * 1000 <= mhz][-1:]
    above = [ppm for hz, ppm in points if hz * 1000 >= mhz][:1]
    return min([900000, *below, *above])


POINTS = st.lists(
    st.tuples(st.integers(140000, 200000), st.integers(0, 600000)),
    min_size=1,
    max_size=16,
    unique_by=lambda point: point[0],
).map(sorted)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(POINTS, st.lists(st.tuples(st.integers(130000, 210000), st.integers(0, 600000)), max_size=6))
def test_duty_never_exceeds_the_cap_of_its_frequency(
    rig: Rig, points: list[tuple[int, int]], setpoints: list[tuple[int, int]]
) -> None:
    rig.say("PULS:DCYC:LIM 60")
    rig.server.settings.caps = load("store").table(points)
    drive_to(rig, setpoints, lambda hz: (hz + hz // 300, hz - hz // 500))
    for kind, raw, span, mhz in [w for w in machine.writes if len(w) == 4]:
        assert raw / span <= min(600000, cap_at(points, mhz)) / 1e6 + 1e-12, (kind, mhz)
    rig.server.guard.heard()


def test_cap_by_frequency_reduces_and_flags_what_asks_for_more(esp32: Rig) -> None:
    esp32.say("PULS:DCYC:LIM:TABL 150 KHZ,40,165E3,12.5,180 KHZ,30 PCT")
    assert esp32.text("PULS:DCYC:LIM:TABL?") == "150000,40.0000,165000,12.5000,180000,30.0000"
    packed = struct.pack("<6I", 150000, 400000, 165000, 125000, 180000, 300000)
    assert esp32.text("PULS:DCYC:LIM:TABL:CHEC?") == str(zlib.crc32(packed))
    for hz, most in ((145000, 40), (151000, 12.5), (170000, 12.5), (185000, 30)):
        esp32.on(hz, 45)
        assert most - 0.8 < float(esp32.text("PULS:DCYC?")) <= most
        assert int(esp32.text("MEAS?").split(",")[-1]) & 32
    esp32.say("PULS:DCYC:LIM:TABL:CLE")
    esp32.on(165000, 45)
    assert esp32.text("PULS:DCYC:LIM:TABL?;TABL:CHEC?;:PULS:DCYC?") == "NONE;0;44.9218"
    assert esp32.errors() == []


def test_a_new_table_lowers_the_duty_at_once(rig: Rig) -> None:
    rig.on(165000, 45)
    machine.writes.clear()
    rig.say("PULS:DCYC:LIM:TABL 160E3,20")
    assert machine.writes
    assert highest() <= 0.2
    rig.say("*SAV 1;:PULS:DCYC:LIM:TABL 160E3,10;*RCL 1")
    settle(rig)
    assert 0 < float(rig.text("PULS:DCYC?")) <= 10


def test_sweeps_and_lists_obey_the_caps_by_frequency(esp32: Rig) -> None:
    esp32.say("PULS:DCYC:LIM:TABL 150E3,40,165E3,10,180E3,40")
    esp32.on(150000, 40)
    esp32.say("FREQ:STAR 145E3;STOP 185E3;MODE SWE;:SWE:POIN 9;DWEL 0;:INIT")
    assert esp32.text("*OPC?") == "1"
    _, records = block(esp32.ask("TRAC:DATA? 0,64"))
    inside = [r for r in records if 150001000 < r[2] < 179999000]
    assert len(inside) >= 5
    assert all(r[3] <= 100000 and r[10] & 32 for r in inside)
    assert all(r[3] > 390000 and not r[10] & 32 for r in records if r not in inside)
    esp32.say("LIST:APP 165E3,40,190E3,40;:FREQ:MODE LIST;:INIT")
    assert esp32.text("*OPC?") == "1"
    _, records = block(esp32.ask("TRAC:DATA? 0,64"))
    assert [r[3] > 100000 for r in records] == [False, True]


@pytest.mark.parametrize(
    ("table", "error"),
    [
        ("165E3,40,165E3,30", -221),
        ("170E3,40,165E3,30", -221),
        (",".join(f"{150 + i}E3,1" for i in range(17)), -221),
        ("165E3", -109),
        ("", -109),
        ("165E3,90.0001", -222),
        ("165E3,-1", -222),
        ("19999,10", -222),
        ("1000001,10", -222),
        ("165E3,10,170E3,X", -104),
    ],
)
def test_a_table_that_is_refused_leaves_the_old_one_whole(
    esp32: Rig, table: str, error: int
) -> None:
    esp32.say("PULS:DCYC:LIM:TABL 165E3,40,170E3,30.0001")
    esp32.say(f"PULS:DCYC:LIM:TABL {table}")
    assert esp32.errors() == [error]
    assert esp32.text("PULS:DCYC:LIM:TABL?") == "165000,40.0000,170000,30.0001"


def test_sixteen_points_fit_a_line(esp32: Rig) -> None:
    table = ",".join(f"{100000 + 1000 * i},{40 + i / 1000:.3f}" for i in range(16))
    line = f"PULS:DCYC:LIM:TABL {table}"
    assert len(line) <= 255
    esp32.say(line)
    assert esp32.errors() == []
    assert esp32.text("PULS:DCYC:LIM:TABL?").count(",") == 31


def test_the_longest_on_time_caps_the_duty_by_frequency(rig: Rig) -> None:
    """Flux of a coil: V·t; 9 V on 9.6 uH for 1.5 us is 1.41 A at most (I = V·t / L)."""
    rig.say("PULS:WIDT:LIM 1.5 US")
    rig.on(165000, 45)
    assert 24 < float(rig.text("PULS:DCYC?")) <= 24.75  # 1.5 us of 6.06 us
    assert rig.server.output.ppm_limited
    machine.writes.clear()
    for hz in (168000, 180000, 150000, 300000):
        rig.say(f"FREQ {hz};:PULS:DCYC 50")
        settle(rig)
    for _, raw, span, mhz in [w for w in machine.writes if len(w) == 4]:
        assert raw / span / (mhz / 1000) <= 1.5e-6 * (1 + 1e-9)
    rig.say("PULS:WIDT:LIM 0;:FREQ 165E3;:PULS:DCYC 45")
    settle(rig)
    assert float(rig.text("PULS:DCYC?")) > 44
    assert rig.text("PULS:WIDT:LIM 123.4567 NS;LIM?;LIM? MAX") == "0.000000123;0.000100000"
    assert rig.errors() == []


def test_a_measurement_waits_until_the_output_has_settled(esp32: Rig) -> None:
    """After a soft start and after a change: what the ramp shows is not what was asked for."""
    esp32.say("SWE:DWEL 0.05;:OUTP:RAMP 0.5;:FREQ 165E3;:PULS:DCYC 40")
    begun = esp32.clock.now
    point = esp32.text("OUTP ON;:MEAS?").split(",")
    assert float(point[3]) == pytest.approx(40, abs=0.3)
    assert esp32.clock.now - begun > 400_000 + 50_000
    begun = esp32.clock.now
    point = esp32.text("FREQ 200E3;:MEAS:CURR?;:FETC?").split(";")[1].split(",")
    assert (float(point[2]), float(point[3])) == pytest.approx((200e3, 40), rel=0.01)
    assert esp32.clock.now - begun > 400_000 + 50_000
    begun = esp32.clock.now
    assert esp32.text("MEAS?;:OUTP:COND?").endswith(";ON")
    assert esp32.clock.now - begun < 50_000  # nothing to wait for
    begun = esp32.clock.now
    assert esp32.text("OUTP OFF;:MEAS?").split(",")[3] == "0.0000"
    assert esp32.clock.now - begun > 400_000
    assert esp32.errors() == []


def test_a_measurement_that_waits_leaves_the_guard_awake(rig: Rig) -> None:
    rig.say("OUTP:RAMP 1;:FREQ 165E3;:PULS:DCYC 40;:OUTP ON;:MEAS?")
    machine.voltages[34] = 2_200_000
    rig.run_ms(60)
    assert rig.server.guard.cause == 101
    assert rig.gate() == ("pin", 0)
    assert rig.text("*OPC?") == "1"
