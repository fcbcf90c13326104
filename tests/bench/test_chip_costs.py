"""What the board's own work costs on the bench's clock: each figure of the table, and who pays."""

from __future__ import annotations

import builtins
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.board_line import Talk
from coilwright.bench import costs
from coilwright.bench.chips import CHIPS
from coilwright.bench.costs import TABLE, paced
from coilwright.bench.process import Bench, have_micropython
from coilwright.bench.serve import parse_url
from coilwright.errors import BadBuild

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here")
needs_micropython = pytest.mark.skipif(not have_micropython(), reason="no MicroPython here")

FIRMWARE = """
import gc, machine, os, sys, time
chip = "%s"
adc = machine.ADC(machine.Pin(34 if chip == "esp32" else 26))
calls = []
def passed(f, *arguments):
    start = time.ticks_us()
    f(*arguments)
    return time.ticks_diff(time.ticks_us(), start)
def loop(count):
    for _ in range(count):
        pass
def write(name):
    with open(name, "wb") as file:
        file.write(bytes(600))
def garbage(count):
    for _ in range(count):
        [None] * 30
        time.sleep_us(50)
def pause(count):
    for _ in range(count):
        time.sleep_us(50)
def late(hard, f, *arguments):
    "Longest time between two calls of a timer while something runs."
    calls.clear()
    timer = machine.Timer(0)
    timer.init(mode=1, period=1, callback=lambda t: calls.append(time.ticks_us()), hard=hard)
    time.sleep_ms(3)
    f(*arguments)
    time.sleep_ms(3)
    timer.deinit()
    return max(b - a for a, b in zip(calls, calls[1:]))
def busy(count, period):
    "Time that a loop takes beside a timer whose callback works, and how often that came."
    calls.clear()
    def callback(timer):
        loop(20)
        calls.append(0)
    timer = machine.Timer(0)
    if period:
        timer.init(mode=1, period=period, callback=callback)
    us = passed(loop, count)
    timer.deinit()
    return us, len(calls)
pwm = machine.PWM(machine.Pin(25 if chip == "esp32" else 2), freq=165000, duty_u16=0)
while True:
    line = sys.stdin.buffer.readline()
    if line:
        try:
            answer = eval(line.decode())
        except Exception as error:
            answer = repr(error)
        sys.stdout.write(str(answer) + "\\n")
"""
CHIP_OF = {"rp2": "rp2040", "esp32": "esp32"}


def figures(family: str) -> dict[str, int]:
    """The table's column of a family."""
    return {cost.name: cost.rp2 if family == "rp2" else cost.esp32 for cost in TABLE}


class Board:
    """A bench with the firmware of this file."""

    def __init__(self, folder: Path, family: str, **options: Any) -> None:
        (folder / "main.py").write_text(FIRMWARE.replace("%s", family))
        self.figures = figures(family)
        self.bench = Bench(firmware=folder, chip=CHIP_OF[family], speed=1000, **options)
        self.bench.start()
        self.talk = Talk(self.bench.url)

    def ask(self, text: str) -> Any:
        return eval(self.talk.ask(text))

    def us(self, call: str) -> int:
        """What a call takes, beside the time of one of MicroPython's own that does nothing."""
        return int(self.ask(f"passed({call})")) - int(self.ask("passed(int)"))


@pytest.fixture(scope="module", params=["rp2", "esp32"])
def board(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Board]:
    """A board that pays, of each family."""
    if not have_micropython() or not hasattr(os, "openpty"):
        pytest.skip("MicroPython or a pty is missing")
    one = Board(tmp_path_factory.mktemp(request.param), request.param, costs="chip")
    yield one
    one.talk.__exit__()
    one.bench.stop()


def test_bytecodes_take_their_time(board: Board) -> None:
    """An empty loop's turn: the pass, the target and the jump."""
    spent = board.us("loop, 1000") - board.us("loop, 0")
    assert spent == pytest.approx(3 * board.figures["bytecode"], abs=20)  # ns a turn, 1000 turns


def test_calls_of_the_port_take_their_time(board: Board) -> None:
    for call, us in (
        ("adc.read_u16", board.bench.chip.conversion_us),
        ("pwm.duty_u16, 3000", board.figures["duty"]),
        ("pwm.freq, 166000", board.figures["frequency"]),
        ("machine.PWM, 4", board.figures["constructor"]),
    ):
        assert board.us(call) == pytest.approx(us, abs=3), call


def test_a_file_that_is_written_takes_an_erase(board: Board) -> None:
    erase, page = board.figures["erase"], board.figures["page"]
    assert board.us("write, 'a'") == pytest.approx(erase + 3 * page, rel=0.02)
    assert board.us("os.rename, 'a', 'b'") == pytest.approx(page, rel=0.1)
    assert board.us("os.remove, 'b'") == pytest.approx(page, rel=0.1)


