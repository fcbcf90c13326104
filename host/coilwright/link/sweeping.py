"""Running a sweep on the driver and fetching every point exactly once, in order."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from coilwright.errors import LinkLost, NoAnswer, Refused, Restarted
from coilwright.link import replies
from coilwright.link.facts import RingState, TraceState
from coilwright.link.framing import MOST_BLOCK_POINTS, Block, points_of
from coilwright.link.plans import (
    MOST_LIST_POINTS,
    FrequencySweep,
    PointList,
    SweepPlan,
    hertz_of,
    list_checksum,
    percent_text,
    ppm_of,
)
from coilwright.link.session import TAIL, Disturbed, Register, Session, joined
from coilwright.link.transport import LONGEST_LINE
from coilwright.point import Point, Setpoint

DUTY_TOLERANCE = 1.01e-4
"""Per cent; one step of the last decimal the driver knows."""

_SHORTEST_PAUSE_S = 0.002
_LONGEST_PAUSE_S = 0.15
_APPENDS = 20
_HOPELESS = 6
_ENDED = {TraceState.DONE, TraceState.ABORT, TraceState.TRIP}


@dataclass(frozen=True, slots=True)
class Pacing:
    """What the polling needs to know.

    Attributes:
        settle_s: Settling time of a point.
        averages: Conversions a reading.
        host_timeout_s: Time without a line after which the driver switches off.
        stall_s: Time without a new point after which the sweep is given up.
        point_s: Time a point took at least in sweeps before; 0 where there was none.
    """

    settle_s: float
    averages: int
    host_timeout_s: float
    stall_s: float
    point_s: float = 0.0


def settings_of(plan: SweepPlan) -> list[Register]:
    """Settings that make the driver run this sweep at the next INITiate; a list's points aside."""
    if isinstance(plan, PointList):
        return [Register("FREQ:MODE", "LIST", None)]
    points = Register("SWE:POIN", str(plan.points))
    if isinstance(plan, FrequencySweep):
        return [
            Register("FREQ:STAR", str(hertz_of(plan.start_hz))),
            Register("FREQ:STOP", str(hertz_of(plan.stop_hz))),
            points,
            Register("FREQ:MODE", "SWE", None),
            Register("PULS:DCYC:MODE", "FIX", None),
        ]
    return [
        Register("PULS:DCYC:STAR", percent_text(ppm_of(plan.start)), DUTY_TOLERANCE),
        Register("PULS:DCYC:STOP", percent_text(ppm_of(plan.stop)), DUTY_TOLERANCE),
        points,
        Register("FREQ:MODE", "CW", None),
        Register("PULS:DCYC:MODE", "SWE", None),
    ]


def pieces_of(plan: SweepPlan) -> list[SweepPlan]:
    """The plan itself, or a long list cut into pieces the driver's list can hold."""
    if not isinstance(plan, PointList):
        return [plan]
    return [
        PointList(plan.wanted[at : at + MOST_LIST_POINTS])
        for at in range(0, len(plan.wanted), MOST_LIST_POINTS)
    ]


def append_lines(
    setpoints: Sequence[Setpoint], most: int = LONGEST_LINE
) -> Iterator[tuple[str, int]]:
    """`LIST:APPend` commands that fit into a line with its queries, and the points in each."""
    room = most - len(";:LIST:POIN?" + TAIL)
    text, count = "", 0
    for point in setpoints:
        pair = f"{point.frequency_hz},{percent_text(ppm_of(point.duty))}"
        if text and len(text) + len(pair) + 1 > room:
            yield text, count
            text, count = "", 0
        text = f"{text},{pair}" if text else f"LIST:APP {pair}"
        count += 1
    if text:
        yield text, count


def load_at_once(
    session: Session, settings: Sequence[Register], setpoints: Sequence[Setpoint]
) -> RingState | None:
    """Fill a short list in a single line, with everything that proves it; the recording's state.

    A tune asks for a few points at a time: then every line counts. The line may be sent again,
    since it empties the list first.

    Args:
        session: Exchanges with the driver.
        settings: What has to be in force, with the output on already: read back, not written.
        setpoints: The list.

    Returns:
        None where the list does not fit into a line, a setting is not in force, or the list did
        not arrive whole: then nothing has been started, and the longer way is to be taken.

    Raises:
        Refused, OutOfRange: The driver does not want one of the points.
    """
    lists = [text for text, _ in append_lines(setpoints)]
    (mode,) = settings_of(PointList(tuple(setpoints)))
    checked = [*settings, mode]
    parts = [mode.command, "LIST:CLE", *lists, *(setting.query for setting in checked)]
    parts += ["LIST:CHEC?", "TRAC:STAT?"]
    if len(lists) != 1 or len(joined(parts) + TAIL) > session.transport.room:
        return None

    def parse(texts: list[str]) -> RingState | None:
        agree = all(s.agrees(t) for s, t in zip(checked, texts[:-2], strict=True))
        whole = agree and replies.number(texts[-2]) == list_checksum(setpoints)
        return replies.trace(texts[-1]) if whole else None

    try:
        return session.read(parts, lambda texts: (parse(texts),))[0]
    except (NoAnswer, Disturbed):
        return None


