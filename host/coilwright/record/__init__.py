"""Sweep records: an RFC 4180 CSV of points with a W3C CSVW metadata file beside it.

docs/record-format.md describes the files.
"""

from __future__ import annotations

from coilwright.record.columns import COLUMNS, Column
from coilwright.record.metadata import RecordInfo
from coilwright.record.naming import metadata_path, next_path
from coilwright.record.reader import Record, read_record
from coilwright.record.resuming import differences, info_of, reopen
from coilwright.record.writer import RecordWriter

__all__ = [
    "COLUMNS",
    "Column",
    "Record",
    "RecordInfo",
    "RecordWriter",
    "differences",
    "info_of",
    "metadata_path",
    "next_path",
    "read_record",
    "reopen",
]
