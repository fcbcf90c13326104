"""Writing records: whole at any moment, never over another, in standard formats."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.errors import NotWritable, WouldOverwrite
from coilwright.record import (
    COLUMNS,
    RecordInfo,
    RecordWriter,
    metadata_path,
    next_path,
    read_record,
    writer,
)
from coilwright.record.columns import check_stage, row_of
from coilwright.record.metadata import compose, to_text, utc_text
from record.points import any_point, any_stage, point

INFO = RecordInfo(
    kind="tune",
    title="Harbour, eight buoys",
    driver={"maker": "Coilwright", "model": "resonant-driver", "serial": "1edf", "firmware": "0.1"},
    board={"chip": "RP2", "pwm_clock_hz": 125_000_000},
    settings={"averages": 32, "settle_s": 0.008},
    limits={"duty_cap": 0.5},
    calibration={"supply_offset_v": 0.0123},
    note='gate resistor 10 ohm, "old" coil; 9 V',
    tags=("harbour", "before rewinding"),
    started=datetime(2026, 3, 14, 9, 26, 53, 589_000, UTC),
)


def document(path: Path) -> dict:
    return json.loads(metadata_path(path).read_text(encoding="utf-8"))


def test_metadata_is_whole_before_the_first_row(tmp_path):
    path = tmp_path / "a.csv"
    record = RecordWriter(path, INFO)
    found = document(path)
    record.finish()

    assert found["url"] == "a.csv"
    assert found["prov:startedAtTime"]["@value"] == "2026-03-14T09:26:53.589Z"
    assert "prov:endedAtTime" not in found


def test_a_row_is_in_the_file_as_soon_as_it_is_written(tmp_path):
    path = tmp_path / "a.csv"
    record = RecordWriter(path, INFO)
    for i in range(3):
        record.write("coarse", point(i))
        assert (
            len(path.read_bytes().split(b"\r\n")) == i + 3
        )  # header, rows, nothing after the last
    record.finish()


def test_the_end_is_told(tmp_path):
    path = tmp_path / "a.csv"
    with RecordWriter(path, INFO) as record:
        record.write("coarse", point())
        record.finish("complete", {"resonance_hz": 165_312.5, "lit": True})
    notes = {note["schema:name"]: note["schema:value"] for note in document(path)["notes"]}

    assert notes["end"] == {"reason": "complete", "rows": 1}
    assert notes["results"] == {"version": 1, "resonance_hz": 165_312.5, "lit": True}
    assert notes["driver"]["serial"] == "1edf"
    assert "prov:endedAtTime" in document(path)


@pytest.mark.parametrize(
    ("error", "told"),
    [(KeyboardInterrupt(), "interrupted"), (RuntimeError("no peak"), "RuntimeError: no peak")],
)
def test_an_exception_is_the_reason_of_the_end(tmp_path, error, told):
    path = tmp_path / "a.csv"
    with pytest.raises(type(error)), RecordWriter(path, INFO) as record:  # noqa: PT012
        record.write("coarse", point())
        raise error
    assert read_record(path).metadata.facts["end"]["reason"] == told
    assert len(read_record(path)) == 1


def test_nothing_is_written_after_the_end(tmp_path):
    record = RecordWriter(tmp_path / "a.csv", INFO)
    record.finish()
    with pytest.raises(ValueError, match="finished"):
        record.write("coarse", point())


@pytest.mark.parametrize("existing", ["a.csv", "a.csv-metadata.json"])
def test_an_existing_record_is_not_touched_without_force(tmp_path, existing):
    (tmp_path / existing).write_text("mine")
    with pytest.raises(WouldOverwrite, match=re.escape(existing)):
        RecordWriter(tmp_path / "a.csv", INFO)
    assert [entry.name for entry in tmp_path.iterdir()] == [existing]
    assert (tmp_path / existing).read_text() == "mine"


def test_force_replaces_both(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("mine")
    metadata_path(path).write_text("mine")
    with RecordWriter(path, INFO, force=True) as record:
        record.write("coarse", point())
    assert len(read_record(path)) == 1
    assert document(path)["url"] == "a.csv"


def test_two_writers_at_once_do_not_meet(tmp_path, monkeypatch):
    """The file appears between the look and the making."""
    path = tmp_path / "a.csv"
    monkeypatch.setattr(writer.RecordWriter, "_prepare", lambda self, force: path.write_text("x"))
    with pytest.raises(WouldOverwrite):
        RecordWriter(path, INFO)


def test_folders_are_made(tmp_path):
    RecordWriter(tmp_path / "runs" / "march" / "a.csv", INFO).finish()
    assert (tmp_path / "runs" / "march" / "a.csv").exists()


def test_a_folder_that_cannot_be(tmp_path):
    (tmp_path / "runs").write_text("a file")
    with pytest.raises(NotWritable) as caught:
        RecordWriter(tmp_path / "runs" / "a.csv", INFO)
    assert caught.value.hint


def test_another_suffix_is_refused(tmp_path):
    with pytest.raises(NotWritable, match=r"does not end in \.csv"):
        RecordWriter(tmp_path / "a.txt", INFO)


def test_a_full_disk_is_told_and_what_is_there_stays(tmp_path, monkeypatch):
    path = tmp_path / "a.csv"
    record = RecordWriter(path, INFO)
    record.write("coarse", point(0))

    def full(descriptor):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(writer, "_SYNC_INTERVAL_S", 0.0)
    monkeypatch.setattr(writer.os, "fsync", full)
    with pytest.raises(NotWritable, match=r"No space left on device\. 1 rows are kept"):
        record.write("coarse", point(1))
    before = metadata_path(path).read_bytes()
    with pytest.raises(NotWritable):
        record.finish()
    assert metadata_path(path).read_bytes() == before
    assert not list(tmp_path.glob("*.part"))
    assert read_record(path)["index"].tolist() == [0, 1]


def test_a_clock_that_is_set_back_does_not_turn_the_record_s_times_around(tmp_path, monkeypatch):
    """The computer's clock is set a day back and forth while points come."""
    path = tmp_path / "a.csv"
    times = iter([0, 5, -86_400, 7, 86_400, 9, -3600])

    class Wall(datetime):
        @classmethod
        def now(cls, tz=None):
            return INFO.started + timedelta(seconds=next(times))

    monkeypatch.setattr(writer, "datetime", Wall)
    record = RecordWriter(path, INFO)
    for index in range(6):
        record.write("coarse", point(index))
        record.event("looked")
    record.finish()

    found = read_record(path)
    assert found["index"].tolist() == list(range(6))
    assert found.metadata is not None
    told = [event["time"] for event in found.metadata.facts["events"]]
    assert told == sorted(told)
    assert told[2:4] == ["2026-03-14T09:26:58.589Z", "2026-03-14T09:27:00.589Z"]
    assert document(path)["prov:endedAtTime"]["@value"] == told[-1]
    assert found.finished


