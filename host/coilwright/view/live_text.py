"""The words and figures of the live panel: a snapshot in, lines of text out."""

from __future__ import annotations

from rich.text import Text

from coilwright.link.facts import DriverState
from coilwright.live.snapshot import Snapshot
from coilwright.quantities import show, show_percent
from coilwright.rest import supply_name
from coilwright.view.progress import flag_names
from coilwright.view.terminal_plot import draw

CAUTION = "Caution: coil, MOSFET and capacitor get hot. Begin with a small duty."
KEYS = (
    "space output   ←→ frequency, coarse , .   ↑↓ duty, coarse PgUp PgDn   c clear",
    "m mark   s sweep   t tune   x stop it   p plot   r peaks anew   q off and quit",
)
_STATE = {
    DriverState.OFF: ("OFF", "bold"),
    DriverState.RAMPING: ("RAMPING", "bold yellow"),
    DriverState.ON: ("ON", "bold reverse green"),
    DriverState.TRIPPED: ("TRIPPED", "bold reverse red"),
}
_BAR = 20


def state_line(snapshot: Snapshot, stale_s: float = 0.0) -> Text:
    """State of the output, the trip and what it may be measured against."""
    word, style = _STATE[snapshot.state]
    line = Text(" output  ").append(f" {word} ", style)
    if snapshot.state is DriverState.TRIPPED:
        line.append(f"  {snapshot.trip.text} ({snapshot.trip.number})", "bold")
        line.append(f" {snapshot.trip_facts}; c clears")
    else:
        line.append("   trip none", "dim")
        if snapshot.busy and snapshot.job is not None:
            line.append(f"   {job_words(snapshot)}", "bold")
    if stale_s > 1.0:
        line.append(f"   no reading for {stale_s:.0f} s", "bold yellow")
    return line


def job_words(snapshot: Snapshot) -> str:
    """The sweep or tune that runs, and how far it is."""
    job = snapshot.job
    if job is None:
        return ""
    # Stages of a tune begin with its name in the record; once is enough in a line of 80 columns.
    stage = "" if job.stage == job.name else f" {job.stage.removeprefix(job.name + '-')}"
    of = f" of {job.planned}" if job.planned else ""
    at = f", {job.points[-1].frequency_hz / 1e3:.3f} kHz" if job.points else ""
    return f"{job.name}{stage}: {len(job.points)}{of} points{at}"


def setting_lines(snapshot: Snapshot) -> Text:
    """Frequency and duty as the chip sets them, their steps and their limits."""
    rung, limits = snapshot.rung, snapshot.limits
    step = rung.step
    lines = Text(" frequency ")
    lines.append(f"{step.frequency_hz / 1e3:>9.3f} kHz", "bold")
    coarse_hz = rung.coarse_frequency * rung.step_hz
    lines.append(
        f"   step {_quantity(rung.step_hz, 'Hz', 8)} coarse {_quantity(coarse_hz, 'Hz', 8)}"
    )
    lines.append(f" limits {limits.low_hz / 1e3:g} to {limits.high_hz / 1e3:g} kHz\n")
    lines.append(" duty      ")
    lines.append(f"{100 * step.duty:>9.2f} %  ", "bold")
    coarse = show_percent(rung.coarse_duty * rung.step_duty)
    lines.append(f"   step {show_percent(rung.step_duty):<8} coarse {coarse:<8}")
    lines.append(f" cap {show_percent(rung.cap)}, on for {show(step.on_s, 's', 3)}")
    return lines


def reading_lines(snapshot: Snapshot) -> Text:
    """Now, peak hold, and the supply current against where it trips."""
    lines = Text().append("                  now        peak\n", "dim")
    point, peaks, trip_a = snapshot.point, snapshot.peaks, snapshot.limits.trip_a
    supply = "supply" if point is None else supply_name(point)
    rows = (
        (supply, None if point is None else point.supply_a, peaks.supply_a, "A"),
        ("pickup", None if point is None else point.probe_v, peaks.probe_v, "V"),
        ("light", None if point is None else point.light_v, peaks.light_v, "V"),
    )
    for name, now, peak, unit in rows:
        lines.append(f" {name:<7}")
        lines.append(f"{_value(now, unit):>13}", "bold")
        lines.append(f"{_value(peak, unit):>12}  ")
        if name == supply:
            lines.append(_bar(now, trip_a))
            lines.append(f" trips at {show(trip_a, 'A', 3)}")
        if name == "pickup" and point is not None and point.flags:
            lines.append(f"[{flag_names(point.flags)}]", "yellow")
        if name != "light":
            lines.append("\n")
    return lines


def _value(value: float | None, unit: str) -> str:
    if value is None:
        return "–"
    return show(value, unit, 3) if value == value else "no answer"


def _quantity(value: float, unit: str, width: int) -> str:
    return f"{show(value, unit, 3):<{width}}"


def _bar(value: float | None, full: float) -> Text:
    """A bar up to where the driver trips."""
    share = 0.0 if value is None or not value > 0 or full <= 0 else min(1.0, value / full)
    filled = round(_BAR * share)
    style = "red" if share > 0.8 else "green"
    return Text("▕").append("█" * filled, style).append("·" * (_BAR - filled), "dim").append("▏")


def plots(snapshot: Snapshot, now_s: float, width: int, height: int, *, job: bool) -> Text:
    """Supply and pickup side by side: over the last seconds, or of the sweep or tune."""
    points = () if snapshot.job is None else snapshot.job.points
    # Points of one setting, as where a tune verifies, are no curve: time shows them better.
    if job and len({(point.frequency_hz, point.duty) for point in points}) > 1:
        over_frequency = len({point.frequency_hz for point in points}) > 1
        x = [p.frequency_hz / 1e3 if over_frequency else 100 * p.duty for p in points]
        label = "kHz" if over_frequency else "duty in %"
        supply = [1e3 * point.supply_a for point in points]
        pickup = [point.probe_v for point in points]
    else:
        x = [at_s - now_s for at_s, _, _ in snapshot.trend]
        label = "seconds"
        supply = [1e3 * supply_a for _, supply_a, _ in snapshot.trend]
        pickup = [probe_v for _, _, probe_v in snapshot.trend]
    half = width // 2
    left = _plot(x, supply, f"supply in mA, over {label}", half, height)
    right = _plot(x, pickup, f"pickup in V, over {label}", width - half, height)
    whole = Text()
    for a, b in zip(left, right, strict=True):
        a.truncate(half, pad=True)
        whole.append(a).append(b).append("\n")
    whole.rstrip()
    return whole


def _plot(x: list[float], y: list[float], label: str, width: int, height: int) -> list[Text]:
    kept = [(a, b) for a, b in zip(x, y, strict=True) if b == b]
    if len(kept) < 2:
        blank = [Text("") for _ in range(height)]
        blank[0] = Text(f"  {label}", "dim")
        return blank
    text = draw(
        [a for a, _ in kept], [b for _, b in kept],
        x_label="", y_label="", width=width - 1, height=height - 1,
    )  # fmt: skip
    lines = [Text(f"  {label}"), *map(Text.from_ansi, text.splitlines()[: height - 1])]
    return lines + [Text("")] * (height - len(lines))
