"""Install and uninstall, step by step.

The order is what makes an interruption harmless: first `main.py` goes, so that nothing starts any
more; then the manifest says which files are ours; then the files, each under another name until it
is there and right; last `main.py`. Run again, it goes on where it was: what is right is left alone.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from coilwright import calibrated
from coilwright.board_file import BoardFile, Wiring, board_for, board_names, load_board
from coilwright.documents import parse_json
from coilwright.errors import (
    BadPins,
    CoilwrightError,
    LinkError,
    NotInstalled,
    NotOurDriver,
    PortError,
    PortNotFound,
    WrongBoard,
    WrongFirmware,
)
from coilwright.firmware import firmware_folder
from coilwright.link import Driver, DriverState, Timeouts
from coilwright.link.handshake import ForeignDevice, PythonPrompt, identify
from coilwright.link.opening import open_port, split_token
from coilwright.link.transport import Transport
from coilwright.quantities import show

from .image import (
    MANIFEST,
    STARTERS,
    WIRING,
    compiled,
    digest,
    have_mpy_cross,
    image,
    modules,
)
from .prompt import OLDER, OLDEST, OLDEST_TEXT, PART, BoardFacts, Prompt

SETTINGS = ("settings.bin", "settings.new")
"""The driver's own files, which stay when the firmware goes."""
MAINTENANCE = "maintenance"
"""By this file the firmware leaves itself word, over a reset, that a prompt is wanted once."""
BEFORE = ".before"
"""What the name of somebody else's file ends in, while ours is in its place."""

_FIRST_EDITION = (
    "alert alone board check commands decimals drive guard ina parameters pwm_esp32 pwm_rp2 ring"
    " scpi sense serial_line server settings start states status stored sweep table track wiring"
)
"""Modules of the firmware's first edition, in a copy by hand: all of them, or it is not that."""
_OUR_MAIN = '"""Starts the driver and serves.'
_QUICK = Timeouts(boot_s=1.5, identify_s=0.7)
_OFF_S = 5.0
_CONFLICT = -221
"""A driver's error at power-on where it will not switch on with its current limit."""
_LEAVING_S = 1.0
_BACK_S = 15.0


class InstallView(Protocol):
    """Who is told how it goes on."""

    def say(self, text: str) -> None:
        """What is done now."""

    def begin(self, size: int) -> None:
        """So many bytes will be sent."""

    def sent(self, count: int) -> None:
        """So many of them have gone out."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the person asks for.

    Attributes:
        board: Name or file of the board; by its chip where not given.
        wiring: Values of `Wiring` that were chosen; all others stay as they are on the board.
        source: Copy the source and not `.mpy` files.
    """

    board: str | None = None
    wiring: Mapping[str, Any] = field(default_factory=dict)
    source: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done to the board's files."""

    write: list[str]
    keep: list[str]
    aside: list[str]
    remove: list[str]

    def changes(self) -> bool:
        """Whether there is anything to do."""
        return bool(self.write or self.aside or self.remove)


@dataclass(frozen=True, slots=True)
class CurrentLimit:
    """The mean supply current at which a driver trips, and the highest that its sensor shows."""

    trip_a: float
    end_a: float

    @property
    def warning(self) -> str:
        """What is wrong where the sensor cannot show an excess; empty where it can."""
        if self.trip_a < self.end_a:
            return ""
        return (
            f"The driver is to trip at {show(self.trip_a, 'A')}, but its sensor shows no more than"
            f" {show(self.end_a, 'A')}. Lower the limit with `coilwright set --trip`, or fit a"
            " smaller shunt (docs/sensors.md)."
        )


@dataclass(frozen=True, slots=True)
class Installed:
    """What was done, or with `dry_run` what would be.

    Attributes:
        facts: What the board says of itself.
        board: Its board file.
        wiring: What is where.
        plan: Its files.
        size_bytes: Of all files of ours.
        driver: Serial number, firmware version and state of the driver that answered; None where
            it was not started.
        calibrated: When its sensors were calibrated, in words; empty where it was not started.
        limit: Of its supply current; None without a sensor, or where it was not started.
        waits: Why it was not started, empty where it was.
    """

    facts: BoardFacts
    board: BoardFile
    wiring: Wiring
    plan: Plan
    size_bytes: int
    format: str
    driver: tuple[str, str, str] | None = None
    calibrated: str = ""
    limit: CurrentLimit | None = None
    waits: str = ""