def test_only_records_and_dates_ask_for_the_wall_clock():
    """Every wait and every deadline goes by the monotonic clock: PEP 418, time.monotonic."""
    asks = re.compile(r"datetime\.now|date\.today|utcnow|time\.time\(|time_ns\(|localtime\(")
    host = Path(writer.__file__).parents[1]
    files = {
        file.relative_to(host).as_posix()
        for file in host.rglob("*.py")
        if asks.search(file.read_text(encoding="utf-8"))
    }
    assert files <= {
        "procedures/calibrate.py",  # the date in a calibration's file
        "procedures/sensor_bench.py",  # the date that the driver keeps
        "record/metadata.py",
        "record/naming.py",
        "record/resuming.py",
        "record/writer.py",
    }


@pytest.mark.parametrize("stage", ["", "a,b", 'a"b', "a\nb", "ä", "x" * 33, " a", "=1+1"])
def test_stages_that_would_need_quotes_are_refused(stage):
    with pytest.raises(ValueError, match="cannot name a stage"):
        check_stage(stage)


class TestRfc4180:
    """RFC 4180, section 2, rule by rule."""

    @pytest.fixture
    def raw(self, tmp_path):
        with RecordWriter(tmp_path / "a.csv", INFO) as record:
            for i in range(20):
                record.write("coarse" if i < 10 else "refine", point(i))
        return (tmp_path / "a.csv").read_bytes()

    def test_rule_1_and_2_every_line_ends_in_crlf(self, raw):
        assert raw.endswith(b"\r\n")
        assert raw.count(b"\n") == raw.count(b"\r") == raw.count(b"\r\n") == 21

    def test_rule_3_a_header_with_as_many_names_as_fields(self, raw):
        assert raw.split(b"\r\n")[0].decode() == ",".join(column.name for column in COLUMNS)

    def test_rule_4_the_same_number_of_fields_everywhere_and_no_blanks_around(self, raw):
        rows = list(csv.reader(io.StringIO(raw.decode("ascii"), newline=""), strict=True))
        assert {len(row) for row in rows} == {15}
        assert all(cell == cell.strip() and cell for row in rows for cell in row)

    def test_rules_5_to_7_nothing_needs_quotes(self, raw):
        assert b'"' not in raw


