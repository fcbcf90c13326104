"""The panel alone: which key asks for what, and what it shows. No terminal, no driver."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace

import pytest
from textual.pilot import Pilot

from coilwright.cli.live_command import _band
from coilwright.link.facts import DriverState, Limits, Trip
from coilwright.live import requests
from coilwright.live.ladder import Ladder, LadderMove
from coilwright.live.snapshot import Job, Peaks, Snapshot
from coilwright.point import Flag, Point, Setpoint
from coilwright.pwm import PwmTimer
from coilwright.view.live_panel import Panel

LIMITS = Limits(100_000, 400_000, 0.5, 1.0, 2.0)
POINT = Point(
    0, 1.0, 165_000, 0.12, 164_908.0, 0.12, 0.123, 4.5, 0.5, 1e-4, 1e-3, 1e-3, 32, Flag.NONE
)
CALM = Snapshot(
    state=DriverState.OFF,
    rung=Ladder(PwmTimer("rp2", 125_000_000), LIMITS).rung(Setpoint(165_000, 0.12)),
    limits=LIMITS,
    trip=Trip(0, "None"),
    trip_facts="",
    point=POINT,
    peaks=Peaks(0.4, 5.0, 0.6),
    trend=(),
    job=None,
    message="",
    rows=7,
    marks=0,
    ended=False,
)


class Desk:
    """Stands in for the worker: keeps what is asked for."""

    def __init__(self, snapshot: Snapshot = CALM) -> None:
        self.snapshot = snapshot
        self.asked: list[requests.Request] = []
        self.ended, self.attended = "", 0

    def post(self, request: requests.Request) -> None:
        self.asked.append(request)

    def attend(self) -> None:
        self.attended += 1

    def end(self, reason: str = "complete") -> None:
        self.ended = reason
        self.snapshot = replace(self.snapshot, ended=True)


def at_panel(
    desk: Desk, act: Callable[[Pilot[None]], Awaitable[None]], size: tuple[int, int] = (80, 24)
) -> str:
    """Act at a panel; the text on its screen afterwards, line by line."""

    async def sit() -> str:
        panel = Panel(desk, "harbour", "live-001.csv", parse_band=_band)
        async with panel.run_test(size=size) as pilot:
            await pilot.pause(0.15)
            await act(pilot)
            await pilot.pause(0.3)
            rows = panel.screen._compositor.render_strips() if panel.is_running else []
            return "\n".join(strip.text for strip in rows)

    return asyncio.run(sit())


def press(*keys: str) -> Callable[[Pilot[None]], Awaitable[None]]:
    async def act(pilot: Pilot[None]) -> None:
        await pilot.press(*keys)

    return act


KEYS: dict[str, requests.Request] = {
    "right": LadderMove(frequency=1),
    "left": LadderMove(frequency=-1),
    "up": LadderMove(duty=1),
    "down": LadderMove(duty=-1),
    "shift+right": LadderMove(frequency=1, coarse=True),
    "shift+down": LadderMove(duty=-1, coarse=True),
    "full_stop": LadderMove(frequency=1, coarse=True),
    "comma": LadderMove(frequency=-1, coarse=True),
    "pageup": LadderMove(duty=1, coarse=True),
    "pagedown": LadderMove(duty=-1, coarse=True),
    "space": requests.ToggleOutput(seen_off=True),
    "c": requests.ClearTrip(),
    "r": requests.ResetPeaks(),
    "x": requests.Stop(),
}


def test_one_key_asks_for_one_thing() -> None:
    desk = Desk()

    at_panel(desk, press(*KEYS))

    assert desk.asked == list(KEYS.values())
    assert desk.attended > 1


def test_space_at_an_output_that_is_on_can_only_mean_off() -> None:
    desk = Desk(replace(CALM, state=DriverState.ON))

    at_panel(desk, press("space"))

    assert desk.asked == [requests.ToggleOutput(seen_off=False)]


def test_a_mark_is_made_before_its_note_is_typed() -> None:
    desk = Desk()

    at_panel(desk, press("m", *"qs", "space", "x", "enter", "right"))

    assert desk.asked == [requests.Mark(), requests.Note("qs x"), LadderMove(frequency=1)]


def test_a_mark_without_a_note_is_kept() -> None:
    desk = Desk()

    at_panel(desk, press("m", "escape", "up"))

    assert desk.asked == [requests.Mark(), LadderMove(duty=1)]


def test_sweep_and_tune_begin_with_the_band_that_stands_there() -> None:
    desk = Desk()

    at_panel(desk, press("s", "enter", "t", "escape", "t", "enter"))

    assert desk.asked == [requests.StartSweep((100e3, 250e3)), requests.Tune((100e3, 250e3))]


def test_a_wrong_band_stays_to_be_mended() -> None:
    desk = Desk()

    shown = at_panel(desk, press("s", *"9k", "enter"))

    assert desk.asked == []
    assert "write 100k:250k" in shown


def test_leaving_asks_the_worker_to_end() -> None:
    desk = Desk()

    at_panel(desk, press("q"))

    assert desk.ended == "complete"
    assert desk.asked == []


def test_ctrl_c_leaves_while_a_note_is_typed() -> None:
    desk = Desk()

    at_panel(desk, press("m", "ctrl+c"))

    assert desk.ended == "complete"


@pytest.mark.parametrize("size", [(80, 24), (132, 43)])
def test_limits_caution_and_keys_are_always_on_the_screen(size: tuple[int, int]) -> None:
    shown = at_panel(Desk(), press(), size)

    for words in (
        "OFF", "trip none", "164.908 kHz", "12.01 %", "cap 50 %", "limits 100 to 400 kHz",
        "trips at 1 A", "123 mA", "400 mA", "4.5 V", "get hot", "q off and quit", "7 rows",
    ):  # fmt: skip
        assert words in shown


def test_a_trip_stands_there_with_its_cause() -> None:
    tripped = replace(
        CALM,
        state=DriverState.TRIPPED,
        trip=Trip(101, "Over-current"),
        trip_facts="at 164.908 kHz, 12.01 %",
    )

    shown = at_panel(Desk(tripped), press())

    assert "TRIPPED" in shown
    assert "Over-current (101) at 164.908 kHz, 12.01 %; c clears" in shown


def test_progress_of_a_sweep_is_shown() -> None:
    points = tuple(replace(POINT, frequency_hz=160e3 + 1e3 * i) for i in range(4))
    busy = replace(CALM, job=Job("sweep-001", "sweep-001", 9, points))

    shown = at_panel(Desk(busy), press())

    assert "sweep-001: 4 of 9 points" in shown
    assert "over kHz" in shown


def test_a_fault_of_the_panel_ends_it_with_the_output_off() -> None:
    desk = Desk()

    async def sit() -> Panel:
        panel = Panel(desk, "harbour", "live-001.csv", parse_band=_band)
        async with panel.run_test() as pilot:
            desk.snapshot = replace(CALM, rung=None)  # type: ignore[arg-type]
            await pilot.pause(0.3)
        return panel

    panel = asyncio.run(sit())

    assert isinstance(panel.fault, AttributeError)
    assert desk.ended.startswith("AttributeError")
