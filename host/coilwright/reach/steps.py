"""Distance steps: from a record of `coilwright reach --measure`, or from a list typed by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coilwright.csv_list import ListedRow, read_text, rows
from coilwright.errors import BadRecord
from coilwright.lengths import parse_length
from coilwright.point import Flag
from coilwright.quantities import parse_quantity
from coilwright.record import Record, metadata_path, read_record
from coilwright.record.columns import NAMES

COLUMNS = ("distance", "colour", "lit", "pickup", "note")
_NEEDED = ("distance", "colour", "lit")
_HINT = "A list of steps has the columns distance, colour, lit and, if you like, pickup and note."
_LIT = {"lit": True, "yes": True, "y": True, "1": True, "true": True, "on": True}
_DARK = {"dark": False, "no": False, "n": False, "0": False, "false": False, "off": False}
LONGEST_COLOUR = 20


@dataclass(frozen=True, slots=True)
class Step:
    """One lamp at one distance.

    Attributes:
        distance_m: From the middle of the coil to the middle of the lamp, as it was given.
        colour: Of its LEDs.
        lit: Whether it was lit.
        pickup_v: Reading of the probe beside it; NaN where there is none.
        pickup_sd_v: Standard deviation of that reading, 0 where not known.
        by_sensor: A sensor's level told lit from dark, not an eye.
    """

    distance_m: float
    colour: str
    lit: bool
    pickup_v: float = math.nan
    pickup_sd_v: float = 0.0
    by_sensor: bool = False


def read_steps(path: Path) -> tuple[list[Step], Record | None]:
    """The steps of a file, and the record where it is one.

    Raises:
        BadRecord: It cannot be read, or a row is wrong; names the row, the value and what is meant.
    """
    first, _, _ = read_text(path, "list of steps", _HINT).partition("\n")
    if metadata_path(path).exists() or set(NAMES) <= set(first.strip().split(",")):
        record = read_record(path)
        return steps_of(record), record
    found = [_listed(row) for row in rows(read_text(path, "list", _HINT), path.name,
                                          "list of steps", COLUMNS, _NEEDED)]  # fmt: skip
    if not found:
        raise BadRecord(f"{path} has no steps.", _HINT)
    return found, None


def _listed(row: ListedRow) -> Step:
    colour = colour_name(row.cells.get("colour", ""))
    lit = (_LIT | _DARK).get(row.cells.get("lit", "").lower())
    if colour is None:
        raise BadRecord(
            f"{row.where}: the colour {row.cells.get('colour', '')!r} is no word.",
            "Write a word of up to 20 letters, such as red.",
        )
    if lit is None:
        raise BadRecord(
            f"{row.where}: lit is {row.cells.get('lit', '')!r}.", "Write yes or no, or lit or dark."
        )
    try:
        distance = parse_length(row.number_text("distance"))
        pickup = row.number_text("pickup")
        volts = parse_quantity(pickup, "V") if pickup else math.nan
    except ValueError as error:
        raise BadRecord(
            f"{row.where}: {error}.", "Write lengths as 30 mm, pickups as 350 mV."
        ) from None
    return Step(distance, colour, lit, volts)


def colour_name(text: str) -> str | None:
    """The colour as it is kept, None where it is no word."""
    name = text.strip().lower()
    whole = 0 < len(name) <= LONGEST_COLOUR and name.replace("-", "").replace(" ", "").isalnum()
    return name if whole else None


def steps_of(record: Record) -> list[Step]:
    """The steps of a record: its marks with a distance, and the last point of each mark's stage.

    Raises:
        BadRecord: It has none, or its metadata are missing.
    """
    marks = record.metadata.facts.get("marks") if record.metadata is not None else None
    found = [step for mark in _objects(marks) for step in _marked(record, mark)]
    if not found:
        raise BadRecord(
            f"{record.path} holds no distance steps.",
            "They are in the metadata of records that `coilwright reach --measure` made.",
        )
    return found


def _objects(value: object) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _marked(record: Record, mark: dict[str, Any]) -> list[Step]:
    distance, lit = mark.get("distance_m"), mark.get("lit")
    good = isinstance(distance, int | float) and math.isfinite(distance) and distance > 0
    if not good or not isinstance(lit, dict) or mark.get("stage") not in record.stages:
        return []
    by_sensor = mark.get("by") == "light"
    points = record.stage(str(mark["stage"])).points
    volts = sd = math.nan
    if points:
        point = points[-1]
        unsure = point.flags & (Flag.PROBE_OVER | Flag.SENSOR_FAULT | Flag.OUTPUT_OFF)
        reads = not unsure and (point.probe_v, point.probe_sd_v) != (0.0, 0.0)
        volts = point.probe_v if reads else math.nan
        sd = point.probe_sd_v / math.sqrt(max(point.averages, 1))
    names = ((colour_name(str(colour)), seen) for colour, seen in lit.items())
    return [
        Step(float(distance), name, seen, volts, sd if math.isfinite(sd) else 0.0, by_sensor)  # type: ignore[arg-type]
        for name, seen in names
        if name and isinstance(seen, bool)
    ]


def colours_of(steps: Sequence[Step]) -> list[str]:
    """The colours in the order in which they come."""
    return list(dict.fromkeys(step.colour for step in steps))
