"""What a report tells of a record in words and tables. Draws nothing, solves nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from coilwright.compare import Estimate, compare
from coilwright.kept_results import (
    BrightestKept,
    ChoiceKept,
    LowestKept,
    ModelKept,
    PlaceKept,
    ResonanceKept,
    SettingKept,
    TuneKept,
    ValleyKept,
)
from coilwright.quantities import show, show_percent
from coilwright.record import Record
from coilwright.report import told
from coilwright.report.by_kind import Words, words_of
from coilwright.report.measured import Measured, as_sweep
from coilwright.report.wording import named
from coilwright.view.tune_text import CAUTION

_GROUPS = (
    ("driver", "Driver"),
    ("board", "Board"),
    ("settings", "Settings"),
    ("limits", "Limits"),
    ("calibration", "Calibration"),
    ("plan", "What was asked for"),
)


@dataclass(frozen=True, slots=True)
class Entry:
    """A name and what belongs to it."""

    name: str
    text: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class EntryGroup:
    """Entries under a heading."""

    title: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """A figure with what is known of its uncertainty, as text."""

    name: str
    value: str
    interval: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class ShownPlace:
    """A frequency in Hz and a duty, and what it is called."""

    frequency_hz: float
    duty: float
    name: str


@dataclass(frozen=True, slots=True)
class ReportFacts:
    """Everything of a report that is words.

    Attributes:
        title, kind, note, tags: Of the record; `kind` is "tune", "sweep" or another word.
        source: Its file, its driver, its beginning in UTC, as far as known.
        summary: What came out, in a sentence or two.
        headline: The few figures to show large.
        findings: All figures, with their uncertainty.
        advice, warnings, cautions: Sentences.
        setup: Driver, settings and so on, by group.
        place: The setting, or else where the pickup peaks; None where nothing was found.
        alternative: Another setting; None where there is none.
        valley_ci_hz: Frequencies of the supply valley; None where it is not known.
        threshold: Highest dark and lowest lit duty; None where not searched.
    """

    title: str
    kind: str
    note: str
    tags: tuple[str, ...]
    source: tuple[str, ...]
    summary: str
    headline: tuple[Entry, ...]
    findings: tuple[Finding, ...]
    advice: tuple[str, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    setup: tuple[EntryGroup, ...]
    place: ShownPlace | None
    alternative: ShownPlace | None
    valley_ci_hz: tuple[float, float] | None
    threshold: tuple[float, float] | None


def facts_of(record: Record, found: Measured) -> ReportFacts:
    """Gather the words of a report from a record and what it measured."""
    meta = record.metadata
    results = told.results(record, TuneKept)
    document = None if meta is None else meta.document
    kind = told.text(document, "dc:type") or "record"
    setting = _place(results.setting, "setting")
    words = words_of(record, kind)
    return ReportFacts(
        title=_sentence_case(told.text(document, "dc:title") or told.clean(record.path.stem)),
        kind=kind,
        note=told.text(document, "dc:description"),
        tags=() if meta is None else tuple(map(told.clean, meta.tags)),
        source=tuple(filter(None, _source(record))),
        summary=_summary(kind, results, found) if words is None else words.summary,
        headline=tuple(_headline(results, found) if words is None else _entries(words)),
        findings=tuple(_findings(record, results, found) if words is None else _rows(words)),
        advice=tuple(results.advice),
        warnings=tuple(_warnings(record, results, found)),
        cautions=(CAUTION,),
        setup=tuple(_setup(record)),
        place=setting or _peak(found),
        alternative=_place(results.alternative, "alternative"),
        valley_ci_hz=(results.supply_valley or ValleyKept()).frequency_ci_hz,
        threshold=(_lowest_here(results) or LowestKept()).duty_interval,
    )


def _entries(words: Words) -> Iterator[Entry]:
    yield from (Entry(*pair) for pair in words.headline)


def _rows(words: Words) -> Iterator[Finding]:
    yield from (Finding(*row) for row in words.rows)


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


def _source(record: Record) -> Iterator[str]:
    meta = record.metadata
    driver = told.noted(record, "driver")
    model, serial = told.text(driver, "model"), told.text(driver, "serial")
    yield told.clean(record.path.name)
    yield f"{model.replace('-', ' ')} {serial}".strip()
    if meta is not None and meta.started is not None:
        yield meta.started.strftime("%Y-%m-%d %H:%M UTC")


def _place(kept: SettingKept | PlaceKept | ChoiceKept | None, name: str) -> ShownPlace | None:
    hertz, duty = (None, None) if kept is None else (kept.frequency_hz, kept.duty)
    if hertz is None or duty is None or hertz <= 0 or not 0 < duty < 1:
        return None
    return ShownPlace(hertz, duty, name)


def _peak(found: Measured) -> ShownPlace | None:
    if found.fit is None or found.sweep is None or not 0 < found.sweep.still < 1:
        return None
    return ShownPlace(found.fit.frequency_hz, found.sweep.still, "peak of the pickup")


def _summary(kind: str, results: TuneKept, found: Measured) -> str:
    if results.summary:
        return results.summary
    setting = _place(results.setting, "setting")
    if setting is not None:
        return f"Drive at {_khz(setting.frequency_hz)} with {show_percent(setting.duty)} duty."
    if found.fit is not None and found.sweep is not None:
        return (
            f"The pickup peaks at {_khz(found.fit.frequency_hz)}, driven with"
            f" {show_percent(found.sweep.still)} duty."
        )
    return "" if kind in ("track", "reach") else found.no_fit


def _headline(results: TuneKept, found: Measured) -> Iterator[Entry]:
    setting = results.setting or SettingKept()
    place = _place(setting, "setting")
    if place is None:
        if found.fit is not None:
            yield Entry("Resonance", _khz(found.fit.frequency_hz))
        return
    yield Entry("Frequency", _khz(place.frequency_hz))
    yield Entry("Duty", show_percent(place.duty))
    amps, times = setting.supply_a, setting.verified
    if amps is not None:
        yield Entry("Supply current", show(amps, "A", 3))
    if times is not None:
        yield Entry("Lit when verified", f"{times:.0f} of {times:.0f}", _chance(setting))


def _findings(record: Record, results: TuneKept, found: Measured) -> Iterator[Finding]:
    setting = results.setting
    if setting is None:
        yield from _sweep_findings(record, found)
        return
    setting = results.setting or SettingKept()
    place = _place(setting, "setting")
    if place is not None:
        where = f"{_khz(place.frequency_hz)} at {show_percent(place.duty)}"
        yield Finding("Setting", where, "", _asked(setting))
    for name, value, unit in (
        ("Supply current there", setting.supply_a, "A"),
        ("Pickup there", setting.probe_v, "V"),
        ("Light sensor there", setting.light_v, "V"),
    ):
        if value is not None:
            yield Finding(name, show(value, unit, 3))
    yield from _resonance(results)
    here, anywhere = _lowest_here(results), results.lowest_lit_duty
    yield from _lowest(here or LowestKept(), "Lowest lit duty")
    if here is not anywhere:
        yield from _lowest(anywhere or LowestKept(), "Lowest lit duty anywhere")
    yield from _choices(results)
    yield from _others(results)
    yield from _model(results.model or ModelKept())
    if results.reason:
        tuned_by = (results.tuned_by or "").replace("-", " ")
        yield Finding("Tuned by", tuned_by, "", results.reason)
    if results.lit:
        yield Finding("Lit is told by", _LIT_BY.get(found.lit_by, "a sensor"), "", results.lit)


_LIT_BY = {"light": "light sensor", "probe": "pickup probe", "operator": "operator"}


def _asked(setting: SettingKept) -> str:
    hertz, duty = setting.requested_frequency_hz, setting.requested_duty
    if hertz is None or duty is None:
        return ""
    return f"as the chip sets it when asked for {hertz:.0f} Hz and {show_percent(duty, 3)}"


def _chance(kept: SettingKept | LowestKept) -> str:
    chance, by = kept.lit_probability, kept.lit_probability_by
    if chance is None:
        return ""
    most = show_percent(min(chance, 0.999), 1)
    return f"lit with {most} probability" + (f" by its {by}" if by else "")


def _resonance(results: TuneKept) -> Iterator[Finding]:
    fit = results.resonance or ResonanceKept()
    hertz, duty = fit.frequency_hz, results.sweep_duty
    if hertz is None:
        if results.no_resonance:
            yield Finding("Resonance of the pickup", "none", "", results.no_resonance)
        return
    at = "" if duty is None else f"measured at {show_percent(duty)} duty"
    remark = "; ".join(part for part in (at, fit.message) if part)
    between = _khz_interval(fit.frequency_ci_hz)
    yield Finding("Resonance of the pickup", _khz(hertz), between, remark)
    q, within = fit.quality_factor, fit.quality_factor_ci
    if q is not None:
        between = "" if within is None else f"{within[0]:.1f} to {within[1]:.1f}"
        yield Finding("Q of the pickup", f"{q:.1f}", between, "as driven and loaded")
    peak, within = fit.peak_v, fit.peak_ci_v
    if peak is not None:
        yield Finding("Pickup at the resonance", show(peak, "V"), _quantities(within, "V"))


def _lowest_here(results: TuneKept) -> LowestKept | None:
    """The lowest lit duty at the setting; older records have one for both."""
    return results.lowest_lit_duty_at_setting or results.lowest_lit_duty


def _choices(results: TuneKept) -> Iterator[Finding]:
    """Settings to choose from, the dimmest first."""
    for choice in results.choices:
        place, amps, share = _place(choice, "choice"), choice.supply_a, choice.share_of_lit_level
        if place is not None and amps is not None and share is not None:
            where = f"at {_khz(place.frequency_hz)} and {show_percent(place.duty)} duty"
            remark = f"{where}, {share:.2f} times the level that counts as lit"
            yield Finding(f"To choose: {choice.name or ''}", show(amps, "A", 3), "", remark)


def _lowest(lowest: LowestKept, name: str) -> Iterator[Finding]:
    duty, amps = lowest.duty, lowest.supply_a
    if duty is None:
        return
    within = lowest.duty_interval
    between = "" if within is None else f"{show_percent(within[0])} to {show_percent(within[1])}"
    parts = ["" if amps is None else f"draws {show(amps, 'A', 3)}", _chance(lowest)]
    if lowest.bounded is False:
        parts.append("never seen dark: the least duty tried")
    if lowest.frequency_hz is not None:
        parts.insert(0, f"at {_khz(lowest.frequency_hz)}")
    remark = "; ".join(part for part in parts if part)
    yield Finding(name, show_percent(duty), between, remark)


def _others(results: TuneKept) -> Iterator[Finding]:
    light = results.light_maximum or BrightestKept()
    if light.frequency_hz is not None:
        between = _khz_interval(light.frequency_ci_hz)
        yield Finding("Brightest", _khz(light.frequency_hz), between)
    valley = results.supply_valley or ValleyKept()
    hertz, amps = valley.frequency_hz, valley.supply_a
    if hertz is not None and amps is not None:
        duty = valley.duty
        at = "" if duty is None else f" at {show_percent(duty)} duty"
        between = _khz_interval(valley.frequency_ci_hz, 1)
        remark = f"draws {show(amps, 'A', 3)}{at}, lit or not"
        yield Finding("Supply valley", f"{hertz / 1e3:.1f} kHz", between, remark)
    for name, kept in (
        ("Least current while lit", results.least_lit),
        ("Alternative", results.alternative),
    ):
        place, amps = _place(kept, name), None if kept is None else kept.supply_a
        if place is not None and amps is not None:
            where = f"at {_khz(place.frequency_hz)} and {show_percent(place.duty)} duty"
            yield Finding(name, show(amps, "A", 3), "", where)


def _model(model: ModelKept) -> Iterator[Finding]:
    peak, rated = model.drain_peak_v, model.drain_rated_v
    if peak is not None:
        remark = "by the circuit model"
        if rated is not None:
            remark += f"; the MOSFET is rated for {show(rated, 'V', 3)}"
        yield Finding("Peak on the drain", show(peak, "V", 3), "", remark)


def _sweep_findings(record: Record, found: Measured) -> Iterator[Finding]:
    """Figures of a record without results: those of `coilwright compare`."""
    sweep = as_sweep(record, found, "this")
    if sweep is None or found.fit is None:
        return
    names = {
        "resonance": "Resonance of the pickup",
        "quality factor": "Q of the pickup",
        "peak pickup": "Pickup at the resonance",
        "supply at peak": "Supply current there",
    }
    remark = f"at {show_percent(sweep_duty(found))} duty"
    for row in compare([sweep]).rows:
        (estimate,) = row.estimates
        if estimate is not None and row.name in names:
            value, between = estimate_text(estimate, row.unit)
            yield Finding(names[row.name], value, between, remark)
            remark = ""
    rows = None if found.sweep is None else found.sweep.rows
    if rows is not None and len(rows):
        least = rows[found.supply_a[rows].argmin()]
        where = f"at {_khz(found.frequency_hz[least])}"
        yield Finding("Least supply current", show(float(found.supply_a[least]), "A", 3), "", where)


def sweep_duty(found: Measured) -> float:
    """Duty of the sweep as the chip set it most."""
    assert found.sweep is not None
    duties = sorted(found.duty[found.sweep.rows].tolist())
    return float(duties[len(duties) // 2])


VIEW = (0.86, 1.14)
"""What the map shows, around the resonance and the place: further off nothing is decided."""


def view_hz(found: Measured, place: ShownPlace) -> tuple[float, float]:
    """Lowest and highest frequency of the map."""
    known = [place.frequency_hz, *([] if found.fit is None else [found.fit.frequency_hz])]
    return VIEW[0] * min(known), VIEW[1] * max(known)


def estimate_text(estimate: Estimate, unit: str) -> tuple[str, str]:
    """A figure and its interval."""
    if unit == "Hz":
        ends = (estimate.low, estimate.high)
        return _khz(estimate.value), _khz_interval(ends)
    if not unit:
        return f"{estimate.value:.1f}", f"{estimate.low:.1f} to {estimate.high:.1f}"
    return show(estimate.value, unit), _quantities((estimate.low, estimate.high), unit)


def _khz(hertz: float) -> str:
    return f"{hertz / 1e3:.3f} kHz" if hertz < 1e6 else show(hertz, "Hz", 6)


def _khz_interval(ends: tuple[float, float] | None, digits: int = 3) -> str:
    return "" if ends is None else f"{ends[0] / 1e3:.{digits}f} to {ends[1] / 1e3:.{digits}f} kHz"


def _quantities(ends: tuple[float, float] | None, unit: str) -> str:
    return "" if ends is None else f"{show(ends[0], unit)} to {show(ends[1], unit)}"


def _warnings(record: Record, results: TuneKept, found: Measured) -> Iterator[str]:
    yield from results.warnings
    yield from (results.model or ModelKept()).warnings or ()
    yield from (
        f"{told.clean(record.path.name)}: {one}" for one in map(told.clean, record.warnings)
    )
    end = None if record.metadata is None else record.metadata.facts.get("end")
    reason = told.text(end, "reason")
    if reason and reason != "complete":
        yield f"The record did not come to its end: {reason}"
    if found.every > 1:
        yield f"Of so many points every {found.every}th was drawn and fitted."


def _setup(record: Record) -> Iterator[EntryGroup]:
    yield EntryGroup("Record", tuple(_record_entries(record)))
    if record.metadata is None:
        return
    for key, title in _GROUPS:
        entries = tuple(Entry(name, text) for name, text in named(record.metadata.facts.get(key)))
        if entries:
            yield EntryGroup(title, entries)
    results = told.noted(record, "results")
    if told.at(results, "setting") is None:
        entries = tuple(Entry(name, text) for name, text in named(results))
        if entries:
            yield EntryGroup("What was found", entries)


def _record_entries(record: Record) -> Iterator[Entry]:
    yield Entry("file", told.clean(record.path.name))
    meta = record.metadata
    if meta is not None:
        for name, moment in (("begun", meta.started), ("ended", meta.finished)):
            if moment is not None:
                yield Entry(name, moment.strftime("%Y-%m-%d %H:%M:%S UTC"))
        reason = told.text(meta.facts.get("end"), "reason")
        yield Entry("end", reason or "never finished")
        creator = told.text(meta.document, "dc:creator")
        if creator:
            yield Entry("written by", creator)
    stages = ", ".join(map(told.clean, record.stages[:40]))
    yield Entry("points", str(len(record)))
    yield Entry("stages", stages or "none")
