"""The live panel in a terminal: keys become requests, snapshots become text.

It never talks with the driver: whatever the line does, the panel answers the keys.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Protocol

from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input, Static

from coilwright.link.facts import DriverState
from coilwright.live import requests
from coilwright.live.ladder import LadderMove
from coilwright.live.snapshot import Snapshot
from coilwright.view import live_text
from coilwright.view.console import cleaned

LEAST = (80, 24)
_LOOK_S = 0.1
_PLOT_S = 0.5


class PanelWork(Protocol):
    """What the panel works on: `live.worker.Worker`, or a stand-in in tests."""

    @property
    def snapshot(self) -> Snapshot: ...
    def post(self, request: requests.Request) -> None: ...
    def attend(self) -> None: ...
    def end(self, reason: str = "complete") -> None: ...


@dataclass(frozen=True, slots=True)
class _Prompt:
    """A line that is typed: what for, and what becomes of it; the latter tells what is wrong."""

    question: str
    text: str
    take: Callable[[str], str]


class Panel(App[None]):
    """The panel.

    Args:
        bench: Takes requests and gives snapshots.
        heading: What stands at the top, such as the port.
        record: Name of the record.
        band: Band of sweeps and tunes to begin with, such as "100k:250k".
        parse_band: Reads such a band; raises `ValueError` in words.

    Attributes:
        fault: What failed inside the panel, if anything did.
    """

    AUTO_FOCUS = None
    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen { layout: vertical; overflow: hidden; }
    #title { height: 1; text-style: reverse; }
    #state { height: 1; margin-top: 1; }
    #setting { height: 2; }
    #reading { height: 4; margin-top: 1; }
    #plots { height: 1fr; min-height: 6; }
    #message { height: 2; padding: 0 1; }
    #prompt { height: 1; display: none; border: none; padding: 0 1; }
    #caution { height: 1; padding: 0 1; text-style: italic; }
    #keys { height: 2; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c,ctrl+q", "leave", "quit", priority=True),
        Binding("q", "leave", "quit"),
        Binding("space", "switch", "output"),
        Binding("right", "move(1, 0, False)", "frequency up"),
        Binding("left", "move(-1, 0, False)", "frequency down"),
        Binding("up", "move(0, 1, False)", "duty up"),
        Binding("down", "move(0, -1, False)", "duty down"),
        Binding("full_stop,shift+right", "move(1, 0, True)", "frequency up, coarse"),
        Binding("comma,shift+left", "move(-1, 0, True)", "frequency down, coarse"),
        Binding("pageup,shift+up", "move(0, 1, True)", "duty up, coarse"),
        Binding("pagedown,shift+down", "move(0, -1, True)", "duty down, coarse"),
        Binding("c", "ask('clear')", "clear trip"),
        Binding("r", "ask('peaks')", "peak hold anew"),
        Binding("x", "ask('stop')", "stop sweep or tune"),
        Binding("m", "mark", "mark"),
        Binding("s", "sweep", "sweep"),
        Binding("t", "tune", "tune"),
        Binding("p", "plot", "plot"),
        Binding("escape", "put_away", "leave the line"),
    ]

    def __init__(
        self,
        bench: PanelWork,
        heading: str,
        record: str,
        *,
        band: str = "100k:250k",
        parse_band: Callable[[str], tuple[float, float]],
    ) -> None:
        super().__init__()
        self._bench, self._heading, self._record = bench, heading, record
        self._band, self._parse_band = band, parse_band
        self._prompt: _Prompt | None = None
        self._shows_job = False
        self._job = ""
        self._drawn_s = 0.0
        self._fresh: tuple[object, float] = (None, time.monotonic())
        self._leaving = False
        self.fault: BaseException | None = None

    def compose(self) -> ComposeResult:
        for name in ("title", "state", "setting", "reading", "plots", "message"):
            yield Static(id=name, markup=False)
        yield Input(id="prompt", compact=True)
        yield Static(live_text.CAUTION, id="caution", markup=False)
        yield Static("\n".join(live_text.KEYS), id="keys", markup=False)

    def on_mount(self) -> None:
        with contextlib.suppress(Exception):
            self.theme = "ansi-dark"
        self.set_interval(_LOOK_S, self._look)
        self._look()

    # ---- keys --------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """While a line is typed, its keys are letters."""
        typing = self._prompt is not None
        return action in ("leave", "put_away") or not typing

    def action_move(self, frequency: int, duty: int, coarse: bool) -> None:
        """Steps of frequency or duty."""
        self._bench.post(LadderMove(frequency, duty, coarse))

    def action_switch(self) -> None:
        """The output on or off."""
        self._bench.post(requests.ToggleOutput(self._bench.snapshot.state is DriverState.OFF))

    def action_ask(self, what: str) -> None:
        """A request without further words."""
        plain: dict[str, requests.Request] = {
            "clear": requests.ClearTrip(),
            "peaks": requests.ResetPeaks(),
            "stop": requests.Stop(),
        }
        self._bench.post(plain[what])

    def action_mark(self) -> None:
        """Mark this moment, then ask for a note."""
        self._bench.post(requests.Mark())

        def take(text: str) -> str:
            self._bench.post(requests.Note(text))
            return ""

        self._ask(_Prompt("marked; note, then Enter (Esc: none)", "", take))

    def action_sweep(self) -> None:
        """Ask for the band of a sweep."""
        duty = f"{100 * self._bench.snapshot.rung.step.duty:.2f} %"
        self._ask_band(f"sweep at {duty}: band, Enter starts, Esc not", requests.StartSweep)

    def action_tune(self) -> None:
        """Ask for the band of a tune."""
        self._ask_band("tune: band, Enter starts, Esc not", requests.Tune)

    def _ask_band(
        self, question: str, request: Callable[[tuple[float, float]], requests.Request]
    ) -> None:
        def take(text: str) -> str:
            try:
                band_hz = self._parse_band(text)
            except ValueError as error:
                return str(error)
            self._band = text
            self._bench.post(request(band_hz))
            return ""

        if not self._bench.snapshot.busy:
            self._ask(_Prompt(question, self._band, take))

    def action_plot(self) -> None:
        """Trend, or the sweep or tune."""
        self._shows_job = not self._shows_job
        self._drawn_s = 0.0

    def action_leave(self) -> None:
        """End: the worker switches off first."""
        self._leaving = True
        self._bench.end()
        self._put("message", Text("switching off …", "bold"))

    # ---- the line that is typed --------------------------------------------------------------

    def _ask(self, prompt: _Prompt) -> None:
        self._prompt = prompt
        line = self.query_one("#prompt", Input)
        line.value = prompt.text
        line.display = True
        line.focus()
        line.cursor_position = len(prompt.text)
        self._look()

    def action_put_away(self) -> None:
        """Leave the line without taking it."""
        self._prompt = None
        line = self.query_one("#prompt", Input)
        line.display = False
        self.set_focus(None)
        self._look()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the line; where something is wrong with it, it stays."""
        if self._prompt is None:
            return
        wrong = self._prompt.take(event.value)
        if wrong:
            self._prompt = _Prompt(wrong, event.value, self._prompt.take)
            self._look()
            return
        self.action_put_away()

    # ---- showing -----------------------------------------------------------------------------

    def _look(self) -> None:
        self._bench.attend()
        snapshot = self._bench.snapshot
        if snapshot.ended:
            self.exit()
            return
        width, height = self.size
        if width < LEAST[0] or height < LEAST[1]:
            wanted = f"{LEAST[0]} x {LEAST[1]}, this is {width} x {height}"
            self._put("title", Text(f"coilwright live wants a terminal of {wanted}"))
        else:
            self._put("title", Text(self._heading_of(snapshot)))
        self._put("state", live_text.state_line(snapshot, self._stale_s(snapshot)))
        self._put("setting", live_text.setting_lines(snapshot))
        self._put("reading", live_text.reading_lines(snapshot))
        if not self._leaving:
            asked = self._prompt.question if self._prompt is not None else snapshot.message
            self._put("message", Text(asked, "bold" if self._prompt is not None else ""))
        self._draw(snapshot)

    def _heading_of(self, snapshot: Snapshot) -> str:
        kept = f"{self._record}  {snapshot.rows} rows, {snapshot.marks} marks "
        left = f" coilwright live  {self._heading}"
        room = max(0, self.size.width - len(kept) - 2)
        return f"{left[:room]:<{room}}  {kept}"

    def _stale_s(self, snapshot: Snapshot) -> float:
        now_s = time.monotonic()
        if snapshot.point is not self._fresh[0]:
            self._fresh = (snapshot.point, now_s)
        return now_s - self._fresh[1]

    def _draw(self, snapshot: Snapshot) -> None:
        """The plots, which cost more than the rest: twice a second."""
        job = "" if snapshot.job is None else snapshot.job.name
        if job != self._job:
            self._job, self._shows_job = job, True
        now_s = time.monotonic()
        if now_s - self._drawn_s < _PLOT_S:
            return
        place = self.query_one("#plots", Static)
        width, height = place.size
        if width >= 48 and height >= 6:
            self._drawn_s = now_s
            drawn = live_text.plots(snapshot, now_s, width, height, job=self._shows_job)
            place.update(drawn)

    def _put(self, name: str, content: Text) -> None:
        self.query_one(f"#{name}", Static).update(cleaned(content))

    # ---- failing -----------------------------------------------------------------------------

    def _handle_exception(self, error: Exception) -> None:
        """A fault of the panel ends it; the command tells it in a sentence."""
        self.fault = self.fault or error
        self._bench.end(f"{type(error).__name__}: {error}")
        self.exit(return_code=1)

    def panic(self, *renderables: object) -> None:
        """The terminal is gone, or textual gave up: no traceback on the screen."""
        self.fault = self.fault or OSError("the terminal is gone")
        self._bench.end("the terminal is gone")
        self.exit(return_code=1)
