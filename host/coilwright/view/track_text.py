"""What a tracking came to, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilwright.link.tracking import Move, TrackMode
from coilwright.quantities import show


def track_lines(moves: Sequence[Move], mode: TrackMode, missed: int) -> Iterator[str]:
    """Where it began, where it ended, and how it got there."""
    if not moves:
        yield "The driver has not read anything yet: it was on for too short a time."
        return
    first, last = moves[0], moves[-1]
    name = mode.name.lower()
    yield f"began at  {first.frequency_hz / 1e3:9.3f} kHz, {name} {show(first.value, mode.unit)}"
    yield f"ended at  {last.frequency_hz / 1e3:9.3f} kHz, {name} {show(last.value, mode.unit)}"
    drift = last.frequency_hz - first.frequency_hz
    yield f"{last.index - first.index} moves, {drift:+.0f} Hz in all"
    if missed:
        yield f"{missed} moves came too fast to be read; a longer --interval helps."
