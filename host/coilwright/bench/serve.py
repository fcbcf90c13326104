"""A bench for other programs: what it was asked for, where it listens, until Ctrl-C."""

from __future__ import annotations

import contextlib
import difflib
import logging
import math
import secrets
import signal
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl, unquote, urlsplit

from coilwright.build import CHIPS, SENSORS
from coilwright.errors import BadBuild, CoilwrightError, PortDenied, PortError

from .faults import Fault, parse_fault

if TYPE_CHECKING:
    from .process import Bench
    from .relay import PtyPort, TcpPort

LOG = logging.getLogger("coilwright.bench")
_TOKEN_BYTES = 16


@dataclass(frozen=True, slots=True)
class BenchRequest:
    """What a `sim://` URL or a command line asks for; None is the build file's own."""

    build: str = "harbour"
    chip: str | None = None
    seed: int | None = None
    sensor: str | None = None
    speed: float = 1.0
    flash: str | None = None
    faults: tuple[Fault, ...] = ()
    bare: bool = False
    """Without firmware: what is in the flash runs."""
    alert: bool | None = None
    """Whether the alert pin of an INA226 is wired to the board."""
    latch: bool = False
    """Whether a latch in hardware holds the gate driver's enable."""
    costs: str = "none"
    """Whether the board's own work takes the time that it takes on the chip: `chip`."""

    def __post_init__(self) -> None:
        _one_of("chip", self.chip, CHIPS)
        _one_of("sensor", self.sensor, SENSORS)
        _one_of("costs", self.costs, ("none", "chip"))
        if self.bare and self.costs != "none":
            raise BadBuild("A bare board's programs cannot be made to pay.", "leave out the costs")
        if not 0.01 <= self.speed <= 1000:
            raise BadBuild(f"speed is {self.speed:g}.", "give 0.01 to 1000; 1 is real time")
        if self.seed is not None and self.seed < 0:
            raise BadBuild(f"seed is {self.seed}.", "give a whole number from 0")

    def bench(self, port: PtyPort | TcpPort | None = None) -> Bench:
        """The bench that was asked for, not started yet."""
        from .bare import BareBench
        from .process import Bench

        options = {field.name: getattr(self, field.name) for field in fields(self)}
        kind = BareBench if options.pop("bare") else Bench
        try:
            return kind(options.pop("build"), port=port, **options)
        except CoilwrightError:
            if port is not None:
                port.close()
            raise


def _one_of(key: str, value: str | None, allowed: tuple[str, ...]) -> None:
    if value is not None and value not in allowed:
        raise BadBuild(f"{key} is {value!r}.", "one of " + ", ".join(allowed))


def parse_url(url: str) -> BenchRequest:
    """Read `sim://`, `sim://harbour?chip=rp2040&fault=metal=5%` or `sim:///path/bench.toml?…`.

    `fault` may be given several times; see `faults.parse_fault`.

    Raises:
        BadBuild: Another scheme, an unknown bench or query key, an impossible value.
    """
    try:
        parts = urlsplit(url)
    except ValueError as error:
        raise BadBuild(f"{url!r} is not the URL of a bench: {error}.") from None
    if parts.scheme.lower() != "sim":
        raise BadBuild(f"{url} is not the URL of a bench.", "sim://harbour is the built-in one")
    place = unquote(parts.netloc + parts.path)
    if place not in ("", "/", "harbour", "harbour/") and not place.endswith(".toml"):
        hint = "sim://harbour is the built-in one; write sim:///path/to/bench.toml for a file"
        raise BadBuild(f"There is no bench {place!r}.", hint)
    build = place if place.endswith(".toml") else "harbour"
    query = parse_qsl(parts.query, keep_blank_values=True)
    faults = tuple(parse_fault(text) for key, text in query if key == "fault")
    return replace(_request(build, {k: v for k, v in query if k != "fault"}), faults=faults)