@dataclass(frozen=True, slots=True)
class Removed:
    """What uninstalling did: files that went, came back to their names, and stayed."""

    facts: BoardFacts
    removed: list[str]
    restored: list[str]
    left: list[str]


def install(
    url: str, wishes: Wishes, view: InstallView, *, dry_run: bool = False, interrupt: bool = False
) -> Installed:
    """Put the firmware on the board at a port, or bring it up to date.

    Args:
        url: The port.
        wishes: What is wanted.
        view: Is told how it goes on.
        dry_run: Change nothing, and interrupt nothing but a driver.
        interrupt: Interrupt a device that names itself as something else, too.

    Raises:
        ForeignDevice: Something else is there, and `interrupt` is false: it was left alone.
        PortError, LinkError: The port, or what is behind it.
        WrongBoard, BadBoard, BadPins: Before anything is changed.
        NotInstalled: The board did not take it. To be tried again.
    """
    if wishes.board:
        board = load_board(wishes.board)
        _wanted(board, board.wiring, wishes)  # refused before the board is touched
    view.say("stopping what runs on the board")
    with _prompt(url, careful=dry_run, interrupt=interrupt) as prompt:
        facts = prompt.facts()
        board = _board(facts, wishes)
        there = prompt.hashes()
        old = _json(prompt, MANIFEST, there)
        wiring = _wanted(board, _wired(board, prompt, there), wishes)
        source = firmware_folder()
        by_source = wishes.source or not (facts.mpy and have_mpy_cross())
        view.say("preparing the firmware")
        parts = (
            {path.name: path.read_bytes() for path in modules(source)}
            if by_source
            else compiled(source, board.mpy_arch, facts.mpy_version)
        )
        contents = {**_extra(prompt, there), **board.board_json(wiring)}
        files = image(parts, source, contents, board.title)
        plan = _plan(files, there, _ours(prompt, there, old))
        size = sum(map(len, files.values()))
        kind = "source" if by_source else f".mpy version {facts.mpy_version}, {board.mpy_arch}"
        done = Installed(facts, board, wiring, plan, size, kind)
        if not dry_run and plan.changes():
            _check_room(prompt, files, plan, there)
            with _half_done():
                _carry_out(prompt, files, plan, view)
        if MAINTENANCE in there:
            prompt.remove([MAINTENANCE])
        waits = _waits(prompt)
        if dry_run or waits:
            if not waits:
                prompt.restart()
            return replace(done, waits=waits)
        view.say("starting the driver")
        prompt.restart()
    return _answer(url, done, view)


def uninstall(
    url: str, view: InstallView, *, dry_run: bool = False, interrupt: bool = False
) -> Removed:
    """Take the firmware off the board; files of somebody else come back to their places.

    The driver's stored settings stay.

    Args:
        url, view, dry_run, interrupt: As of `install`.

    Raises:
        PortError, LinkError: The port, or what is behind it.
        NotInstalled: The board refuses, or has nothing of ours.
    """
    view.say("stopping what runs on the board")
    with _prompt(url, careful=dry_run, interrupt=interrupt) as prompt:
        facts = prompt.facts()
        there = prompt.hashes()
        ours = _ours(prompt, there, _json(prompt, MANIFEST, there))
        parts = {name + PART for name in ours}
        names = [name for name in there if name in ours or name in parts]
        if not names:
            hint = "Files of yours on it were left alone."
            raise NotInstalled("Nothing of coilwright is on the board.", hint)
        # What starts goes first, the list of what is ours last.
        names.sort(key=lambda name: (name != "main.py", name == MANIFEST, name))
        aside = [name for name in there if name.endswith(BEFORE)]
        back = [name for name in aside if name.removesuffix(BEFORE) in ours]
        if not dry_run:
            view.say("removing the firmware")
            prompt.remove(names)
            for name in back:
                prompt.rename(name, name.removesuffix(BEFORE))
        left = [name for name in SETTINGS if name in there]
        prompt.restart()
    return Removed(facts, names, [name.removesuffix(BEFORE) for name in back], left)


