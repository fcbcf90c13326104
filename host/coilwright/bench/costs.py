"""What the board's own work costs on the chip: one table, and the firmware made to pay for it.

The simulated board is a PC: a line of commands takes it no time. With `costs="chip"` the shim
charges what is in `TABLE` to the board's virtual clock. Bytecodes are charged by the firmware
itself: `paced` puts a call before each of its statements, in a copy, and between any two of them a
timer's callback may come. Nothing else in the copy differs.
"""

from __future__ import annotations

import ast
import shutil
from dataclasses import dataclass
from pathlib import Path

MEASURED = "measured"
"""On MicroPython 1.28's RP2 port on an emulated RP2040 at 125 MHz, with a model of its flash cache.
"""
FITTED = "fitted"
"""To a measured figure, by a run of this bench."""
COMPUTED = "computed"
ESTIMATED = "estimated"
"""Nobody has measured it; the order of magnitude is right, as far as we know."""


@dataclass(frozen=True, slots=True)
class Cost:
    """A row of the table: a whole number for each family, and how it was found."""

    name: str
    meaning: str
    unit: str
    rp2: int
    rp2_source: str
    esp32: int
    esp32_source: str


TABLE = (
    Cost(
        "bytecode",
        "a bytecode that does little; an attribute counts twice, a call five times",
        "ns",
        1200,
        f"{FITTED}: a simple query 10 to 15 ms, from the table's end 24, a line of five 71",
        600,
        f"{ESTIMATED}: the RP2040's by the clocks, 240 to 125 MHz, and a little more",
    ),
    Cost(
        "timer",
        "entering and leaving a timer's callback",
        "us",
        15,
        f"{FITTED}: a tick of the guard 58 us",
        20,
        f"{ESTIMATED}: as on the RP2040, and a task switch",
    ),
    Cost(
        "jitter",
        "how late a timer may be by itself; drawn evenly, by the seed",
        "us",
        50,
        f"{ESTIMATED}",
        50,
        f"{ESTIMATED}",
    ),
    Cost(
        "collection",
        "a garbage collection; only a hard timer's callback comes meanwhile",
        "us",
        8400,
        MEASURED,
        6000,
        f"{ESTIMATED}: a faster clock, a heap of a like size",
    ),
    Cost(
        "free heap",
        "bytes given out between two collections, where the firmware asks for none",
        "bytes",
        182_000,
        f"{MEASURED}: free with the first edition's firmware",
        60_000,
        "read: the heap starts at 56 to 64 KB and grows",
    ),
    Cost(
        "erase",
        "a sector of the flash erased, once a file written; no callback comes meanwhile",
        "us",
        45_000,
        "from memory, of a flash chip's data sheet, which allows 400 ms",
        45_000,
        f"{ESTIMATED}: as on the RP2040",
    ),
    Cost(
        "page",
        "256 bytes of flash written, or a file renamed or removed; no callback meanwhile",
        "us",
        700,
        "from memory, of a flash chip's data sheet",
        700,
        f"{ESTIMATED}: as on the RP2040",
    ),
    Cost(
        "byte",
        "a byte on the serial line, either way",
        "ns",
        2000,
        f"{ESTIMATED}: USB at full speed, some 64 bytes each 128 us",
        86_806,
        f"{COMPUTED}: 10 bits at 115200 baud",
    ),
    Cost(
        "buffer",
        "bytes that the port takes at once; behind them the writer waits",
        "bytes",
        256,
        "from memory: TinyUSB's buffer as the port sets it; callbacks come while it waits",
        128,
        "read: ports/esp32/uart.c, the UART's FIFO; no callback comes while it waits",
    ),
    Cost(
        "constructor",
        "`PWM(...)`",
        "us",
        20,
        f"{ESTIMATED}: a few registers",
        200,
        f"{ESTIMATED}: a timer and a channel configured",
    ),
    Cost(
        "frequency",
        "`PWM.freq(...)`: the timer set, on the S3 and the C3 reset",
        "us",
        10,
        f"{ESTIMATED}: a few registers",
        80,
        f"{ESTIMATED}: a timer configured",
    ),
    Cost(
        "duty",
        "`PWM.duty_u16(...)`",
        "us",
        5,
        f"{ESTIMATED}: a register",
        15,
        f"{ESTIMATED}: a channel updated",
    ),
)
"""In the order in which the shim takes them. What a conversion takes is in `chips.CHIPS`."""

HEAP_BYTES = 96 * 1024
"""What the shim's part and the firmware's payments take of the heap at most."""
MODULE = "sim_costs"
"""The shim's part."""

_CALL, _ATTRIBUTE, _OTHER = 5, 2, 1
_ENTER = 8
"""A function's call and return, in bytecodes."""
_LOOP = 2
_SPEND = "_spend"
"""A name that the shim adds to the built-in ones."""


