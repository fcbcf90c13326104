"""Puts a report together as one HTML file that needs nothing beside it.

Whatever a record says is text: the template escapes it, and the page's own security policy allows
no script at all and nothing from outside.
"""

from __future__ import annotations

import base64
import gzip
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coilwright import __version__
from coilwright.circuit.checks import Check
from coilwright.compare import Comparison
from coilwright.quantities import show, show_percent
from coilwright.record import COLUMNS, Record, metadata_path
from coilwright.report.drawing import Plot
from coilwright.report.facts import Entry, EntryGroup, ReportFacts, estimate_text
from coilwright.report.prediction import SolvedMap
from coilwright.report.told import clean
from coilwright.view.predict_text import limit_text, number_text
from coilwright.view.signs import units

MOST_BYTES = 1_000_000
"""Of one embedded file, compressed: browsers follow no longer `data:` address than 2 MB, and base
64 adds a third."""

WORTH = 20
"""Files larger than this many times `MOST_BYTES` would stay too large when compressed."""

MOST_ROWS = 1000
"""Rows of the table of points."""


@dataclass(frozen=True, slots=True)
class PageFile:
    """A file inside the page: its name, its `data:` address, its size as text."""

    name: str
    uri: str
    size: str


def render(
    records: Sequence[Record],
    facts: ReportFacts,
    plots: Sequence[Plot],
    model: SolvedMap | None,
    comparison: Comparison | None,
) -> str:
    """The page.

    Args:
        records: The record of the report first, then those it is compared with.
        facts: What it says of the first.
        plots: Drawn from them.
        model: The circuit model of a build at the setting.
        comparison: Of all records; None where there is only one.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("coilwright.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["units"] = units
    left_out: list[str] = []
    files = list(_files(records, left_out))
    return environment.get_template("page.html").render(
        version=__version__,
        style=_style(),
        facts=facts,
        cautions=[*facts.cautions, *(() if model is None else map(_sentence, model.cautions))],
        plots=plots,
        comparison=None if comparison is None else _compared(comparison),
        model=None if model is None else _model(model),
        setup=[*facts.setup, *_build_group(model)],
        files=files,
        raw=_raw(records[0], left_out),
    )


def _style() -> Any:
    """The style sheet, which is ours and no record's."""
    from markupsafe import Markup

    return Markup((Path(__file__).parent / "style.css").read_text("utf-8").strip())


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _files(records: Sequence[Record], left_out: list[str]) -> Iterator[PageFile]:
    """The records' files, compressed where they are large, left out where they are too large."""
    for record in records:
        for path in (record.path, metadata_path(record.path)):
            try:
                data = path.read_bytes()
            except OSError:
                continue
            name, kind = clean(path.name), "text/csv" if path is record.path else "application/json"
            if MOST_BYTES < len(data) <= WORTH * MOST_BYTES:
                data, name, kind = gzip.compress(data, mtime=0), name + ".gz", "application/gzip"
            if len(data) > MOST_BYTES:
                left_out.append(f"{clean(path.name)} is too large to be kept in this page.")
                continue
            address = f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
            yield PageFile(name, address, f"{max(1, round(len(data) / 1000))} kB")


def _raw(record: Record, remarks: list[str]) -> dict[str, Any]:
    """The points as a table of text, and what is to be said of the files."""
    stages = [record.stages[code] for code in record.stage_codes[:MOST_ROWS].tolist()]
    columns = [record[column.name][:MOST_ROWS].tolist() for column in COLUMNS[1:]]
    rows = [
        [clean(stage), *map(_cell, row)]
        for stage, row in zip(stages, zip(*columns, strict=True), strict=True)
    ]
    if len(record) > MOST_ROWS:
        remarks.append(f"The table holds the first {MOST_ROWS} of {len(record)} points.")
    return {"names": [column.name for column in COLUMNS], "rows": rows, "remarks": remarks}


def _cell(value: float) -> str:
    return repr(value)


def _compared(found: Comparison) -> dict[str, Any]:
    rows = []
    for row in found.rows:
        cells = []
        for number, estimate in enumerate(row.estimates):
            if estimate is None:
                cells.append({"value": "none", "remark": "", "difference": ""})
                continue
            value, between = estimate_text(estimate, row.unit)
            other = row.differences[number - 1] if number else None
            difference = ""
            if other is not None:
                differs = "differs" if other.differs else "no difference seen"
                difference = f"{_signed(other.estimate.value, row.unit)} to the first: {differs}"
            cells.append({"value": value, "remark": between, "difference": difference})
        rows.append({"name": row.name, "cells": cells})
    remarks = [
        f"{label}: {remark}"
        for label, remark in zip(found.labels, found.remarks, strict=True)
        if remark
    ]
    return {"labels": found.labels, "rows": rows, "remarks": remarks}


def _signed(value: float, unit: str) -> str:
    amount = show(abs(value), unit, 3) if unit else f"{abs(value):.2g}"
    return ("+" if value > 0 else "\N{MINUS SIGN}" if value < 0 else "") + amount


def _model(model: SolvedMap) -> dict[str, Any]:
    at = f"{model.place.frequency_hz / 1e3:.2f} kHz and {show_percent(model.place.duty)} duty"
    return {
        "name": model.name,
        "where": f"{at}, the {model.place.name}",
        "verdict": model.verdict,
        "checks": [
            {
                "name": clean(check.name),
                "verdict": f"({check.verdict})" if check.hypothetical else check.verdict,
                "number": _number(check),
                "reason": clean(_reason(check)),
            }
            for check in model.checks
        ],
    }


def _number(check: Check) -> str:
    if check.value is None:
        return ""
    value = number_text(check.value, check.unit)
    return value if check.limit is None else f"{value} ({limit_text(check)})"


def _reason(check: Check) -> str:
    if not check.needs:
        return check.reason
    needs = "needs " + " and ".join(check.needs)
    return f"{needs}; {check.reason}" if check.reason else needs


def _build_group(model: SolvedMap | None) -> Iterator[EntryGroup]:
    """The values of the build file that decide."""
    if model is None:
        return
    driver = model.case.driver
    entries = [
        Entry("name", model.name),
        Entry("supply", show(driver.supply.voltage_v, "V")),
        Entry("coil", f"{show(driver.coil.inductance_h, 'H')}, "
              f"{show(driver.coil.resistance_ohm, 'ohm')}"),
        Entry("tank capacitor", show(driver.tank_capacitance_f, "F")),
    ]  # fmt: skip
    for one in driver.receivers:
        text = (
            f"{one.count} of {show(one.inductance_h, 'H')} with {show(one.capacitance_f, 'F')},"
            f" coupling {one.coupling:g}"
        )
        entries.append(Entry(clean(one.name), text))
    yield EntryGroup("Build", tuple(entries))