@contextlib.contextmanager
def _prompt(url: str, *, careful: bool, interrupt: bool) -> Iterator[Prompt]:
    """The board's prompt, with its output off and no program running.

    Raises:
        NotOurDriver, NoAnswer: What is there is left alone.
    """
    if url.lower().startswith("sim:"):
        hint = "Serve a board that stays: coilwright bench --bare"
        raise PortNotFound("A sim:// board begins anew each time it is opened.", hint)
    problem = _stop_driver(url, tries=1)
    if problem is not None:
        _check_interruptible(problem, careful=careful, interrupt=interrupt)
    try:
        prompt = Prompt.open(url, 0.0 if problem else _BACK_S)
    except NotOurDriver:
        # A driver that did not hear at first does not heed Ctrl-C either.
        if problem is None or _stop_driver(url, tries=2) is not None:
            raise
        prompt = Prompt.open(url, _BACK_S)
    try:
        yield prompt
    except CoilwrightError:
        # Refused before anything was changed: what ran goes on.
        with contextlib.suppress(CoilwrightError):
            if not prompt.changed and not _waits(prompt):
                prompt.restart()
        raise
    finally:
        prompt.close()


def _check_interruptible(problem: LinkError, *, careful: bool, interrupt: bool) -> None:
    """Leave alone what Ctrl-C and the raw prompt's Ctrl-A must not reach.

    Args:
        problem: Why no driver was found: what is there instead.
        careful: Only a Python prompt may be interrupted, which has shown itself.
        interrupt: What names itself as something else may be interrupted.

    Raises:
        LinkError: `problem`, with what to do.
    """
    if isinstance(problem, PythonPrompt):
        return
    if careful:
        hint = "A dry run interrupts nothing that is neither driver nor Python prompt."
        raise type(problem)(problem.message, f"{hint} {problem.hint}")
    if isinstance(problem, ForeignDevice) and not interrupt:
        hint = "It was left alone. If the board is there all the same: --interrupt."
        raise ForeignDevice(problem.message, hint)


def _stop_driver(url: str, tries: int) -> LinkError | None:
    """Output off and maintenance, where a driver answers; else why there is none.

    Raises:
        PortError: The port cannot be opened.
        NotInstalled: Its output does not go off.
    """
    transport = Transport(open_port(url), _QUICK, name=url)
    try:
        identify(transport, tries)
        # A line feed first: half a line may hang in the driver's buffer.
        transport.send("\nABOR;:OUTP OFF")
        deadline = time.monotonic() + _OFF_S
        while transport.query("OUTP:COND?", str.upper) not in ("OFF", "TRIPPED"):
            if time.monotonic() > deadline:
                hint = "Switch its supply off."
                raise NotInstalled("The driver does not switch its output off.", hint)
            time.sleep(0.05)
        transport.send("SYST:MAIN")
        _wait_for_prompt(transport)
    except LinkError as problem:
        return problem  # no driver, or one that does not answer
    finally:
        transport.close()
    return None


def _wait_for_prompt(transport: Transport) -> None:
    """Until the prompt shows, or for a second: with its watchdog running the board is reset, and a
    USB port goes away with it for a moment.
    """
    heard, deadline = b"", time.monotonic() + _LEAVING_S
    with contextlib.suppress(LinkError):
        while not heard.endswith(b">>> ") and time.monotonic() < deadline:
            heard += transport.drain(0.02, 0.1)


def _board(facts: BoardFacts, wishes: Wishes) -> BoardFile:
    """The board file for the chip, if the firmware runs on it.

    Raises:
        WrongBoard: It does not.
    """
    version = ".".join(map(str, facts.version))
    if facts.version[:2] < OLDEST:
        hint = f"{OLDER.get(facts.platform, '')} Put a newer one on the board: docs/installing.md."
        raise WrongBoard(
            f"The board runs MicroPython {version}; {OLDEST_TEXT} is the oldest that will do.", hint
        )
    board = load_board(wishes.board) if wishes.board else board_for(facts.mcu)
    if board is None:
        hint = f"Boards: {', '.join(board_names())}; or your own file with --board."
        raise WrongBoard(f"There is no board file for {facts.machine or facts.platform!r}.", hint)
    if facts.mcu not in board.mcus or facts.platform != board.platform:
        fit = board_for(facts.mcu)
        hint = f"Use --board {fit.name}, or leave it out." if fit else "Leave --board out."
        raise WrongBoard(f"This board is a {facts.machine}, not a {board.title}.", hint)
    return board.on_variant(facts.machine)


