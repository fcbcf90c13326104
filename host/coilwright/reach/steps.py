"""Distance steps: from a record of `coilwright reach --measure`, or from a list typed by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coilwright.circuit.field import CoaxialTurns, flat_coil, solenoid
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
_MOST_TURNS, _MOST_V = 1000, 1e6
_LEAST_M, _MOST_M = 1e-5, 100.0


@dataclass(frozen=True, slots=True)
class DistanceStep:
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


def read_steps(path: Path) -> tuple[list[DistanceStep], Record | None]:
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


def _listed(row: ListedRow) -> DistanceStep:
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
    if not _is_length(distance):
        raise BadRecord(f"{row.where}: the distance is {row.cells['distance']}.", "Check its unit.")
    if abs(volts) >= _MOST_V:
        raise BadRecord(f"{row.where}: the pickup is {row.cells['pickup']}.", "Check its unit.")
    return DistanceStep(distance, colour, lit, volts)


def colour_name(text: str) -> str | None:
    """The colour as it is kept, None where it is no word."""
    name = text.strip().lower()
    whole = 0 < len(name) <= LONGEST_COLOUR and name.replace("-", "").replace(" ", "").isalnum()
    return name if whole else None


def steps_of(record: Record) -> list[DistanceStep]:
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


def _is_length(value: object) -> bool:
    """Whether a value from a file is a length at a bench, in metres."""
    known = isinstance(value, int | float) and not isinstance(value, bool)
    return known and _LEAST_M <= value <= _MOST_M  # type: ignore[operator]


def _objects(value: object) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _marked(record: Record, mark: dict[str, Any]) -> list[DistanceStep]:
    distance, lit = mark.get("distance_m"), mark.get("lit")
    if (
        not (_is_length(distance) and isinstance(lit, dict))
        or mark.get("stage") not in record.stages
    ):
        return []
    by_sensor = mark.get("by") == "light"
    points = record.stage(str(mark["stage"])).points
    volts = sd = math.nan
    if points:
        point = points[-1]
        unsure = point.flags & (Flag.PROBE_OVER | Flag.SENSOR_FAULT | Flag.OUTPUT_OFF)
        reads = not unsure and (point.probe_v, point.probe_sd_v) != (0.0, 0.0)
        reads = reads and abs(point.probe_v) < _MOST_V
        volts = point.probe_v if reads else math.nan
        sd = point.probe_sd_v / math.sqrt(max(point.averages, 1))
    names = ((colour_name(str(colour)), seen) for colour, seen in lit.items())
    return [
        DistanceStep(float(distance), name, seen, volts, sd if 0 < sd < _MOST_V else 0.0, by_sensor)  # type: ignore[arg-type]
        for name, seen in names
        if name and isinstance(seen, bool)
    ]


COIL = ("coil_diameter", "inner_diameter", "turns", "pitch")
"""What a record's plan tells of the coil, in metres: a single layer, or with an inner diameter a
flat one."""


def coil_in(record: Record) -> CoaxialTurns | None:
    """The coil in a record's plan; None where it does not tell one that can be."""
    found = coil_values(record)
    if not found:
        return None
    try:
        if found["inner_diameter"] is not None:
            return flat_coil(found["inner_diameter"], found["coil_diameter"], found["turns"])
        return solenoid(found["coil_diameter"], found["turns"], found["pitch"])
    except ValueError:
        return None


def coil_values(record: Record) -> dict[str, Any]:
    """The coil in a record's plan by the names of `COIL`; empty where it is not whole."""
    plan = record.metadata.facts.get("plan") if record.metadata is not None else None
    told = plan.get("coil") if isinstance(plan, dict) else None
    if not isinstance(told, dict) or set(told) != set(COIL):
        return {}
    inner = [] if told["inner_diameter"] is None else [told["inner_diameter"]]
    lengths = [told["coil_diameter"], told["pitch"], *inner]
    whole = type(told["turns"]) is int and 1 <= told["turns"] <= _MOST_TURNS
    return told if whole and all(map(_is_length, lengths)) else {}


def colours_of(steps: Sequence[DistanceStep]) -> list[str]:
    """The colours in the order in which they come."""
    return list(dict.fromkeys(step.colour for step in steps))
