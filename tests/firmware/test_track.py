"""Tracking: small steps that follow a best point which drifts, and when they stop."""

from __future__ import annotations

import itertools
import random
import struct
import zlib

import pytest

from firmware.rig import Rig, machine

SUPPLY, PROBE, LIGHT = 34, 35, 32


class Peak:
    """Readings of a driver whose best point wanders: a resonance in probe and light at `hz`, and a
    valley of the supply current there; white noise on every conversion.
    """

    def __init__(self, rig: Rig, hz: float, noise_uv: float = 1500, drift_hz_s: float = 0) -> None:
        self.rig, self.start_hz, self.noise_uv, self.drift_hz_s = rig, hz, noise_uv, drift_hz_s
        self.draw = random.Random(1)
        self.begun = rig.clock.now
        machine.on_conversion = self.convert

    @property
    def hz(self) -> float:
        """Where the best point is now."""
        return self.start_hz + self.drift_hz_s * (self.rig.clock.now - self.begun) / 1e6

    def convert(self) -> None:
        """Set the pins for the frequency that is out now."""
        self.rig.clock.sleep_us(50)
        mhz, ppm = self.rig.server.output.now_mhz(), self.rig.server.output.now_ppm()
        away = (mhz / 1000 - self.hz) / 4000  # half a bandwidth of 8 kHz: a Q of 20
        height = 1 / (1 + away * away) if ppm else 0.0
        shown = {PROBE: 1e6 * height, LIGHT: 5e5 * height, SUPPLY: 6e5 - 3e5 * height}
        for pin, uv in shown.items():
            machine.voltages[pin] = round(uv + self.draw.gauss(0, self.noise_uv))