def load_list(session: Session, setpoints: Sequence[Setpoint], tries: int = 5) -> None:
    """Fill the driver's list and prove by its checksum that it arrived whole.

    Raises:
        NoAnswer: It did not, in spite of all tries.
        Refused, OutOfRange: The driver does not want one of the points.
    """
    wanted = list_checksum(setpoints)
    for _ in range(tries):
        if _try_list(session, setpoints) and session.number("LIST:CHEC?") == wanted:
            return
    raise NoAnswer(
        f"The list of {len(setpoints)} points did not arrive whole in {tries} tries.",
        "Check cable and baud rate; something disturbs the line.",
    )


def _try_list(session: Session, setpoints: Sequence[Setpoint]) -> bool:
    """Send the list once; False where it is not known how much of it is there."""
    session.exchange(["LIST:CLE"])
    loaded = 0
    for text, count in append_lines(setpoints, session.transport.room):
        if not _append(session, text, loaded, loaded + count):
            return False
        loaded += count
    return True


def _append(session: Session, text: str, before: int, after: int) -> bool:
    """Append to the list, but never twice: the number of points tells whether it is there."""
    for _ in range(_APPENDS):
        try:
            (held,) = session.exchange([text, "LIST:POIN?"], again=0)
        except (NoAnswer, Disturbed):
            (held,) = session.exchange(["LIST:POIN?"])
        if held != str(before):
            return held == str(after)
    return False


def start(session: Session, before: RingState | None = None) -> int:
    """Start the sweep that is set up and return its number; never starts it twice.

    Args:
        session: Exchanges with the driver.
        before: State of the recording, where it has just been asked for.

    Raises:
        Refused, Tripped: The driver does not start it.
        NoAnswer: The link fails.
    """
    if before is None:
        before = state(session)
    for attempt in range(3):
        try:
            begun = session.read(
                ["INIT", "TRAC:STAT?"], lambda texts: replies.trace(texts[0]), again=0
            )
            return begun.sweep
        except (NoAnswer, Disturbed):
            now = state(session)
            if now.sweep != before.sweep and now.state is not TraceState.IDLE:
                return now.sweep
            if attempt == 2:
                raise
    raise AssertionError("unreachable")


def state(session: Session) -> RingState:
    """State of the driver's recording."""
    return session.look("TRAC:STAT?", replies.trace)


