"""The columns of a record, once for writer, reader and metadata."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from coilwright.point import Point

Kind = Literal["string", "integer", "double"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a record.

    Attributes:
        name: Header and name in the metadata; a unit where the value has one.
        title: What it means, in words.
        kind: CSVW datatype.
        unit: Unit as people write it, empty for counts and text.
        code: The unit's code in UN/CEFACT Recommendation 20, empty for counts and text.
    """

    name: str
    title: str
    kind: Kind
    unit: str = ""
    code: str = ""


COLUMNS = (
    Column("sweep", "stage the point belongs to", "string"),
    Column("index", "number of the point in its sweep", "integer"),
    Column("time_s", "time since the driver's power-on", "double", "s", "SEC"),
    Column("requested_frequency_hz", "frequency asked for", "integer", "Hz", "HTZ"),
    Column("requested_duty", "duty asked for, fraction of the period", "double", "1", "C62"),
    Column("frequency_hz", "frequency the chip really set", "double", "Hz", "HTZ"),
    Column("duty", "duty the chip really set, fraction of the period", "double", "1", "C62"),
    Column("supply_a", "mean supply current", "double", "A", "AMP"),
    Column("probe_v", "pickup probe", "double", "V", "VLT"),
    Column("light_v", "light sensor", "double", "V", "VLT"),
    Column(
        "supply_sd_a", "standard deviation of single readings of supply_a", "double", "A", "AMP"
    ),
    Column("probe_sd_v", "standard deviation of single readings of probe_v", "double", "V", "VLT"),
    Column("light_sd_v", "standard deviation of single readings of light_v", "double", "V", "VLT"),
    Column("averages", "readings averaged per value", "integer"),
    Column("flags", "bits: see docs/record-format.md", "integer"),
)

NAMES = tuple(column.name for column in COLUMNS)
HEADER = ",".join(NAMES)

_STAGE = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,31}\Z")


def check_stage(stage: str) -> str:
    """A stage's name, which needs no quotes in CSV.

    Raises:
        ValueError: Empty, longer than 32 characters, or with other than letters, digits, blank,
            underscore, point and hyphen.
    """
    if not _STAGE.match(stage):
        raise ValueError(f"{stage!r} cannot name a stage of a record")
    return stage


def _double(value: float) -> str:
    """Shortest decimal that reads back to the same float; XSD spelling where not finite."""
    if math.isfinite(value):
        return repr(float(value))
    return "NaN" if math.isnan(value) else ("INF" if value > 0 else "-INF")


def row_of(stage: str, point: Point) -> str:
    """The point as a row without its line end."""
    cells = [stage]
    for column in COLUMNS[1:]:
        value = getattr(point, column.name)
        cells.append(str(int(value)) if column.kind == "integer" else _double(value))
    return ",".join(cells)
