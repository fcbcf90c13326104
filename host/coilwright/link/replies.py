"""Answers of the driver as values, and its errors as ours.

Every parser raises ValueError on what cannot be the answer: the transport takes that for damage.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from coilwright.errors import DriverError, HostLost, OutOfRange, Refused, Tripped
from coilwright.link.facts import (
    Board,
    DriverMessage,
    Identity,
    Limits,
    RingState,
    SelfCheck,
    TraceState,
    Trip,
)
from coilwright.link.framing import split_replies
from coilwright.point import Flag, Point, Setpoint

MAKER = "Coilwright"
MODEL = "resonant-driver"

_TRIP_HINTS = {
    101: "Lower the duty, or check coil and gate before raising the limit; then clear the trip.",
    102: "The driver heard nothing from its host for its host-lost time: check cable and baud rate,"
    " and whether this computer was held up for so long; then clear the trip.",
    103: "Check the current sensor and its wiring, then clear the trip.",
    104: "Reset the board; if it happens again, report it with the driver's log.",
    105: "Lower the duty, or move the probe farther from the coil; then clear the trip.",
    106: "Check the supply and its limits, then clear the trip.",
    107: "Let the board cool down, and give it air; then clear the trip.",
    108: "It ran without a host for as long as is allowed; clear the trip to go on.",
    109: "Clear the trip; `coilwright check` says what is wrong.",
    110: "The driver's program hung and its watchdog reset the board; clear the trip to go on.",
    111: "The latch in hardware took the gate driver's enable away; find out why, then clear it.",
}

_ERROR_HINTS = {
    -213: "A sweep is running already; abort it first.",
    -221: "Is the output on, not tripped, and the sweep inside the driver's limits?",
    -222: "See `coilwright status` for the driver's limits.",
    -310: "Reset the board; if it happens again, its flash may be full or worn.",
}

_RANGE_HINTS = {
    "FREQ": "Frequencies are in hertz, as 165k; `coilwright status` shows the driver's band.",
    "PULS:DCYC:LIM": "A duty cap is 0 to 90 %, as 40%.",
    "PULS:DCYC": "`coilwright status` shows the driver's duty cap; `coilwright set --duty-cap`"
    " changes it.",
    "CURR:PROT": "A trip current is 0 to 20 A, as 0.4A.",
}
"""By the header it was sent with, the longer ones first."""

_ENTRY = re.compile(r'\s*([+-]?\d{1,9})\s*,\s*"((?:[^"]|"")*)"\s*(?:,|$)')
_LARGEST = 2.0**53
"""Nothing that a driver says is larger: thousandths of hertz, millionths of amperes or volts."""
_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?\Z")


def number(text: str) -> float:
    """A decimal number and nothing else, of a size that a driver can mean."""
    if not _PLAIN.match(text.strip()):
        raise ValueError(f"{text!r} is not a number")
    value = float(text)
    if abs(value) > _LARGEST:
        raise ValueError(f"{text!r} is too large")
    return value


def whole(text: str) -> int:
    """A whole number, with or without decimals that are zero."""
    value = number(text)
    if value != int(value):
        raise ValueError(f"{text!r} is not whole")
    return int(value)


def text_block(text: str) -> str:
    """The text in a definite-length block (IEEE 488.2 8.7.9); empty where there is no answer."""
    if not text:
        return ""
    digits = whole(text[1:2])
    found = text[2 + digits :]
    if text[:1] != "#" or not digits or len(found) != whole(text[2 : 2 + digits]):
        raise ValueError(f"{text!r} is no block")
    return found


def _fields(text: str, count: int) -> list[str]:
    fields = [field.strip() for field in text.split(",")]
    if len(fields) != count:
        raise ValueError(f"{text!r} has not {count} fields")
    return fields


def identity(text: str) -> Identity:
    """Four fields of `*IDN?`."""
    return Identity(*_fields(text, 4))


def board(text: str) -> Board:
    """`<chip>,<PWM clock in Hz>,<gate pin>,<supply sensor>`."""
    chip, clock, pin, sensor = _fields(text, 4)
    return Board(chip, whole(clock), whole(pin), sensor)


def trace(text: str) -> RingState:
    """`<state>,<sweep>,<first held>,<next>,<total>`."""
    state, *rest = _fields(text, 5)
    if state not in TraceState.__members__:
        raise ValueError(f"{state!r} is no state of a sweep")
    return RingState(TraceState[state], *(whole(field) for field in rest))


def messages(text: str) -> tuple[DriverMessage, ...]:
    """Entries of `SYSTem:ERRor:ALL?`, without the one that says there is none."""
    found = []
    at = 0
    while at < len(text):
        entry = _ENTRY.match(text, at)
        if entry is None:
            raise ValueError(f"{text!r} is no list of errors")
        found.append(DriverMessage(int(entry[1]), entry[2].replace('""', '"')))
        at = entry.end()
    if not found:
        raise ValueError("no error list at all")
    return tuple(message for message in found if message.number != 0)


BAND_HZ = (20_000, 1_000_000)
"""Between these lie both ends of a driver's band: docs/commands.md."""