def _wanted(board: BoardFile, wired: Wiring, wishes: Wishes) -> Wiring:
    wiring = replace(wired, **wishes.wiring)
    board.check(wiring)
    return wiring


def _wired(board: BoardFile, prompt: Prompt, there: Mapping[str, str]) -> Wiring:
    """What `board.json` on the board says, else the board file.

    Raises:
        BadPins: It is damaged.
    """
    found = _json(prompt, WIRING, there)
    if found is None:
        return board.wiring
    try:
        return board.read_json(found)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        hint = "Correct it, or remove it with: mpremote rm :board.json"
        raise BadPins(f"board.json on the board cannot be used: {error}.", hint) from error


_WIRED_KEYS = {"chip", "gate", "supply", "probe", "light", "i2c", "led", "latch"}
_WIRED_KEYS |= {"pwm_hz", "adc_full_uv"}


def _extra(prompt: Prompt, there: Mapping[str, str]) -> dict[str, Any]:
    """What else stands in `board.json` on the board, such as a calibration: it stays."""
    found = _json(prompt, WIRING, there) or {}
    return {key: value for key, value in found.items() if key not in _WIRED_KEYS}


def _json(prompt: Prompt, name: str, there: Mapping[str, str]) -> dict[str, Any] | None:
    """A JSON object in a file on the board; None where there is no such file or no object in it.

    Raises:
        BadPins: There is no object in `board.json`.
    """
    if name not in there:
        return None
    try:
        found = parse_json(prompt.read(name))
    except ValueError:
        found = None
    if name == WIRING and not isinstance(found, dict):
        hint = "Correct it, or remove it with: mpremote rm :board.json"
        raise BadPins("board.json on the board is damaged.", hint)
    return found if isinstance(found, dict) else None


def _ours(prompt: Prompt, there: Mapping[str, str], manifest: Mapping[str, Any] | None) -> set[str]:
    """Names of files that are ours whatever is in them: the manifest's, or of a copy by hand."""
    if manifest is not None:
        files = manifest.get("files")
        names = files if isinstance(files, Mapping | list) else ()
        return {MANIFEST, MAINTENANCE, *(name for name in names if isinstance(name, str))}
    if "main.py" in there and prompt.read("main.py").startswith(_OUR_MAIN.encode()):
        stems = {path.stem for path in modules(firmware_folder())}
        before = set(_FIRST_EDITION.split())
        if before <= {name.rpartition(".")[0] for name in there}:
            stems |= before
        return {f"{stem}{end}" for stem in stems for end in (".py", ".mpy")} | {*STARTERS, WIRING}
    return set()


def _plan(files: Mapping[str, bytes], there: Mapping[str, str], ours: set[str]) -> Plan:
    """Compare what is to be with what is."""
    write = [name for name in files if there.get(name) != digest(files[name])]
    keep = [name for name in files if name not in write]
    # Of `drive.py` and `drive.mpy` MicroPython takes the first.
    hiding = [
        name
        for name in (file.removesuffix(".mpy") + ".py" for file in files if file.endswith(".mpy"))
        if name in there
    ]
    known = {*files, MAINTENANCE}
    stale = [name for name in there if name in ours and name not in known]
    parts = [name for name in there if name.removesuffix(PART) in files and name.endswith(PART)]
    foreign = [name for name in write if name in there and name not in ours]
    aside = [name for name in (*foreign, *hiding) if name not in ours and name != WIRING]
    return Plan(write, keep, aside, [*stale, *parts])