@given(any_stage, any_point)
def test_a_row_reads_back_exactly(stage, written):
    """Whole numbers digit by digit, floats by their shortest round trip."""
    (cells,) = csv.reader([row_of(stage, written)], strict=True)

    assert cells[0] == stage
    for column, cell in zip(COLUMNS[1:], cells[1:], strict=True):
        value = getattr(written, column.name)
        assert (int(cell) if column.kind == "integer" else float(cell)) == value


class TestCsvw:
    """Rules of the W3C Recommendation "Metadata Vocabulary for Tabular Data", 17 December 2015.

    Section numbers from memory; the second check is a reference library.
    """

    # The prefixes of the RDFa 1.1 initial context, which CSVW (5.8) takes its names from.
    PREFIXES = frozenset({"dc", "dcat", "prov", "schema", "xsd", "csvw", "rdf", "rdfs", "skos"})
    TABLE = frozenset(
        {
            "@id",
            "@type",
            "@context",
            "url",
            "dialect",
            "notes",
            "suppressOutput",
            "tableDirection",
            "tableSchema",
            "transformations",
        }
    )
    DIALECT = frozenset(
        {
            "commentPrefix",
            "delimiter",
            "doubleQuote",
            "encoding",
            "header",
            "headerRowCount",
            "lineTerminators",
            "quoteChar",
            "skipBlankRows",
            "skipColumns",
            "skipInitialSpace",
            "skipRows",
            "trim",
            "@id",
            "@type",
        }
    )

    @pytest.fixture
    def document(self):
        end = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
        return compose("a.csv", INFO, finished=end, reason="complete", rows=3, results={"f": 1.5})

    def common(self, key: str, value: object) -> None:
        """5.8.1 and 5.8.2: prefixed names; objects keep to the shape JSON-LD shares with CSVW."""
        assert key.partition(":")[0] in self.PREFIXES, key
        self.value(value)

    def value(self, value: object) -> None:
        if isinstance(value, list):
            for item in value:
                assert not isinstance(item, list)
                self.value(item)
        elif isinstance(value, dict):
            special = {key for key in value if key.startswith("@")}
            assert special <= {"@value", "@type", "@language", "@id"}
            if "@value" in value:
                assert len(value) <= 2
                assert not {"@type", "@language"} <= special
                assert isinstance(value["@value"], str | int | float | bool)
            else:
                assert "@language" not in value
            if "@type" in value:
                assert value["@type"].partition(":")[0] in self.PREFIXES
            for key, inner in value.items():
                if not key.startswith("@"):
                    self.value(inner)

    def test_5_2_context(self, document):
        assert document["@context"][0] == "http://www.w3.org/ns/csvw"
        assert set(document["@context"][1]) <= {"@base", "@language"}

    def test_5_4_table_has_a_url_and_only_known_or_common_properties(self, document):
        assert document["url"] == "a.csv"
        for key, value in document.items():
            if key not in self.TABLE:
                self.common(key, value)
        for note in document["notes"]:
            self.value(note)

    def test_5_6_columns(self, document):
        columns = document["tableSchema"]["columns"]
        names = [column["name"] for column in columns]
        assert len(set(names)) == len(names)
        for column in columns:
            assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_]*", column["name"])  # no leading _
            assert column["titles"] == column["name"]  # what stands in the header
            assert column["datatype"] in {"string", "integer", "double"}  # 5.11.1 built-in
            assert column["required"] is True
            for key, value in column.items():
                if key not in {"name", "titles", "datatype", "required"}:
                    self.common(key, value)

    def test_5_9_dialect(self, document):
        assert set(document["dialect"]) <= self.DIALECT
        assert document["dialect"]["headerRowCount"] == 1
        assert document["dialect"]["delimiter"] == ","

    def test_every_measured_value_has_a_unit(self, document):
        """Codes of UN/CEFACT Recommendation 20: HTZ, AMP, VLT, SEC, C62 (one)."""
        wanted = {"hz": "HTZ", "a": "AMP", "v": "VLT", "s": "SEC", "duty": "C62"}
        for column in document["tableSchema"]["columns"]:
            if column["datatype"] == "double":
                assert column["schema:unitCode"] == wanted[column["name"].rpartition("_")[2]]

    def test_a_reference_library_accepts_and_reads_it(self, tmp_path):
        csvw = pytest.importorskip("csvw", reason="needs the package csvw")
        path = tmp_path / "a.csv"
        with RecordWriter(path, INFO) as record:
            for i in range(10):
                record.write("coarse", point(i))
        found = csvw.CSVW(str(path))

        assert found.is_valid
        rows = list(found.tables[0])
        assert [row["index"] for row in rows] == list(range(10))
        assert rows[3]["frequency_hz"] == point(3).frequency_hz
        assert rows[3]["requested_frequency_hz"] == point(3).requested_frequency_hz

    def test_numbers_json_cannot_hold_are_refused(self):
        with pytest.raises(ValueError, match="Out of range"):
            to_text({"a": float("nan")})
        with pytest.raises(ValueError, match="not JSON serializable"):
            to_text({"a": object()})


