"""The driver as an object: what it is, what it does, and how it is left behind safely."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from coilwright.errors import (
    DriverError,
    HostLost,
    LinkError,
    LinkLost,
    NoAnswer,
    PortError,
    Refused,
    Restarted,
)
from coilwright.link import handshake, reconnecting, replies, sweeping, tracking
from coilwright.link.facts import (
    CLOCK_WRAP_MS,
    Board,
    DriverMessage,
    DriverState,
    Identity,
    Limits,
    SelfCheck,
    Trip,
)
from coilwright.link.kept_settings import KeptSettings
from coilwright.link.opening import open_port
from coilwright.link.plans import (
    FrequencySweep,
    PointList,
    SweepPlan,
    frequency_sweep,
    hertz_of,
    percent_text,
    ppm_of,
)
from coilwright.link.session import Disturbed, Register, Session
from coilwright.link.timeouts import Timeouts
from coilwright.link.transport import ALIVE, Transport
from coilwright.point import USUAL_POINTS, Point, Setpoint
from coilwright.rest import without_zero

_FREQUENCY_TOLERANCE = 0.01
"""Achieved over requested; the coarsest step of a chip is below 1 % (1 MHz on an RP2)."""
_DUTY_TOLERANCE_PERCENT = 2.0
"""The coarsest step of duty is 1/64 (1 MHz on an ESP32)."""
_RAMP_LIMIT_S = 4.0
"""Longest soft start is 2 s."""
_PATIENCE_S = 20.0
"""Longest wait for the end of a ramp: a simulated bench's clock falls behind on a busy machine."""
_POLL_S = 0.01
_MOST_RETURNS = 20
_VAIN_RETURNS = 3
"""A sweep is taken up again so often altogether, and so often without a new point in between."""


@dataclass(frozen=True, slots=True)
class Status:
    """A snapshot of the driver in SI units; frequency and duty are the achieved ones."""

    state: DriverState
    frequency_hz: float
    duty: float
    trip: Trip
    limits: Limits
    averages: int
    settle_s: float
    settings: str
    free_memory_bytes: int


@dataclass(frozen=True, slots=True)
class Return:
    """A driver that was lost and answers again: whether it started anew, and what it does."""

    anew: bool
    state: DriverState


def _averages_setting(count: int) -> Register:
    return Register("SENS:AVER:COUN", str(count))


def _settle_setting(settle_s: float) -> Register:
    return Register("SWE:DWEL", f"{settle_s:.6f}", 1e-3)


