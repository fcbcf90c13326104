"""Write `sizes.md`: what the firmware takes of flash and heap, and how soon it answers.

Run `python docs/make_size_table.py`; it takes a few minutes. Measured on the simulated boards
by the same installation that a person makes; tests hold the limits that the page names.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent / "tests"))

from coilwright.bench.bare import BareBench  # noqa: E402
from coilwright.board_file import board_names, load_board  # noqa: E402
from coilwright.firmware import firmware_folder  # noqa: E402
from coilwright.install import Wishes, install  # noqa: E402
from coilwright.install.image import STARTERS, compiled, modules  # noqa: E402
from coilwright.install.prompt import Prompt  # noqa: E402
from coilwright.link.framing import Block  # noqa: E402
from coilwright.link.handshake import identify  # noqa: E402
from coilwright.link.opening import open_port  # noqa: E402
from coilwright.link.timeouts import Timeouts  # noqa: E402
from coilwright.link.transport import Transport  # noqa: E402
from install.unplugged import Quiet  # noqa: E402

POINTS = 2000
_HEAP = "import gc\ngc.collect()\nprint(gc.mem_alloc(), gc.mem_alloc() + gc.mem_free())"
_BLOCK_BYTES = 4096  # of the flash's file system on every one of these boards


@dataclass(frozen=True, slots=True)
class Heap:
    """Bytes of heap that the firmware takes, on a 64-bit MicroPython, and seconds to its answer."""

    rest: int
    sweep: int
    whole: int
    answer_s: float


def measured(chip: str, source: bool) -> Heap:
    """Install on an empty board, run a long sweep, and ask for the heap meanwhile."""
    with BareBench(chip=chip, seed=1) as bench:
        prompt = Prompt.open(bench.url)
        before, whole = map(int, prompt.run(_HEAP).split())
        prompt.close()
        install(bench.url, Wishes(source=source), Quiet())
        with open_port(bench.url) as port:
            transport = Transport(port, Timeouts(quiet_s=0.02), name=bench.url)
            begun = time.monotonic()
            bench.reset()
            identify(transport, tries=3)
            answer_s = time.monotonic() - begun

            def taken() -> int:
                return int(transport.query("SYST:MEM?", str).split(",")[1]) - before

            rest = taken()
            transport.send("SYST:HOST:TIM 60;:FREQ:STAR 100 KHZ;STOP 300 KHZ;MODE SWE")
            transport.send(f"SWE:POIN {POINTS};DWEL 0;:SENS:AVER:COUN 2;:OUTP:RAMP 0")
            transport.send("PULS:DCYC 10;:OUTP ON;:INIT")
            return Heap(rest, max(rest, sweep(transport, taken)), whole - before, answer_s)


def sweep(transport: Transport, taken: object) -> int:
    """Read the points of a sweep that runs; the most heap that was taken meanwhile."""
    assert callable(taken)
    got = most = 0
    while got < POINTS:

        def wanted(block: Block, first: int = got) -> bool:
            return block.first == first

        block = transport.ask_block(f"TRAC:DATA? {got},64", wanted)
        got += block.count if block else 0
        if got % 512 < 64:
            most = max(most, taken())
    return most


def flash_rows() -> list[str]:
    """A row a board: sizes of the files."""
    source = firmware_folder()
    starters = sum((source / name).stat().st_size for name in STARTERS)
    text = sum(path.stat().st_size for path in modules(source))
    rows = []
    for name in board_names():
        board = load_board(name)
        parts = compiled(source, board.mpy_arch, 6)
        size = sum(map(len, parts.values()))
        blocks = sum(-(-len(data) // _BLOCK_BYTES) for data in parts.values()) + len(STARTERS) + 2
        cells = (name, board.mpy_arch, str(len(parts)), f"{size / 1024:.1f}")
        cells += (f"{starters / 1024:.1f}", f"{text / 1024:.1f}", f"{blocks * 4}")
        rows.append("| " + " | ".join(cells) + " |")
    return rows


def heap_rows() -> list[str]:
    """A row a simulated board and kind of file."""
    rows = []
    for chip in ("esp32", "rp2040", "rp2350"):
        for source in (False, True):
            found = measured(chip, source)
            kind = "source" if source else "`.mpy`"
            sizes = (f"{size / 1024:.1f}" for size in (found.rest, found.sweep, found.whole))
            rows.append(f"| {chip} | {kind} | " + " | ".join(sizes) + f" | {found.answer_s:.2f} |")
    return rows


def put(page: str, name: str, rows: list[str]) -> str:
    """The page with the rows of a table between its marks; its head stays."""
    before, rest = page.split(f"<!-- {name} -->\n")
    inside, after = rest.split(f"<!-- end of {name} -->\n")
    head = "\n".join(inside.strip().splitlines()[:2])
    table = "\n".join([head, *rows])
    return f"{before}<!-- {name} -->\n\n{table}\n\n<!-- end of {name} -->\n{after}"


def main() -> None:
    """Measure and put the tables between their marks."""
    path = DOCS / "sizes.md"
    page = put(path.read_text(encoding="utf-8"), "flash", flash_rows())
    path.write_text(put(page, "heap", heap_rows()), encoding="utf-8")


if __name__ == "__main__":
    main()