def _check_room(
    prompt: Prompt, files: Mapping[str, bytes], plan: Plan, there: Mapping[str, str]
) -> None:
    """Refuse, before anything is changed, what does not fit.

    Raises:
        NotInstalled: The flash is too full.
    """
    block = 4096  # of the flash's file system: each file takes whole ones
    needed = sum(-(-len(files[name]) // block) * block for name in plan.write if name not in there)
    free = prompt.free_bytes()
    if free is not None and free < needed + block:
        raise NotInstalled(
            f"The board's flash has {free // 1024} KiB free; the firmware needs {needed // 1024}.",
            "Remove files of yours from it.",
        )


@contextlib.contextmanager
def _half_done() -> Iterator[None]:
    """Tell whoever interrupts it what state the board is in."""
    try:
        yield
    except BaseException as error:
        error.add_note(
            "The board holds a part of the firmware and starts nothing; the gate pin floats or is "
            "low. Run the same command again."
        )
        raise


def _carry_out(prompt: Prompt, files: Mapping[str, bytes], plan: Plan, view: InstallView) -> None:
    """Change the board's files in an order in which half of it starts nothing."""
    there = prompt.hashes()
    taken = [name for name in plan.aside if name + BEFORE in there]
    if taken:
        hint = f"Remove or rename {taken[0]}{BEFORE} on the board first."
        raise NotInstalled(f"Somebody else's {taken[0]} is on the board for the second time.", hint)
    if "main.py" in there and "main.py" not in plan.aside:
        prompt.remove(["main.py"])
    for name in sorted(plan.aside, key=lambda name: name != "main.py"):
        prompt.rename(name, name + BEFORE)
    write = [name for name in files if name in plan.write or name == "main.py"]
    view.begin(sum(len(files[name]) for name in write))
    view.say(f"copying {len(write)} files")
    if MANIFEST in write:
        write.remove(MANIFEST)
        prompt.write(MANIFEST, files[MANIFEST], view.sent)
    prompt.remove([name for name in plan.remove if name in there and name != "main.py"])
    for name in write:
        prompt.write(name, files[name], view.sent)
    view.say("verifying")
    found = prompt.hashes()
    wrong = [name for name, data in files.items() if found.get(name) != digest(data)]
    if wrong:
        prompt.remove(["main.py"])
        hint = "Run the same command again; if it goes on, the flash is worn out."
        raise NotInstalled(f"Not as they should be on the board: {', '.join(wrong)}.", hint)


def _waits(prompt: Prompt) -> str:
    """Why the board must not be restarted now: it would switch its output on by itself."""
    try:
        stored = parse_json(prompt.read(SETTINGS[0]).split(b"\n")[0])
        alone = bool(dict(stored["values"]).get("startup")) and bool(stored["memories"][0])
    except (ValueError, KeyError, TypeError, IndexError):
        return ""
    if not alone:
        return ""
    return "its stored settings switch the output on at power-on: press its reset button yourself"


def _answer(url: str, done: Installed, view: InstallView) -> Installed:
    """With what the driver that has started says, its output off.

    Raises:
        NotInstalled: None answers, or it is not as it should be.
    """
    gate, top_v = done.wiring.gate, done.board.sensor_top_v(done.wiring)
    with _driver(url) as driver:
        if driver.board.gate_pin != gate:
            raise NotInstalled(
                f"The driver answers, but with its gate on GPIO {driver.board.gate_pin}, not "
                f"{gate}."
            )
        state = driver.condition()
        if state not in (DriverState.OFF, DriverState.TRIPPED):
            driver.make_safe()
            raise NotInstalled(f"The driver started with its output {state.value.lower()}.")
        if driver.settings_state() == "DAMAGED":
            view.say(
                "its stored settings are damaged or beyond what this firmware allows, such as a"
                " negative gain: defaults are in force, so set, calibrate and store anew"
            )
        known = driver.calibration()
        limit = top_v and CurrentLimit(
            driver.limits().trip_a, (top_v - known.supply_offset_v) * known.supply_gain_a_per_v
        )
        # Positive numbers are trips, which the state tells; a limit out of reach is told by itself.
        ours = {_CONFLICT} if limit and limit.warning else set()
        said = [e for e in driver.startup_errors if e.number < 0 and e.number not in ours]
        if said:
            raise NotInstalled(f"The driver starts, but says: {'; '.join(map(str, said))}.")
        dates = calibrated.read(driver.protected_data())
        found = driver.identity.serial, driver.identity.firmware, state.value.lower()
        dated = calibrated.describe(dates, known)
        return replace(done, driver=found, calibrated=dated, limit=limit or None)


def _driver(url: str) -> Driver:
    """The driver, once it has started; a port that is gone while it does comes back."""
    deadline = time.monotonic() + _BACK_S
    while True:
        try:
            return Driver.open(url, _QUICK)
        except WrongFirmware:
            raise
        except (PortError, LinkError) as error:
            if time.monotonic() >= deadline:
                hint = (
                    f"{error.message} Press its reset button, then: "
                    f"coilwright status --port {split_token(url)[0]}"
                )
                message = "The files are on the board, but no driver answers."
                raise NotInstalled(message, hint) from error
        time.sleep(0.3)