def test_a_collection_takes_its_time_when_asked_for_and_when_the_heap_is_given_out(
    board: Board,
) -> None:
    """Lists of 30: on 32 bits, where a block has 16 bytes, one for the list and 8 for its words."""
    collection = board.figures["collection"]
    assert board.us("gc.collect") == pytest.approx(collection, rel=0.02)
    count = 4 * board.figures["free heap"] // 144
    spent = board.us(f"garbage, {count}") - board.us(f"pause, {count}")
    work = count * 4 * board.figures["bytecode"] // 1000  # list, constant, product, statement
    assert (spent - work) / collection == pytest.approx(4, abs=1)


def test_what_is_written_goes_at_the_pace_of_the_line(board: Board) -> None:
    board.ask("time.sleep_ms(100)")  # the buffer is empty, but for the answer
    rest = len("None\n") + 1000 - board.figures["buffer"]
    took_us = rest * board.figures["byte"] / 1000
    said = board.talk.ask("passed(sys.stdout.write, 'x' * 999 + '\\n')")
    assert set(said) == {"x"}
    assert int(board.talk.line()) == pytest.approx(took_us, abs=100)


def test_a_soft_timer_waits_for_the_collector_and_a_hard_one_does_not(board: Board) -> None:
    """Flash keeps both waiting: interrupts are off, and the code itself lies in flash."""
    slack = 1000 + board.figures["jitter"] + 300
    assert board.ask("late(False, gc.collect)") >= board.figures["collection"] - 1000
    assert board.ask("late(True, gc.collect)") <= slack
    for hard in (False, True):
        assert board.ask(f"late({hard}, write, 'a')") >= board.figures["erase"]
    assert board.ask("late(False, time.sleep_ms, 20)") <= slack


def test_a_callback_makes_what_it_interrupts_longer(board: Board) -> None:
    alone, none = board.ask("busy(5000, 0)")
    beside, calls = board.ask("busy(5000, 1)")
    assert none == 0
    assert calls >= alone // 1200
    assert beside - alone >= calls * board.figures["timer"]
    own_us = board.us("loop, 20") - board.us("loop, 0") + 40 * board.figures["bytecode"] / 1000
    assert beside - alone == pytest.approx(calls * (board.figures["timer"] + own_us), rel=0.2)


@needs_pty
@needs_micropython
def test_nobody_pays_unless_asked_to(tmp_path: Path) -> None:
    one = Board(tmp_path, "rp2")
    try:
        assert one.us("loop, 1000") == 0
        assert one.us("gc.collect") == 0
        assert one.us("write, 'a'") == 0
        assert one.us("adc.read_u16") == CHIPS["rp2040"].conversion_us
    finally:
        one.talk.__exit__()
        one.bench.stop()


def test_a_module_that_pays_does_what_it_did(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every kind of statement, with and without payment; and it pays for each turn of a loop."""
    source = '''"""Words."""
def f(n, *more, key=lambda v: -v):
    """More words."""
    global kept
    found = [key(i) for i in range(n) if i % 2]
    while n:
        n -= 1
        if n == 3:
            continue
        elif n == 1:
            break
        else:
            pass
    else:
        found.append("else")
    try:
        {}["no"]
    except KeyError as error:
        found.append(str(error))
    finally:
        kept = n
    return found, sorted(more, key=key), {k: v for k, v in zip("ab", (1, 2))}
class C:
    """A class."""
    x = 1
    def g(self):
        yield from (i for i in (self.x, 2))
result = f(6, 3, 1, 2), kept, list(C().g()), __doc__, f.__doc__, C.__doc__
'''
    paid: list[int] = []
    monkeypatch.setattr(builtins, costs._SPEND, paid.append, raising=False)
    plain: dict[str, Any] = {}
    paying: dict[str, Any] = {}
    exec(compile(source, "plain", "exec"), plain)
    assert paid == []
    exec(compile(paced(source), "paced", "exec"), paying)
    assert paying["result"] == plain["result"]
    assert all(count > 0 for count in paid)
    once = sum(paid)
    paid.clear()
    paying["f"](6)
    few = sum(paid)
    paid.clear()
    paying["f"](60)
    assert once > few
    assert sum(paid) > 5 * few


def test_a_figure_of_another_chip_is_told_as_what_it_is() -> None:
    assert len({cost.name for cost in TABLE}) == len(TABLE)
    words = ("measured", "fitted", "computed", "estimated", "read", "from memory")
    for cost in TABLE:
        for source in (cost.rp2_source, cost.esp32_source):
            assert source.startswith(words), cost
        assert not cost.esp32_source.startswith(("measured", "fitted")), cost


def test_the_page_has_the_table() -> None:
    page = (Path(__file__).parents[2] / "docs" / "simulated-bench.md").read_text("utf-8")
    for row in costs.rows():
        assert row in page


def test_a_url_asks_for_them() -> None:
    assert parse_url("sim://").costs == "none"
    assert parse_url("sim://harbour?costs=chip").costs == "chip"
    with pytest.raises(BadBuild, match="costs"):
        parse_url("sim://?costs=half")