def feed(rig: Rig, ms: int) -> None:
    """Let time pass with a host that is there."""
    for _ in range(ms // 500):
        rig.run_ms(500)
        rig.say("*ESE 0")


def moves(rig: Rig) -> tuple[dict[str, int], list[tuple[int, ...]]]:
    """Header and records of TRACK:DATA?, as docs/commands.md lays them out."""
    data = rig.ask("TRACK:DATA?")
    size = int(data[2:6])
    body = data[6:]
    assert data[:2] == b"#4"
    assert len(body) == size
    assert struct.unpack("<I", body[-4:])[0] == zlib.crc32(body[:-4])
    names = ("version", "on", "size", "run", "first", "count", "next")
    head = dict(zip(names, struct.unpack_from("<BBHIIII", body), strict=True))
    records = list(struct.iter_unpack("<IIIi", body[20:-4]))
    assert (head["size"], len(records)) == (16, head["count"])
    return head, records


def start(rig: Rig, hz: int = 165000, setup: str = "") -> None:
    rig.on(hz, 40)
    rig.say(setup + ":TRACK ON")
    assert rig.errors() == []


@pytest.mark.parametrize("mode", ["PROB", "LIGH", "CURR"])
def test_it_climbs_to_the_best_point_and_stays(rig: Rig, mode: str) -> None:
    peak = Peak(rig, 168000)
    start(rig, 165000, f"TRACK:MODE {mode};INT 0.02;")
    feed(rig, 4000)
    seen = []
    for _ in range(40):
        feed(rig, 500)
        seen.append(rig.server.track.centre)
    assert max(abs(hz - peak.hz) for hz in seen) < 1300
    assert rig.text("TRACK?;:OUTP:COND?;:SYST:ERR?") in (
        '1;ON;0,"No error"',
        '1;RAMPING;0,"No error"',
    )


@pytest.mark.parametrize("drift_hz_s", [40, -60])
def test_it_follows_a_drift(rig: Rig, drift_hz_s: float) -> None:
    peak = Peak(rig, 165000, drift_hz_s=drift_hz_s)
    start(rig, 165000, "TRACK:INT 0.05;")
    feed(rig, 60000)
    assert abs(peak.hz - 165000) > 2000
    assert abs(rig.server.track.centre - peak.hz) < 1500
    head, records = moves(rig)
    assert head["count"] == len(records) <= 32
    assert [r[0] for r in records] == list(range(head["first"], head["next"]))
    assert sorted(r[1] for r in records) == [r[1] for r in records]
    first, last = records[0][2], records[-1][2]
    assert (last - first) * drift_hz_s > 0


def test_the_rate_is_bounded_and_a_move_is_a_step_the_chip_can_make(rig: Rig) -> None:
    Peak(rig, 180000)
    start(rig, 165000, "TRACK:INT 0.1;STEP 1;SPAN 20000;")
    feed(rig, 20000)
    _, records = moves(rig)
    assert len(records) > 8
    for before, after in itertools.pairwise(records):
        assert after[1] - before[1] >= 200
        assert after[2] > before[2]
    plan = rig.board.chip.plan
    grid = sorted({plan(hz)[1] for hz in range(160000, 185000, 7)})
    steps = [grid.index(b[2]) - grid.index(a[2]) for a, b in itertools.pairwise(records)]
    assert set(steps) <= {1, 2}


def test_noise_alone_moves_it_little(rig: Rig) -> None:
    draw = random.Random(2)

    def level() -> None:
        rig.clock.sleep_us(50)
        for pin, uv in ((PROBE, 800000), (LIGHT, 400000), (SUPPLY, 400000)):
            machine.voltages[pin] = round(uv + draw.gauss(0, 20000))

    machine.on_conversion = level
    start(rig, 165000, "TRACK:INT 0.02;")
    feed(rig, 30000)
    head, _ = moves(rig)
    # 3 standard errors, one side: 0.13 % of about 500 looks, beside the start.
    assert head["next"] <= 6


def test_it_never_leaves_its_span_nor_the_band(rig: Rig) -> None:
    Peak(rig, 190000)
    start(rig, 165000, "TRACK:INT 0.02;SPAN 3000;")
    machine.writes.clear()
    feed(rig, 20000)
    shown = {w[3] for w in machine.writes if len(w) == 4}
    assert 167000000 < max(shown) <= 168700000
    rig.say("FREQ:LIM:HIGH 166E3;:TRACK:SPAN 20E3")
    feed(rig, 4000)
    assert rig.server.output.hz <= 166000
    machine.writes.clear()
    feed(rig, 8000)
    assert max(w[3] for w in machine.writes if len(w) == 4) <= 166700000


def test_a_trip_ends_it(esp32: Rig) -> None:
    Peak(esp32, 165000)
    start(esp32)
    feed(esp32, 1000)
    esp32.say("CURR:PROT 0.01")
    esp32.run_ms(100)
    assert esp32.text("OUTP:COND?;:TRACK?;:OUTP:PROT:CAUS?") == 'TRIPPED;0;101,"Over-current"'
    esp32.say("CURR:PROT 1;:OUTP:PROT:CLE;:OUTP ON")
    feed(esp32, 3000)
    assert esp32.text("OUTP:COND?;:TRACK?") == "ON;0"


def test_silence_of_the_host_still_stops_it(esp32: Rig) -> None:
    Peak(esp32, 165000)
    start(esp32)
    esp32.run_ms(2200)
    assert esp32.text("OUTP:COND?;:TRACK?;:OUTP:PROT:CAUS?") == 'TRIPPED;0;102,"Host lost"'


def test_sweeps_and_tracking_exclude_each_other(esp32: Rig) -> None:
    Peak(esp32, 165000)
    esp32.on()
    esp32.say("SWE:POIN 1000;:INIT;:TRACK ON")
    assert esp32.errors() == [-221]
    esp32.say("ABOR;:TRACK ON;:INIT")
    assert esp32.errors() == [-221]
    assert esp32.text("TRACK?;:TRAC:STAT?").startswith("1;ABORT")
    esp32.say("TRACK OFF;:SWE:POIN 2;:INIT")
    assert esp32.text("*OPC?;:TRACK?") == "1;0"
    assert esp32.errors() == []


def test_it_waits_for_the_output_and_follows_what_is_set_by_hand(esp32: Rig) -> None:
    peak = Peak(esp32, 175000)
    esp32.say("TRACK:INT 0.02;:TRACK ON;:PULS:DCYC 40")
    feed(esp32, 1000)
    assert moves(esp32)[0]["count"] == 0
    start(esp32, 173000)
    feed(esp32, 5000)
    assert abs(esp32.server.track.centre - peak.hz) < 1300
    esp32.say("PULS:DCYC 30")
    feed(esp32, 1000)
    assert esp32.server.track.origin == 173000
    assert 28 < float(esp32.text("PULS:DCYC?")) <= 30.5
    esp32.say("FREQ 170E3")
    feed(esp32, 500)
    assert esp32.server.track.origin == 170000


def test_answers_come_while_it_measures(esp32: Rig) -> None:
    Peak(esp32, 168000)
    start(esp32, 165000, "TRACK:INT 0.02;:SENS:AVER:COUN 64;")
    for _ in range(200):
        fields = esp32.text("MEAS?").split(",")
        assert len(fields) == 11
        assert float(fields[4]) > 0.05
        esp32.run_ms(7)
    feed(esp32, 3000)
    assert abs(esp32.server.track.centre - 168000) < 1300
    assert esp32.errors() == []


def test_reset_ends_it_at_its_defaults(esp32: Rig) -> None:
    Peak(esp32, 168000)
    start(esp32, 165000, "TRACK:MODE CURR;STEP 900;SPAN 1E3;INT 5;")
    esp32.say("*RST")
    assert esp32.text("TRACK?;:TRACK:MODE?;STEP?;SPAN?;INT?") == "0;PROB;400;8000;0.100000"
    esp32.say("TRACK:INT 0.01;STEP 0;MODE LAMP;SPAN 1E7")
    assert esp32.errors() == [-222, -222, -224, -222]


def test_the_duty_stays_below_the_caps_on_the_way(esp32: Rig) -> None:
    Peak(esp32, 172000)
    esp32.say("PULS:DCYC:LIM:TABL 166E3,40,168E3,20,190E3,20")
    start(esp32, 164000, "TRACK:INT 0.02;SPAN 20E3;")
    machine.writes.clear()
    feed(esp32, 6000)
    assert abs(esp32.server.track.centre - 172000) < 1300
    for _, raw, span, mhz in [w for w in machine.writes if len(w) == 4]:
        assert raw / span <= (0.2 if mhz > 166000000 else 0.4) + 1e-9


def test_there_are_no_moves_before_the_first_start(esp32: Rig) -> None:
    esp32.on()
    feed(esp32, 1000)
    assert moves(esp32) == (
        {"version": 1, "on": 0, "size": 16, "run": 0, "first": 0, "count": 0, "next": 0},
        [],
    )