def argument(family: str, seed: int) -> str:
    """The module of the shim, with the figures of the chip's family and the seed."""
    figures = [cost.rp2 if family == "rp2" else cost.esp32 for cost in TABLE]
    served = family == "rp2"
    return f"{MODULE}={','.join(map(str, [*figures, int(served), seed]))}"


def pace_folder(firmware: Path, folder: Path) -> None:
    """Copy a firmware so that its modules pay. Compiled ones (`.mpy`) stay as they are."""
    for file in firmware.iterdir():
        if file.suffix == ".py":
            text = paced(file.read_text(encoding="utf-8"))
            (folder / file.name).write_text(text, encoding="utf-8")
        elif file.is_dir():
            shutil.copytree(file, folder / file.name)
        else:
            shutil.copy(file, folder / file.name)


def paced(source: str) -> str:
    """A module that says before each statement how many bytecodes it takes."""
    tree = ast.parse(source)
    _pay_inside(tree)
    body = tree.body
    at = 1 if body and _is_docstring(body[0]) else 0
    tree.body = body[:at] + _pay_in(body[at:])
    return ast.unparse(ast.fix_missing_locations(tree)) + "\n"


def bytecodes(node: ast.AST) -> int:
    """About how many bytecodes an expression or a statement without a body takes.

    MicroPython's compiler makes about one of each name, constant, operator and target. What is in
    a lambda or behind `for` in a comprehension pays where it runs.
    """
    if isinstance(node, (ast.Lambda, ast.ListComp, ast.SetComp, ast.DictComp, ast.GeneratorExp)):
        return _CALL
    weights = {ast.Call: _CALL, ast.Attribute: _ATTRIBUTE}
    own = weights.get(type(node), _OTHER) if isinstance(node, (ast.expr, ast.stmt)) else 0
    return own + sum(bytecodes(child) for child in ast.iter_child_nodes(node))


def _is_docstring(statement: ast.stmt) -> bool:
    return isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)


def _spend(count: int) -> ast.expr:
    return ast.Call(ast.Name(_SPEND, ast.Load()), [ast.Constant(count)], [])


def _pay_inside(tree: ast.AST) -> None:
    """Lambdas and comprehensions pay as they are evaluated; `_spend` returns None."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Lambda):
            count = _ENTER + bytecodes(node.body)
            node.body = ast.BoolOp(ast.Or(), [_spend(count), node.body])
        elif isinstance(node, (ast.ListComp, ast.SetComp, ast.GeneratorExp)):
            count = _LOOP + bytecodes(node.elt)
            node.elt = ast.BoolOp(ast.Or(), [_spend(count), node.elt])


def _pay_in(body: list[ast.stmt], first: int = 0) -> list[ast.stmt]:
    """The statements, each behind its payment; `first` for what comes before them."""
    paid: list[ast.stmt] = []
    if first:
        paid.append(ast.Expr(_spend(first)))
    for statement in body:
        if not isinstance(statement, (ast.Global, ast.Nonlocal, ast.Pass)):
            count = _head(statement)
            paid.append(ast.Expr(_spend(count)))
        _pay_below(statement)
        paid.append(statement)
    return paid


def _head(statement: ast.stmt) -> int:
    """What a statement takes before its body."""
    parts: list[ast.AST]
    if isinstance(statement, (ast.If, ast.While)):
        parts = [statement.test]
    elif isinstance(statement, (ast.For, ast.AsyncFor)):
        parts = [statement.iter]
    elif isinstance(statement, (ast.With, ast.AsyncWith)):
        parts = list(statement.items)
    elif isinstance(statement, (ast.Try, ast.ClassDef)):
        parts = []
    elif isinstance(statement, (ast.FunctionDef, ast.AsyncFunctionDef)):
        parts = [*statement.args.defaults, *statement.decorator_list]
    else:
        return bytecodes(statement)
    return _OTHER + sum(map(bytecodes, parts))


def _pay_below(statement: ast.stmt) -> None:
    first = 0
    if isinstance(statement, ast.While):
        first = _LOOP + bytecodes(statement.test)
    elif isinstance(statement, (ast.For, ast.AsyncFor)):
        first = _LOOP + bytecodes(statement.target)
    elif isinstance(statement, (ast.FunctionDef, ast.AsyncFunctionDef)):
        first = _ENTER
    for name in ("body", "orelse", "finalbody"):
        below = getattr(statement, name, None)
        if isinstance(below, list) and below:
            at = 1 if name == "body" and _is_docstring(below[0]) and len(below) > 1 else 0
            inside = _pay_in(below[at:], first if name == "body" else 0)
            setattr(statement, name, below[:at] + inside)
    for handler in getattr(statement, "handlers", ()):
        handler.body = _pay_in(handler.body, _LOOP)


def rows() -> list[str]:
    """The table in Markdown, without its head, for docs/simulated-bench.md."""
    return [
        f"| {cost.name} | {cost.meaning} | {cost.rp2:,} {cost.unit} | {cost.rp2_source}"
        f" | {cost.esp32:,} {cost.unit} | {cost.esp32_source} |"
        for cost in TABLE
    ]