def limits(texts: Sequence[str]) -> Limits:
    """Ends of the band, duty cap in per cent, trip current and host-lost time, as asked for."""
    low, high, percent, trip_a, host_s = map(number, texts)
    if not BAND_HZ[0] <= low <= high <= BAND_HZ[1] or not 0 <= percent <= 100:
        raise ValueError(f"{', '.join(texts)} are no limits of a driver")
    if trip_a < 0 or host_s < 0:
        raise ValueError(f"{', '.join(texts)} are no limits of a driver")
    return Limits(round(low), round(high), percent / 100, trip_a, host_s)


def trip(text: str) -> Trip:
    """`<number>,"<text>"` of `OUTPut:PROTection:CAUSe?`."""
    entry = _ENTRY.match(text)
    if entry is None or entry.end() != len(text):
        raise ValueError(f"{text!r} is no cause of a trip")
    return Trip(int(entry[1]), entry[2])


def self_check(text: str) -> SelfCheck:
    """Ten fields of `DIAGnostic:CHECk?`, duty in per cent; a negative supply voltage for none."""
    fields = _fields(text, 10)
    rest, rest_sd, rise, probe, noise, burst, volts, hertz, percent = map(number, fields[1:])
    supply_v = volts if volts >= 0 else None
    return SelfCheck(
        whole(fields[0]), rest, rest_sd, rise, probe, noise, burst, supply_v, hertz, percent / 100
    )


def point(text: str, wanted: Setpoint, averages: int) -> Point:
    """A point as text: eleven fields, duty in per cent."""
    fields = _fields(text, 11)
    hertz, percent, amps, probe, light, amps_sd, probe_sd, light_sd = map(number, fields[2:10])
    return Point(
        index=whole(fields[0]),
        time_s=whole(fields[1]) / 1e3,
        requested_frequency_hz=wanted.frequency_hz,
        requested_duty=wanted.duty,
        frequency_hz=hertz,
        duty=percent / 100,
        supply_a=amps,
        probe_v=probe,
        light_v=light,
        supply_sd_a=amps_sd,
        probe_sd_v=probe_sd,
        light_sd_v=light_sd,
        averages=averages,
        flags=Flag(whole(fields[10])),
    )


def split_answer(text: str, queries: int) -> tuple[list[str], tuple[DriverMessage, ...]]:
    """Answers to `queries` queries and the error list that follows them in the same line.

    A query that failed has no answer, so fewer answers are right where there are errors.
    """
    *answers, errors = split_replies(text)
    found = messages(errors)
    if not answers or len(answers) > queries or (len(answers) < queries and not found):
        raise ValueError(f"{text!r} is not {queries} answers")
    return answers, found


def disturbed(found: Sequence[DriverMessage]) -> bool:
    """Whether the driver could not read something (-100 to -199, and -363 for a long line).

    The lines of an exchange arrive whole or not at all: what it could not read is a command that
    its firmware does not know, or noise and bare lines before.
    """
    return any(-199 <= message.number <= -100 or message.number == -363 for message in found)


def failure(found: Sequence[DriverMessage], sent: str) -> DriverError:
    """The failure that the driver's errors mean, in its own words."""
    told = "; ".join(str(message) for message in found)
    trips = [message for message in found if message.number > 0]
    if trips:
        return tripped(Trip(trips[0].number, trips[0].text))
    first = found[0].number
    hint = _ERROR_HINTS.get(first, "")
    if first == -221 and "tripped" in told:
        hint = "`coilwright status` says why it tripped. Mend that, then `coilwright set --clear`."
    if first == -221 and "tracking" in told:
        hint = "The driver is tracking: `coilwright set` ends that, as does `TRACK OFF`."
    if first == -221 and "sensor's end" in told:
        hint = (
            "Its sensor cannot show the current at which it is to trip: lower the limit"
            " (`coilwright set --trip`), or fit a smaller shunt (docs/sensors.md)."
        )
    if first == -222:
        near = [text for header, text in _RANGE_HINTS.items() if sent.startswith(header)]
        return OutOfRange(f"The driver says {told} to {sent!r}.", near[0] if near else hint)
    return Refused(f"The driver refused {sent!r}: {told}.", hint)


HOST_LOST = 102
"""Number of the trip of a driver that heard nothing from its host: docs/commands.md."""


def tripped(cause: Trip) -> Tripped:
    """The failure for a latched trip."""
    hint = _TRIP_HINTS.get(cause.number, "Find out why before clearing the trip.")
    kind = HostLost if cause.number == HOST_LOST else Tripped
    return kind(
        f"The driver tripped and switched its output off: {cause.text} ({cause.number}).",
        f"{hint} `coilwright set --clear` clears it.",
    )