def _request(build: str, query: Mapping[str, str]) -> BenchRequest:
    readers: dict[str, Callable[[str], object]] = {
        "chip": str,
        "seed": int,
        "sensor": str,
        "alert": _yes,
        "latch": _yes,
        "costs": str,
        "speed": _number,
        "flash": str,
    }
    values: dict[str, object] = {}
    for key, text in query.items():
        if key not in readers:
            near = difflib.get_close_matches(key, (*readers, "fault"), 1)
            allowed = ", ".join((*readers, "fault"))
            hint = f"did you mean {near[0]}?" if near else f"allowed: {allowed}"
            raise BadBuild(f"{key!r} is not an option of a bench.", hint)
        try:
            values[key] = readers[key](text)
        except ValueError:
            meant = "yes or no" if readers[key] is _yes else "a number"
            raise BadBuild(f"{key} is {text!r}.", f"{meant} is meant") from None
    return BenchRequest(build, **values)  # type: ignore[arg-type]


def _yes(text: str) -> bool:
    if text not in ("yes", "no"):
        raise ValueError(text)
    return text == "yes"


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def listen_port(
    listen: str | int | None, token: str = "", *, bare: bool = False
) -> PtyPort | TcpPort:
    """The host's side of the line: a TCP port for `"4001"` or `"0.0.0.0:4001"`, else a pty.

    Args:
        listen: Where.
        token: What a client of the TCP port has to send first. Where the address is another than
            loopback, or the board is `bare`, there always is one: drawn here where not given.
        bare: Whether the port leads to a prompt.

    Raises:
        PortError: The address cannot be listened on, or the token cannot stand in a URL.
        PortDenied: A prompt on a network is wanted where this system cannot confine it.
    """
    from . import confine
    from .entrance import TOKEN_FORM
    from .relay import PtyPort

    if listen is None:
        return PtyPort()
    if token and not TOKEN_FORM.fullmatch(token):
        hint = "12 to 128 letters, digits, or . _ ~ -; without one given, one is drawn"
        raise PortError("That token cannot be used.", hint)
    if bare and not confine.possible():
        hint = "leave out --listen: the pseudo-terminal is yours alone"
        why = "Linux on x86-64 from kernel 5.13 on, with Landlock, can."
        raise PortDenied(
            f"This system cannot confine a prompt that others reach by TCP; {why}", hint
        )
    port = _tcp_port(listen)
    port.token = token
    if not token and (bare or not port.on_loopback):
        port.token = secrets.token_urlsafe(_TOKEN_BYTES)
    return port


def _tcp_port(listen: str | int) -> TcpPort:
    from .relay import TcpPort

    host, _, number = str(listen).rpartition(":")
    try:
        if not 0 <= int(number) <= 65535:
            raise ValueError(number)
        return TcpPort(host.strip("[]") or "127.0.0.1", int(number))
    except ValueError:
        hint = "write a port such as 4001, or an address such as 127.0.0.1:4001"
        raise PortError(f"{listen!r} is not a TCP port.", hint) from None
    except PermissionError:
        raise PortDenied(f"Not allowed to listen on {listen}.", "take a port from 1024") from None
    except OSError as error:
        raise PortError(f"Cannot listen on {listen}: {error.strerror}.") from None


def _control(bench: Bench) -> contextlib.AbstractContextManager[object]:
    """The bench's control socket; without one the bench serves all the same."""
    from .control import Control

    try:
        return Control(bench)
    except CoilwrightError as error:
        LOG.warning("coilwright fault cannot reach this bench: %s", error.message)
        return contextlib.nullcontext()


def serve(
    request: BenchRequest | str = "sim://harbour",
    *,
    listen: str | int | None = None,
    token: str = "",
    on_listening: Callable[[Bench], None],
    stop: threading.Event | None = None,
) -> None:
    """Run a bench until Ctrl-C, SIGTERM or `stop`.

    Args:
        request: What is asked for, as an object or as a `sim://` URL.
        listen: TCP port (on loopback), `host:port`, or None for a pseudo-terminal.
        token: What a client of the TCP port has to send first, see `listen_port`.
        on_listening: Handed the bench once it listens; its `url` says where, its `port.token` what
            to say there first.
        stop: Ends the bench when set.
    """
    wanted = parse_url(request) if isinstance(request, str) else request
    stop = stop or threading.Event()
    bench = wanted.bench(listen_port(listen, token, bare=wanted.bare))
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, lambda *_: stop.set())
    with bench, _control(bench):
        on_listening(bench)
        # Ctrl-C is how a person ends it.
        with contextlib.suppress(KeyboardInterrupt):
            while not stop.wait(3600):
                pass