def test_time_is_utc_by_iso_8601():
    summer = timezone(timedelta(hours=2))
    assert utc_text(datetime(2026, 7, 1, 1, 30, 0, 250_000, summer)) == "2026-06-30T23:30:00.250Z"


class TestNaming:
    WHEN = datetime(2026, 3, 14, 9, 26, tzinfo=UTC)

    def test_date_kind_and_sequence(self, tmp_path):
        first = next_path("tune", tmp_path / "runs", self.WHEN)
        assert first == tmp_path / "runs" / "2026-03-14-tune-001.csv"
        RecordWriter(first, INFO).finish()
        assert next_path("tune", tmp_path / "runs", self.WHEN).name == "2026-03-14-tune-002.csv"
        assert next_path("sweep", tmp_path / "runs", self.WHEN).name == "2026-03-14-sweep-001.csv"

    def test_a_gap_is_not_filled_and_999_is_no_end(self, tmp_path):
        (tmp_path / "2026-03-14-tune-999.csv").touch()
        (tmp_path / "2026-03-14-tune-007.csv").touch()
        assert next_path("tune", tmp_path, self.WHEN).name == "2026-03-14-tune-1000.csv"

    def test_left_over_metadata_counts_too(self, tmp_path):
        (tmp_path / "2026-03-14-tune-004.csv-metadata.json").touch()
        assert next_path("tune", tmp_path, self.WHEN).name == "2026-03-14-tune-005.csv"

    @given(st.text(max_size=20))
    def test_a_kind_never_leaves_the_folder(self, kind):
        path = next_path(kind, Path("nowhere"), self.WHEN)
        assert path.parent == Path("nowhere")
        assert re.fullmatch(r"2026-03-14-[a-z0-9-]+-001\.csv", path.name)


_CHILD = """
import sys
from pathlib import Path
from coilwright.record import RecordInfo, RecordWriter
from record.points import point
record = RecordWriter(Path(sys.argv[1]), RecordInfo(kind="sweep"))
for i in range(10**9):
    record.write("coarse", point(i))
    print(i, flush=True)
"""


def test_kill_9_keeps_every_row_that_was_told(tmp_path):
    """The process dies by SIGKILL in mid-write; all rows it reported are there."""
    path = tmp_path / "a.csv"
    tests = str(Path(__file__).parents[1])
    environment = {**os.environ, "PYTHONPATH": tests}
    command = [sys.executable, "-c", _CHILD, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as child:
        told = [int(child.stdout.readline()) for _ in range(200)]
        child.kill()
        told += [int(line) for line in child.stdout.read().split(b"\n")[:-1]]
    found = read_record(path)

    assert found["index"].tolist()[: len(told)] == told
    assert not found.finished
    assert found.metadata.kind == "sweep"


def test_the_page_names_every_column_and_flag():
    from coilwright.point import Flag

    page = (Path(__file__).parents[2] / "docs" / "record-format.md").read_text(encoding="utf-8")
    flags = page[page.index("Flags, added up") :].splitlines()[0]

    assert all(f"`{column.name}`" in page for column in COLUMNS)
    assert [int(number) for number in re.findall(r"\b\d+\b", flags)] == [
        flag.value for flag in Flag
    ]
