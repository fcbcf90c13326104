"""Records as one table in another program's format: CSV or Apache Parquet."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from coilwright.errors import NoResult, NotWritable, WouldOverwrite
from coilwright.record.columns import COLUMNS, NAMES
from coilwright.record.reader import Record
from coilwright.whole_file import replacing

if TYPE_CHECKING:
    import pyarrow

FORMATS = (".csv", ".parquet")
_FORMULA = tuple("=+-@\t\r\n＝＋－＠")
"""How a cell begins that a spreadsheet takes for a formula. Source: OWASP, "CSV Injection"."""


def check_target(target: Path, force: bool) -> None:
    """Refuse, before any work, a file that could not be written.

    Raises:
        NotWritable: It ends in another format's letters, or Parquet's library is not there.
        WouldOverwrite: It exists and `force` is not set.
    """
    if target.suffix.lower() not in FORMATS:
        raise NotWritable(
            f"{target} does not end in {' or '.join(FORMATS)}.", "Give the file such a name."
        )
    if target.suffix.lower() == ".parquet":
        try:
            import pyarrow.parquet  # noqa: F401
        except ImportError:
            raise NotWritable(
                f"{target} needs the library pyarrow, which is not installed.",
                "Install it with: pip install 'coilwright[parquet]', or export to .csv.",
            ) from None
    if target.exists() and not force:
        raise WouldOverwrite(
            f"{target} exists already.", "Give another name, or --force to replace it."
        )


def export(records: Sequence[Record], target: Path) -> int:
    """Write all points of some records into one table, with the record's name in each row.

    In CSV a name that a spreadsheet would take for a formula stands behind an apostrophe.

    Args:
        records: The records, in the order they shall stand.
        target: `.csv` (RFC 4180) or `.parquet`, which keeps the metadata of each record, too.

    Returns:
        Rows written.

    Raises:
        NoResult: There is no point in any of them.
        NotWritable: The file cannot be written.
    """
    if not any(len(record) for record in records):
        raise NoResult("There is no point in any of these records.", "Name others.")
    try:
        with replacing(target) as draft:
            if target.suffix.lower() == ".parquet":
                _write_parquet(records, draft)
            else:
                with draft.open("w", encoding="utf-8", newline="") as stream:
                    stream.writelines(_lines(records))
    except OSError as error:
        raise NotWritable(
            f"{target} cannot be written: {error.strerror or error}.",
            "Check folder, rights and free space.",
        ) from error
    return sum(len(record) for record in records)


def as_text(text: str) -> str:
    """A text for a cell of a CSV file that a spreadsheet may open: text there, too.

    The file names and stages of foreign records are whatever somebody chose to write.
    """
    return "'" + text if text.startswith(_FORMULA) else text


def _lines(records: Sequence[Record]) -> Iterator[str]:
    import csv
    import io

    line = io.StringIO(newline="")
    writer = csv.writer(line)
    writer.writerow(["record", *NAMES])
    yield line.getvalue()
    for record in records:
        name, names = as_text(record.path.stem), [as_text(stage) for stage in record.stages]
        stages = [names[code] for code in record.stage_codes.tolist()]
        columns = [record[name].tolist() for name in NAMES[1:]]
        for row in zip(stages, *columns, strict=True):
            line.seek(0)
            line.truncate()
            writer.writerow([name, *row])
            yield line.getvalue()


def _write_parquet(records: Sequence[Record], draft: Path) -> None:
    import pyarrow.parquet as parquet

    schema = _schema(records)
    with parquet.ParquetWriter(draft, schema, compression="zstd") as writer:
        for record in records:
            writer.write_table(_table(record, schema))


def _schema(records: Sequence[Record]) -> pyarrow.Schema:
    import pyarrow as arrow

    kinds = {"string": arrow.string(), "integer": arrow.int64(), "double": arrow.float64()}
    fields = [arrow.field("record", arrow.string())] + [
        arrow.field(
            column.name,
            kinds[column.kind],
            metadata={"unit": column.unit, "description": column.title},
        )
        for column in COLUMNS
    ]
    documents = {
        record.path.stem: record.metadata.document
        for record in records
        if record.metadata is not None
    }
    return arrow.schema(fields, metadata={"csvw": json.dumps(documents, ensure_ascii=False)})


def _table(record: Record, schema: pyarrow.Schema) -> pyarrow.Table:
    import pyarrow as arrow

    name = arrow.array([record.path.stem] * len(record), arrow.string())
    stages = arrow.DictionaryArray.from_arrays(
        arrow.array(record.stage_codes), arrow.array(record.stages or ("",), arrow.string())
    ).cast(arrow.string())
    columns = [name, stages, *(arrow.array(record[column]) for column in NAMES[1:])]
    return arrow.Table.from_arrays(columns, schema=schema)