class Drain:
    """Fetches the points of one running sweep.

    Args:
        session: Exchanges with the driver.
        sweep: Number of the sweep, from `start`.
        setpoints: What was asked for, by index.
        pacing: What the polling needs to know.
        since: Turns the driver's wrapping milliseconds into seconds.
        offset: Index of the first point in the whole plan, for messages.
    """

    def __init__(
        self,
        session: Session,
        sweep: int,
        setpoints: list[Setpoint],
        pacing: Pacing,
        since: Callable[[int], float],
        offset: int = 0,
    ) -> None:
        self._session = session
        self._sweep = sweep
        self._setpoints = setpoints
        self._pacing = pacing
        self._since = since
        self._offset = offset
        self._got = 0
        self._ask_for = MOST_BLOCK_POINTS
        self._failures = self._successes = 0
        self._progress_s = time.monotonic()
        self._times: list[float] = []

    @property
    def point_s(self) -> float:
        """Time from point to point by the driver's clock, on average; 0 with fewer than two."""
        count = len(self._times) - 1
        return (self._times[-1] - self._times[0]) / count if count > 0 else 0.0

    def points(self) -> Iterator[Point]:
        """Every point once, in order, until the sweep has ended.

        Raises:
            Tripped: The driver tripped; what it recorded has been yielded.
            LinkLost: The driver restarted or went away; names the first missing point.
            Refused: The sweep was ended from elsewhere.
        """
        time.sleep(self._soonest())
        while True:
            block = self._fetch()
            if block is None:
                self._after_failure()
                continue
            yield from self._take(block)
            if self._ended(block):
                return
            if self._got >= block.next:
                time.sleep(self._pause())

    def _soonest(self) -> float:
        """Time before which asking brings nothing, or not enough to be worth the asking."""
        if not self._pacing.point_s:
            return 0.0
        whole = self._pacing.point_s * len(self._setpoints)
        return min(whole, _LONGEST_PAUSE_S, self._pacing.host_timeout_s / 4)

    def _fetch(self) -> Block | None:
        # The sum guards the release of points against a bit that turned on the way.
        query = f"TRAC:DATA? {self._got},{self._ask_for},{self._got + self._ask_for}"
        return self._session.transport.ask_block(query, self._fits)

    def _fits(self, block: Block) -> bool:
        """Whether a block is the answer to what was asked now: not a late one, and of this plan."""
        if block.sweep == self._sweep and block.next > len(self._setpoints):
            return False
        return block.count == 0 or block.first == self._got

    def _take(self, block: Block) -> Iterator[Point]:
        if block.state is TraceState.IDLE or block.sweep != self._sweep:
            raise self._restarted()
        self._failures = 0
        self._successes += 1
        if self._successes % 2 == 0:  # more at once only after two that went well
            self._ask_for = min(MOST_BLOCK_POINTS, 2 * self._ask_for)
        if block.count and self._got + block.count <= len(self._setpoints):
            self._got += block.count
            self._progress_s = time.monotonic()
            for point in points_of(block, self._setpoints, self._pacing.averages, self._since):
                self._times.append(point.time_s)
                yield point
        self._check_progress()

    def _ended(self, block: Block) -> bool:
        if block.state not in _ENDED or self._got < block.next:
            return False
        if block.state is TraceState.TRIP:
            cause = self._session.look("OUTP:PROT:CAUS?", replies.trip)
            self._session.forget_errors()
            raise replies.tripped(cause)
        if self._got < len(self._setpoints):
            raise Refused(
                f"The sweep ended before point {self._offset + self._got} "
                f"of {self._offset + len(self._setpoints)}.",
                "Something aborted it at the driver; start it again.",
            )
        return True

    def _pause(self) -> float:
        """Time to let pass before asking again: many points a trip, yet never late at the end.

        By the driver's own clock, so that a line or a bench that is slow once does not slow what
        follows.
        """
        point_s = self.point_s or max(self._pacing.settle_s, self._pacing.point_s)
        left = len(self._setpoints) - self._got
        pause = point_s * max(1, min(left, MOST_BLOCK_POINTS // 2))
        return min(max(pause, _SHORTEST_PAUSE_S), _LONGEST_PAUSE_S, self._pacing.host_timeout_s / 4)

    def _after_failure(self) -> None:
        """A block got lost or damaged: ask for less, and look now and then whether it is there."""
        self._failures += 1
        self._successes = 0
        # Two at a time pass a bad line sooner than one, until that is too much as well.
        least = 1 if self._failures > _HOPELESS else 2
        self._ask_for = max(least, self._ask_for // 2)
        self._check_progress()
        if self._failures % 4:
            return
        self._session.transport.be_patient()
        try:
            now = state(self._session)
        except Restarted as error:
            raise self._restarted() from error
        except NoAnswer as error:
            raise LinkLost(
                f"The driver fell silent; point {self._missing()} is the first one missing.",
                error.hint,
            ) from error
        if now.state is TraceState.IDLE or now.sweep != self._sweep:
            raise self._restarted()
        if now.first_held > self._got:
            # A request that arrived with another first index has released them.
            raise LinkLost(
                f"The points {self._missing()} to {self._offset + now.first_held - 1} got lost "
                "on a disturbed line.",
                "Check cable and baud rate, then run the sweep again.",
            )

    def _check_progress(self) -> None:
        pacing = self._pacing
        patience = pacing.stall_s + 2 * (pacing.settle_s + 0.02 * pacing.averages)
        if time.monotonic() - self._progress_s > patience:
            raise LinkLost(
                f"No new point came for {patience:.0f} s; "
                f"point {self._missing()} is the first one missing.",
                "Check cable and board, then run the sweep again.",
            )

    def _missing(self) -> int:
        return self._offset + self._got

    def _restarted(self) -> Restarted:
        return Restarted(
            f"The driver started anew in mid-sweep; point {self._missing()} is the first one "
            "missing.",
            "Its output is off now. Check its supply, then run the sweep again.",
        )