class Driver(KeptSettings):
    """A coilwright driver at the end of a line.

    Use it as a context manager: when an exception (Ctrl-C too) leaves the block, the sweep is
    aborted, the output switched off, and a query confirms it before the port is closed. Make one
    with `Driver.open`.

    Attributes:
        identity: Who answered.
        board: Chip, PWM clock, gate pin and sensor.
        startup_errors: What stood in the driver's error queue when it was opened.
        output_confirmed_off: After leaving by an exception: whether the driver confirmed it.
        on_interruption: Called with a sentence when a sweep was interrupted and goes on.
        zero_a: What is taken off the supply current of every point: what its sensor shows with the
            output off, where somebody has read that (`procedures.session.read_rest`).
    """

    def __init__(self, transport: Transport, home: reconnecting.Home | None = None) -> None:
        self._transport = transport
        self._home = home
        self._log = transport.log
        self._session = Session(transport)
        self._on = False
        self.on_interruption: Callable[[str], None] = lambda sentence: None
        self._requested: Setpoint | None = None
        self._own: Setpoint | None = None  # what a base stands in for
        self._clock_turns = 0
        self._clock_ms = 0
        self._paced = (0.0, 0)
        self._point_s = 0.0
        self.zero_a = 0.0
        self.output_confirmed_off = False
        self._safe_after: BaseException | None = None
        handshake.identify(transport)
        handshake.check_protocol(transport)
        self._session.leave_mark()
        self.identity: Identity = self._session.look("*IDN?", replies.identity)
        self.board: Board = self._session.look("SYST:BOAR?", replies.board)
        self.startup_errors: tuple[DriverMessage, ...] = self._session.errors()
        count, self._settle_s, self._host_timeout_s, check = self._session.numbers(
            ["SENS:AVER:COUN?", "SWE:DWEL?", "SYST:HOST:TIM?", "SYST:SETT:CHEC?"]
        )
        self._averages = round(count)
        self._known_settings = round(check)

    @classmethod
    def open(cls, url: str, timeouts: Timeouts | None = None, log: Path | None = None) -> Driver:
        """Open a port, wait until the board is quiet, and make sure it is a driver of ours.

        Args:
            url: pyserial URL: device name, `socket://`, `rfc2217://` or `sim://`.
            timeouts: Deadlines of the link.
            log: File to which the last lines are appended when a conversation fails.

        Raises:
            PortError: The port cannot be opened.
            NoAnswer, NotOurDriver, WrongFirmware: There is no driver this host can talk to.
        """
        transport = Transport(open_port(url), timeouts, name=url, log=log)
        try:
            return cls(transport, reconnecting.home_of(url))
        except BaseException as error:
            transport.write_log(error)
            transport.close()
            raise

    # ---- coming and going --------------------------------------------------------------------

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.close()
            return
        try:
            if isinstance(error, LinkError):
                self._transport.write_log(error)
            if self._safe_after is not error:
                self.make_safe()
            if not self.output_confirmed_off:
                error.add_note(
                    "The driver did not confirm that its output is off: switch its supply off."
                )
        finally:
            self._transport.close()

    def close(self) -> None:
        """Let go of the port and leave the driver as it is.

        With its output on, it will switch off after the host-lost time.
        """
        self._transport.close()

    def make_safe(self) -> bool:
        """Abort the sweep, switch the output off, ask whether it is off, and end a tracking.

        Never raises a link failure: there may be no link left.

        Returns:
            Whether the driver confirmed it.
        """
        self.output_confirmed_off = False
        try:
            # Bare, and a line feed first: it acts at once, whatever hangs in the driver's buffer.
            self._transport.send("\nABOR;:OUTP OFF")
            state = self._transport.query("ABOR;:OUTP OFF;:OUTP:COND?", DriverState)
            if state is not DriverState.OFF:
                state = self._settled(DriverState.OFF)
        except LinkError:
            return False
        self.output_confirmed_off = state in (DriverState.OFF, DriverState.TRIPPED)
        self._given_back()
        with contextlib.suppress(LinkError, DriverError):
            self.end_tracking()  # switched off, it would only wait, and refuse every sweep
        return self.output_confirmed_off

    @contextlib.contextmanager
    def safe_first(self) -> Iterator[None]:
        """Make the driver safe as soon as an exception leaves the block.

        To be the innermost block where a display is used: a terminal that is stopped (Ctrl-S), or
        a pipe that nobody reads, holds up the end of a display for as long as it likes.
        """
        try:
            yield
        except BaseException as error:
            self.make_safe()
            self._safe_after = error
            raise

    @contextlib.contextmanager
    def waiting(
        self, limit_s: float = math.inf, on_limit: Callable[[], None] = lambda: None
    ) -> Iterator[None]:
        """Keep the output on while a person is asked something.

        The driver switches off when it hears nothing for the host-lost time. Inside this block a
        thread sends a harmless line often enough. Keep it short: it defeats that protection.

        Args:
            limit_s: Time after which the output goes off all the same.
            on_limit: Told then, in that thread.
        """
        stop = threading.Event()
        end = time.monotonic() + limit_s

        def tell() -> None:
            while not stop.wait(min(self._host_timeout_s / 4, max(end - time.monotonic(), 0.0))):
                try:
                    if time.monotonic() >= end:
                        self.output(False)
                        on_limit()
                        return
                    self._transport.send(ALIVE)
                except (LinkError, DriverError):
                    return

        teller = threading.Thread(target=tell, name="coilwright-waiting", daemon=True)
        teller.start()
        try:
            yield
        finally:
            stop.set()
            teller.join()

    def ask_bench(self, request: Mapping[str, Any]) -> dict[str, Any] | None:
        """Have the simulated bench of a `sim://` port change; None where the port is another.

        Args:
            request: As in `coilwright.bench.control`.

        Raises:
            PortError: The bench has ended.
        """
        ask = getattr(self._transport.port, "ask_bench", None)
        return None if ask is None else dict(ask(request))

    def transcript(self) -> str:
        """The last 200 lines of the conversation."""
        return self._transport.transcript()

    # ---- the setpoint ------------------------------------------------------------------------

    def set_frequency(self, frequency_hz: float) -> float:
        """Set the frequency; it takes effect at once where the output is on.

        Args:
            frequency_hz: Frequency, rounded to whole hertz.

        Returns:
            The achieved frequency in hertz.

        Raises:
            OutOfRange: Outside the driver's limits.
        """
        hertz = hertz_of(frequency_hz)
        answer = self._set_and_read("FREQ", str(hertz), _FREQUENCY_TOLERANCE * hertz)
        self._requested, self._own = Setpoint(hertz, self.wanted().duty), None
        return answer

    def set_duty(self, duty: float) -> float:
        """Set the duty; it takes effect at once where the output is on.

        Args:
            duty: Fraction of the period.

        Returns:
            The achieved duty, a fraction.

        Raises:
            OutOfRange: Above the cap.
        """
        ppm = ppm_of(duty)
        answer = self._set_and_read("PULS:DCYC", percent_text(ppm), _DUTY_TOLERANCE_PERCENT)
        self._requested, self._own = Setpoint(self.wanted().frequency_hz, ppm / 1e6), None
        return answer / 100

    def set_base(self, base: Setpoint) -> None:
        """Set frequency and duty for what sweeps; the setting from before comes back after it.

        The driver itself returns to that one as soon as its output goes off, whether because it is
        asked to, because it trips, or because this host is gone. A setting made with
        `set_frequency`, `set_duty` or `recall` meanwhile is the one that stays.

        Raises:
            OutOfRange: Outside the driver's limits.
        """
        own = self._own or self.wanted()
        hertz, ppm = base.frequency_hz, ppm_of(base.duty)
        try:
            line = [f"SWE:BASE {hertz},{percent_text(ppm)}", "FREQ?", "PULS:DCYC?"]
            frequency, percent = self._session.numbers(line)
        except Disturbed:  # a firmware that knows no base stays where the sweep began
            self.set_frequency(hertz)
            self.set_duty(base.duty)
            return
        self._own, self._requested = own, Setpoint(hertz, ppm / 1e6)
        self._check_held(frequency, percent / 100)

    def _given_back(self) -> None:
        """The output is off: the driver holds again what a base stood in for."""
        if self._own is not None:
            self._requested, self._own = self._own, None

    def _set(self, wanted: Setpoint) -> None:
        self.set_frequency(wanted.frequency_hz)
        self.set_duty(wanted.duty)

    def _set_and_read(self, header: str, value: str, tolerance: float) -> float:
        setting = Register(header, value, tolerance)
        for _ in range(3):
            (achieved,) = self._session.numbers([setting.command, setting.query])
            if abs(achieved - float(value)) <= tolerance:
                return achieved
        raise Refused(
            f"The driver did not take {setting.command!r}: it answers {achieved:g}.",
            "See `coilwright status` for its limits.",
        )

    def setpoint(self) -> tuple[float, float]:
        """Achieved frequency in hertz and achieved duty as a fraction."""
        frequency, percent = self._session.numbers(["FREQ?", "PULS:DCYC?"])
        return frequency, percent / 100

    def wanted(self) -> Setpoint:
        """What was asked for last; where this host has not asked yet, what is set."""
        if self._requested is None:
            frequency, duty = self.setpoint()
            self._requested = Setpoint(round(frequency), duty)
        return self._requested

    # ---- the output --------------------------------------------------------------------------

    def output(self, on: bool) -> None:
        """Switch the output on (soft start) or off (soft stop) and wait until it is.

        Before switching on, frequency and duty are read back: what arrived damaged never drives a
        coil.

        Raises:
            Refused: The driver does not switch, or holds another setpoint than was asked for.
            Tripped: It tripped.
        """
        self._on = False
        if not on:
            self._session.exchange(["OUTP OFF"])
            self._given_back()
            self._require(DriverState.OFF, DriverState.TRIPPED)
            return
        self._check_held(*self.setpoint())
        self._session.exchange(["OUTP ON"])
        self._require(DriverState.ON)
        self._on = True

    def _check_held(self, frequency: float, duty: float) -> None:
        wanted = self.wanted()
        off_hz = abs(frequency - wanted.frequency_hz)
        off_percent = 100 * abs(duty - wanted.duty)
        if (
            off_hz > _FREQUENCY_TOLERANCE * wanted.frequency_hz
            or off_percent > _DUTY_TOLERANCE_PERCENT
        ):
            raise Refused(
                f"The driver holds {frequency:.0f} Hz at {100 * duty:.2f} % where "
                f"{wanted.frequency_hz} Hz at {100 * wanted.duty:.2f} % was asked for.",
                "Set both again; see `coilwright status` for its limits.",
            )

    def _require(self, *wanted: DriverState) -> None:
        state = self._settled(*wanted)
        if state in wanted:
            return
        if state is DriverState.TRIPPED:
            cause = self.trip()
            self._session.forget_errors()
            raise replies.tripped(cause)
        raise Refused(
            f"The output is {state.value} where it should be {wanted[0].value}.",
            "See `coilwright status`.",
        )

    def _settled(self, *wanted: DriverState) -> DriverState:
        """Wait for one of the states, a trip, or the longest ramp; return the last state seen."""
        deadline = time.monotonic() + _PATIENCE_S
        while True:
            state = self.condition()
            done = state in wanted or state is DriverState.TRIPPED
            if done or time.monotonic() > deadline:
                return state
            time.sleep(_POLL_S)

    def condition(self) -> DriverState:
        """State of the output."""
        return self._session.look("OUTP:COND?", DriverState)

    def trip(self) -> Trip:
        """Why the driver switched itself off; number 0 where it did not."""
        return self._session.look("OUTP:PROT:CAUS?", replies.trip)

    def clear_trip(self) -> None:
        """Acknowledge a trip; the output stays off.

        Raises:
            Refused: The driver stays tripped.
        """
        self._session.look("OUTP:PROT:CLE;:SYST:ERR:ALL?", replies.messages)
        if self.condition() is DriverState.TRIPPED:
            raise Refused(
                f"The trip does not clear: {self.trip().text}.", "Its cause is still there."
            )

    def take_over(self) -> None:
        """End what a host that died has left running; a trip for that reason alone is cleared."""
        self.make_safe()
        if self.condition() is DriverState.TRIPPED and self.trip().number == replies.HOST_LOST:
            self.clear_trip()

    def self_check(self) -> SelfCheck:
        """Let the driver check its sensors, at rest and in a short burst at a small duty.

        Raises:
            Refused: The output is on or tripped, or the firmware has no self-check.
        """
        wait_s = self._transport.timeouts.reply_s + _RAMP_LIMIT_S
        return self._session.read(
            ["DIAG:CHEC?"], lambda texts: replies.self_check(texts[0]), wait_s=wait_s
        )

    # ---- measuring ---------------------------------------------------------------------------

    def measure(self) -> Point:
        """Measure one point at the present setpoint, whatever the output does."""
        wanted = self.wanted()
        wait_s = self._transport.timeouts.reply_s + self._settle_s + 0.02 * self._averages
        point = self._session.read(
            ["MEAS?"], lambda texts: replies.point(texts[0], wanted, self._averages), wait_s=wait_s
        )
        return without_zero(point, self.zero_a)

    @property
    def averages(self) -> int:
        """Conversions averaged per reading, 1 to 1024."""
        return self._averages

    def set_averages(self, count: int) -> None:
        """Set the conversions averaged per reading.

        Raises:
            OutOfRange: Not 1 to 1024.
        """
        self._session.apply([_averages_setting(count)])
        self._averages = count

    @property
    def settle_s(self) -> float:
        """Settling time before the first conversion of a point, in seconds."""
        return self._settle_s

    def set_settle(self, settle_s: float) -> None:
        """Set the settling time before the first conversion of a point.

        Raises:
            OutOfRange: Not 0 to 1 s.
        """
        self._session.apply([_settle_setting(settle_s)])
        self._settle_s = settle_s

    @contextlib.contextmanager
    def ramping(self, ramp_s: float) -> Iterator[None]:
        """Soft start and soft stop in another time, from 0 to the duty cap, and as before after.

        Every change of frequency by more than 2 % goes through duty 0 and this ramp.

        Raises:
            OutOfRange: Not 0 to 2 s.
        """
        before = self._session.number("OUTP:RAMP?")
        self._session.apply([Register("OUTP:RAMP", f"{ramp_s:.6f}", 1e-3)])
        try:
            yield
        finally:
            with contextlib.suppress(LinkError):
                self._session.apply([Register("OUTP:RAMP", f"{before:.6f}", 1e-3)])

    def sweep(
        self,
        plan: SweepPlan | float,
        stop_hz: float | None = None,
        duty: float | None = None,
        *,
        points: int = USUAL_POINTS,
        settle_s: float | None = None,
        averages: int | None = None,
        first: int = 0,
    ) -> Iterator[Point]:
        """Run a sweep on the driver; yields each point exactly once, in order, as it comes.

        Where the line breaks off or the driver starts anew, it is waited for, and the sweep goes on
        at the first missing point; `on_interruption` is told.

        Switches the output on for the sweep and off afterwards, unless it is on already. The
        setting from before comes back at its end. Closing the iterator early aborts the sweep.

        Args:
            plan: What to measure; or the first frequency, as `sweep(140e3, 200e3, duty=0.2)`. This
                keeps no record: `coilwright.sweep` does.
            stop_hz, duty, points: Of such a frequency sweep, as it is asked for.
            settle_s: Settling time of a point; as it is if not given.
            averages: Conversions a reading; as it is if not given.
            first: Index of the first point to measure; those before it are left out.

        Raises:
            TypeError: A first frequency without a last one and a duty.
            OutOfRange, Refused: The driver does not accept the plan.
            Tripped: It tripped; what it recorded before has been yielded.
            LinkLost: It went away for good; the message names the first missing point.
            Restarted: It started anew and cannot go on, or does so again and again.
        """
        plan = frequency_sweep(plan, stop_hz, duty, points)
        setpoints = plan.setpoints()  # a plan that cannot be fails here, not at the first point
        return self._run(plan, setpoints, settle_s, averages, first)

    def measure_points(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """Measure setpoints in order with the settings in force; a `Measure` for tuning."""
        return list(self.sweep(PointList(tuple(setpoints)))) if setpoints else []

    def _run(
        self,
        plan: SweepPlan,
        setpoints: list[Setpoint],
        settle_s: float | None,
        averages: int | None,
        first: int,
    ) -> Iterator[Point]:
        if not setpoints[first:]:
            return
        self._settle_s = self._settle_s if settle_s is None else settle_s
        self._averages = self._averages if averages is None else averages
        was_on, done, returns, vain = self._on, first, 0, 0
        held = (self.wanted(), self._own) if was_on else None
        trouble: LinkError | HostLost | None = None
        try:
            while True:
                try:
                    if trouble is not None:
                        self._prepare(trouble, was_on, done)
                        trouble = None
                    was_on = self._may_sweep() or was_on
                    for point in self._from(plan, setpoints, done, was_on):
                        yield without_zero(point, self.zero_a)
                        done, vain = point.index + 1, 0
                    return
                except (LinkLost, NoAnswer, HostLost, Refused) as failure:
                    error = self._behind(failure)
                    returns, vain = returns + 1, vain + 1
                    if returns > _MOST_RETURNS or vain > _VAIN_RETURNS:
                        raise error from None
                    if not self._comes_back(error):
                        raise error from None
                    trouble = error
        finally:
            if not was_on:
                self._off_after_sweep()
            elif held is not None and held[0] != self._requested:
                with contextlib.suppress(LinkError, DriverError):
                    if held[1] is None:
                        self._set(held[0])
                    else:
                        self.set_base(held[0])

    def _behind(self, failure: LinkError | HostLost | Refused) -> LinkError | HostLost:
        """The failure, or the lost host behind a refusal: a bad line may have lost its first word.

        Raises:
            Refused: Nothing is behind it.
            Tripped: The driver tripped for another reason.
        """
        if not isinstance(failure, Refused):
            return failure
        with contextlib.suppress(LinkError):
            if self.condition() is DriverState.TRIPPED:
                cause = replies.tripped(self.trip())
                if isinstance(cause, HostLost):
                    return cause
                raise cause from failure
        raise failure

    def _from(
        self, plan: SweepPlan, setpoints: list[Setpoint], first: int, was_on: bool
    ) -> Iterator[Point]:
        """The points of a plan from one on."""
        if first:
            plan = PointList(tuple(setpoints[first:]))
        self._base(plan, setpoints[first], was_on)
        offset, on = first, was_on
        for piece in sweeping.pieces_of(plan):
            count = len(piece.wanted) if isinstance(piece, PointList) else len(setpoints)
            for point in self._piece(piece, setpoints[offset : offset + count], offset, was_on, on):
                yield replace(point, index=offset + point.index) if offset else point
            offset, on = offset + count, True

    # ---- coming back to a driver that was lost in a sweep ------------------------------------

    def rejoin(self, trouble: LinkError) -> Return:
        """Talk again to a driver that was lost while no sweep ran, over its old port or a new one.

        One that started anew bears this host's mark again; its setting, its output and a trip
        because of the lost host stay as they are.

        Raises:
            LinkError: `trouble`, where it does not answer within `timeouts.reconnect_s`; or
                another program has set it up.
            Tripped: It tripped for another reason than the lost host.
        """
        if not self._comes_back(trouble):
            raise trouble
        anew = self._has_forgotten()
        state = self._settled(DriverState.ON, DriverState.OFF)
        self._session.forget_errors()
        if state is DriverState.TRIPPED:
            cause = self.trip()
            if cause.number != replies.HOST_LOST:
                raise replies.tripped(cause)
        self._on = state is DriverState.ON
        return Return(anew, state)

    def _comes_back(self, error: LinkError | HostLost) -> bool:
        """Whether the driver answers again within the time; a note to the failure tells if not."""
        if not self.timeouts.reconnect_s:
            return False
        try:
            self._come_back()
        except (LinkError, PortError) as problem:
            error.add_note(f"The driver was looked for again, in vain: {problem.message}")
            return False
        return True

    def _come_back(self) -> None:
        """Talk again over the port that is open, or over one that has to be found."""
        if not self._transport.broken:
            try:
                found = handshake.identify(self._transport)
                return reconnecting.check_same(found, self.identity, self._transport.name)
            except LinkError:
                if self._home is None:
                    raise
        if self._home is None:
            raise LinkLost(f"The port {self._transport.name} cannot be opened again.")
        self._transport.close()
        self._transport = reconnecting.find_again(
            self._home, self.identity, self.timeouts, self._log
        )
        self._session.transport = self._transport
        return None

    def _prepare(self, trouble: LinkError | HostLost, was_on: bool, missing: int) -> None:
        """Bring a driver that came back into the state in which the sweep can go on.

        Raises:
            Refused: It has lost settings that were never stored.
            Tripped: It tripped for another reason than the lost host.
            LinkError: The link fails again.
        """
        anew = self._has_forgotten()
        if anew:
            self._session.forget_errors()
            self._check_settings(missing)
            self._session.apply([self._host_timeout_setting(self._host_timeout_s)])
        else:
            self._transport.query("ABOR", str)
        self._session.forget_errors()
        if self.condition() is DriverState.TRIPPED:
            cause = self.trip()
            if cause.number != replies.HOST_LOST:
                raise replies.tripped(cause)
            self.clear_trip()
        wanted, own = self.wanted(), self._own
        if anew and own is not None:
            self._set(own)  # lost with all the rest; the base stands in for it again
        if not was_on:
            self.output(False)
        elif self.condition() is not DriverState.ON:
            if own is None:
                self._set(wanted)
            else:
                self.set_base(wanted)
            self.output(True)
        self.on_interruption(f"{trouble.message} It is back: on from point {missing}.")

    def _has_forgotten(self) -> bool:
        """Whether the driver has lost what it was told; it bears a mark again."""
        try:
            self._session.look("SYST:PROT?", replies.whole)
        except Restarted:
            self._session.leave_mark()
            return True
        return False

    def _check_settings(self, missing: int) -> None:
        if round(self._session.number("SYST:SETT:CHEC?")) == self._known_settings:
            return
        raise Refused(
            "The driver started anew and has lost limits or calibration that were not stored; "
            f"point {missing} is the first one missing.",
            "Set them again and keep them with `coilwright set --store`.",
        )

    @property
    def timeouts(self) -> Timeouts:
        """Deadlines of the link."""
        return self._transport.timeouts

    def _may_sweep(self) -> bool:
        """Whether the output is on already; a tripped driver cannot sweep."""
        state = self.condition()
        if state is DriverState.TRIPPED:
            raise replies.tripped(self.trip())
        return state is not DriverState.OFF

    def _base(self, plan: SweepPlan, first: Setpoint, was_on: bool) -> None:
        """Set what a sweep keeps fixed; with the output off, also a harmless place to start from.

        The driver stays there between the pieces of a sweep.
        """
        if was_on and isinstance(plan, PointList):
            return
        held = self.wanted() if was_on else Setpoint(first.frequency_hz, 0.0)
        if isinstance(plan, FrequencySweep):
            self.set_base(Setpoint(held.frequency_hz, first.duty))
        else:
            self.set_base(Setpoint(first.frequency_hz, held.duty))

    def _piece(
        self, piece: SweepPlan, setpoints: list[Setpoint], offset: int, was_on: bool, on: bool
    ) -> Iterator[Point]:
        # Always with settling time and averages: the driver may have restarted in between.
        common = [_settle_setting(self._settle_s), _averages_setting(self._averages)]
        before = None
        if was_on and isinstance(piece, PointList):
            before = sweeping.load_at_once(self._session, common, setpoints)
        if before is None:
            self._session.apply(common + sweeping.settings_of(piece))
            if isinstance(piece, PointList):
                sweeping.load_list(self._session, setpoints)
        if not on:
            self.output(True)
            self._on = False  # for this sweep only
        drain = sweeping.Drain(
            self._session,
            sweeping.start(self._session, before),
            setpoints,
            self._pacing(),
            self._seconds,
            offset,
        )
        ended = False
        try:
            yield from drain.points()
            ended = True
            self._learn(drain.point_s)
        finally:
            if not ended:
                self._abort()

    def _pacing(self) -> sweeping.Pacing:
        known = self._paced == (self._settle_s, self._averages)
        return sweeping.Pacing(
            self._settle_s,
            self._averages,
            self._host_timeout_s,
            self._transport.timeouts.stall_s,
            self._point_s if known else 0.0,
        )

    def _learn(self, point_s: float) -> None:
        """Keep the least time a point has taken with these settings, so as to ask in time."""
        settings = (self._settle_s, self._averages)
        if point_s and (self._paced != settings or point_s < self._point_s):
            self._paced, self._point_s = settings, point_s

    def _abort(self) -> None:
        """End the sweep at once; without a link, the driver does it after the host-lost time."""
        with contextlib.suppress(LinkError):
            self._transport.send("ABOR")

    def _off_after_sweep(self) -> None:
        with contextlib.suppress(LinkError, DriverError):
            self.output(False)

    def _seconds(self, clock_ms: int) -> float:
        """Seconds since the driver's power-on; its millisecond clock wraps at 2^30."""
        if clock_ms < self._clock_ms - CLOCK_WRAP_MS // 2:
            self._clock_turns += 1
        self._clock_ms = clock_ms
        return (self._clock_turns * CLOCK_WRAP_MS + clock_ms) / 1e3

    # ---- tracking, memories, errors ----------------------------------------------------------

    def set_tracking(self, setup: tracking.TrackSetup | None) -> None:
        """Begin to track the best frequency from the present setting; None ends it.

        The driver then changes its frequency by itself, at the place it has found when it ends.

        Raises:
            OutOfRange, Refused: A value is outside its range, a sweep runs, or the firmware does
                not track.
        """
        if setup is not None:
            tracking.set_up(self._session, setup)
        tracking.switch(self._session, setup is not None)
        self._requested = None

    def end_tracking(self) -> bool:
        """End a tracking that goes on or waits for the output; whether there was one."""
        on = self._session.look("TRACK?", str)
        if on == "1":
            self.set_tracking(None)
        elif not on:  # a firmware that does not track
            self._session.forget_errors()
        return on == "1"

    def track(self) -> tracking.Track:
        """The moves of the tracking so far, the last 32 of them."""
        return tracking.read_track(self._session)

    def supply_voltage(self) -> float | None:
        """Supply voltage in V, where the driver measures it."""
        text = self._session.ask("MEAS:SUPP?")
        return None if text == "NONE" else replies.number(text)

    def recall(self, memory: int = 0) -> tuple[float, float]:
        """Set frequency and duty from a memory; returns what is achieved (Hz, fraction)."""
        self._session.exchange([f"*RCL {memory}"])
        self._requested = self._own = None
        return self.setpoint()

    def errors(self) -> tuple[DriverMessage, ...]:
        """Empty the driver's error queue and return what was in it."""
        return self._session.errors()

    def check_errors(self) -> None:
        """Raise what stands in the driver's error queue, if anything does.

        Raises:
            Refused, OutOfRange, Tripped: In the driver's own words.
        """
        found = self.errors()
        if found:
            raise replies.failure(found, "an earlier command")

    def status(self) -> Status:
        """A snapshot of everything a person wants to see at a glance."""
        frequency, duty = self.setpoint()
        settings, memory = self._session.read(
            ["SYST:SETT:STAT?", "SYST:MEM?"],
            lambda texts: (texts[0], replies.whole(texts[1].split(",")[0])),
        )
        return Status(
            state=self.condition(),
            frequency_hz=frequency,
            duty=duty,
            trip=self.trip(),
            limits=self.limits(),
            averages=self._averages,
            settle_s=self._settle_s,
            settings=settings,
            free_memory_bytes=memory,
        )

    def describe(self) -> dict[str, dict[str, Any]]:
        """Identity, board, settings, limits and calibration as plain values, for a record."""
        return {
            "driver": asdict(self.identity),
            "board": asdict(self.board),
            "settings": {
                "averages": self._averages,
                "settle_s": self._settle_s,
                "checksum": self.settings_checksum(),
                "state": self.settings_state(),
            },
            "limits": asdict(self.limits()),
            "calibration": asdict(self.calibration()),
        }
