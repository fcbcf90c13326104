"""A folder of records: listed, annotated, exported."""

from __future__ import annotations

import csv
import json
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.commandline import run, run_json
from coilwright.errors import BadRecord, NoResult, NotWritable
from coilwright.record import RecordInfo, RecordWriter, metadata_path, read_record
from coilwright.record import reader as reader_module
from coilwright.record.annotate import annotate
from coilwright.record.columns import COLUMNS, HEADER, NAMES, row_of
from coilwright.record.export import export
from coilwright.record.library import Wanted, entries
from record.points import any_point, any_stage, point

BEGUN = datetime(2026, 3, 14, 12, tzinfo=UTC)


def write(
    path: Path, rows: int = 3, *, kind: str = "sweep", finish: bool = True, after_h: float = 0,
    tags: tuple[str, ...] = (), note: str = "",
) -> Path:  # fmt: skip
    info = RecordInfo(
        kind, title=f"{kind} of the harbour", driver={"serial": "e661"}, tags=tags, note=note,
        started=BEGUN + timedelta(hours=after_h),
    )  # fmt: skip
    writer = RecordWriter(path, info)
    for i in range(rows):
        writer.write("sweep", point(i))
    if finish:
        writer.finish()
    else:
        writer._stream.close()  # type: ignore[union-attr]  # as a kill would
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write(tmp_path / "second.csv", 5, kind="tune", after_h=2, tags=("receiver=sleeved", "pier"))
    write(tmp_path / "first.csv", 3, after_h=0, tags=("receiver=bare",), note="Buoy 3, blue")
    write(tmp_path / "killed.csv", 4, after_h=50, finish=False)
    (tmp_path / "parts.csv").write_text("part,price\nLED,0.10\n")
    (tmp_path / "deeper").mkdir()
    write(tmp_path / "deeper" / "third.csv", 2, after_h=1)
    return tmp_path


def names(folder: Path, **wanted: object) -> list[str]:
    which = Wanted(**wanted)  # type: ignore[arg-type]
    return [entry.path.stem for entry in entries(folder) if which(entry)]


class TestList:
    def test_records_stand_in_the_order_of_their_beginning(self, folder: Path) -> None:
        found = entries(folder)
        assert [entry.path.stem for entry in found] == ["first", "second", "killed"]
        assert [entry.rows for entry in found] == [3, 5, 4]
        assert [entry.finished for entry in found] == [True, True, False]
        assert found[0].driver == "e661"
        assert len(entries(folder, deep=True)) == 4

    @pytest.mark.parametrize(
        ("wanted", "shown"),
        [
            ({"kinds": ("tune",)}, ["second"]),
            ({"tags": ("receiver=bare",)}, ["first"]),
            ({"tags": ("receiver=",)}, ["first", "second"]),
            ({"tags": ("receiver=", "pier")}, ["second"]),
            ({"words": ("BUOY", "blue")}, ["first"]),
            ({"since": date(2026, 3, 16)}, ["killed"]),
            ({"until": date(2026, 3, 15)}, ["first", "second"]),
            ({"finished": False}, ["killed"]),
        ],
    )
    def test_filters(self, folder: Path, wanted: dict[str, object], shown: list[str]) -> None:
        assert names(folder, **wanted) == shown

    def test_a_record_without_metadata_is_listed_and_says_so(self, folder: Path) -> None:
        metadata_path(folder / "first.csv").unlink()
        (folder / "second.csv-metadata.json").write_text("{")
        found = {entry.path.stem: entry for entry in entries(folder)}
        assert "missing" in found["first"].problem
        assert found["first"].rows == 3
        assert "whole JSON" in found["second"].problem

    def test_the_points_of_a_finished_record_are_not_read(self, folder: Path) -> None:
        path = folder / "second.csv"
        # Unreadable below its header: whoever read the points would stumble or count others.
        path.write_bytes(HEADER.encode() + b"\r\n" + b"\xff\n" * 100)
        assert next(e for e in entries(folder) if e.path == path).rows == 5

    def test_links_to_folders_are_not_followed(self, folder: Path) -> None:
        (folder / "deeper" / "round").symlink_to(folder, target_is_directory=True)
        assert len(entries(folder, deep=True)) == 4

    def test_a_folder_that_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(BadRecord, match="cannot be read"):
            entries(tmp_path / "none")


class TestAnnotate:
    def test_tags_and_note_change_and_nothing_else(self, folder: Path) -> None:
        path = folder / "first.csv"
        before = json.loads(metadata_path(path).read_text())
        rows = path.read_bytes()
        found = annotate(path, add=("blue", "blue", "receiver=bare"), remove=("gone",), note="x")
        assert found.tags == ("receiver=bare", "blue")
        after = json.loads(metadata_path(path).read_text())
        assert after.pop("dc:description") == "x"
        assert after.pop("dcat:keyword") == ["receiver=bare", "blue"]
        for name in ("dc:description", "dcat:keyword"):
            del before[name]
        assert after == before
        assert path.read_bytes() == rows
        assert annotate(path, remove=("receiver=bare", "blue"), note="").tags == ()
        assert "dcat:keyword" not in json.loads(metadata_path(path).read_text())

    @given(st.text(), st.lists(st.text(max_size=20), max_size=4))
    def test_any_words_come_back(self, note: str, tags: list[str]) -> None:
        import tempfile

        with tempfile.TemporaryDirectory() as name:
            path = write(Path(name, "any.csv"))
            clean = [t.encode("utf-8", "replace").decode() for t in dict.fromkeys(tags)]
            annotate(path, add=clean, note=note)
            found = read_record(path).metadata
            assert found is not None
            assert found.note == note
            assert list(found.tags) == list(dict.fromkeys(clean))

    def test_without_metadata_it_refuses(self, folder: Path) -> None:
        metadata_path(folder / "first.csv").unlink()
        with pytest.raises(BadRecord, match="cannot be annotated"):
            annotate(folder / "first.csv", add=("x",))


class TestExport:
    def test_csv_holds_every_cell(self, folder: Path) -> None:
        records = [read_record(folder / name) for name in ("first.csv", "second.csv")]
        assert export(records, folder / "all.csv") == 8
        with (folder / "all.csv").open(newline="") as stream:
            rows = list(csv.DictReader(stream))
        assert [row["record"] for row in rows] == ["first"] * 3 + ["second"] * 5
        for row, wanted in zip(rows, [*map(point, range(3)), *map(point, range(5))], strict=True):
            assert float(row["frequency_hz"]) == wanted.frequency_hz
            assert row["flags"] == str(int(wanted.flags))

    def test_parquet_holds_every_cell_and_the_metadata(self, folder: Path) -> None:
        parquet = pytest.importorskip("pyarrow.parquet")
        records = [read_record(folder / name) for name in ("first.csv", "second.csv")]
        export(records, folder / "all.parquet")
        # Read by pyarrow, a library that knows nothing of us.
        table = parquet.read_table(folder / "all.parquet")
        assert table.column_names == ["record", *NAMES]
        assert table["record"].to_pylist() == ["first"] * 3 + ["second"] * 5
        for column in COLUMNS[1:]:
            wanted = np.concatenate([record[column.name] for record in records])
            assert table[column.name].to_pylist() == wanted.tolist()
        documents = json.loads(table.schema.metadata[b"csvw"])
        assert documents["first"]["dc:description"] == "Buoy 3, blue"
        assert table.schema.field("supply_a").metadata[b"unit"] == b"A"

    @pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\N{FULLWIDTH EQUALS SIGN}"])
    def test_a_name_is_no_formula_and_a_number_stays_one(self, folder: Path, begin: str) -> None:
        """Beginnings: OWASP, "CSV Injection"."""
        foreign = folder / f"{begin}cmd|calc.csv"
        text = (folder / "first.csv").read_text(encoding="utf-8")
        stage = f"{begin}1+1" if begin.isascii() else "x"
        foreign.write_text(re.sub("\n[^,\n]+,", f"\n{stage},", text), encoding="utf-8", newline="")
        record = read_record(foreign)
        assert record.stages == (stage,)
        export([record], folder / "all.csv")
        with (folder / "all.csv").open(newline="", encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream))
        for row in rows:
            assert row["record"] == f"'{begin}cmd|calc"
            assert row[NAMES[0]] == ("'" + stage if begin.isascii() else stage)
            for name in NAMES[1:]:
                float(row[name])
        assert [float(row["supply_a"]) for row in rows] == record["supply_a"].tolist()

    def test_negative_numbers_are_exported_as_numbers(self, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        cells = row_of("sweep", point()).split(",")
        cells[NAMES.index("supply_a")] = "-0.25"
        path.write_text("\r\n".join([",".join(NAMES), ",".join(cells), ""]), newline="")
        export([read_record(path)], tmp_path / "all.csv")
        with (tmp_path / "all.csv").open(newline="") as stream:
            assert [row["supply_a"] for row in csv.DictReader(stream)] == ["-0.25"]

    def test_nothing_to_export(self, tmp_path: Path) -> None:
        with pytest.raises(NoResult):
            export([read_record(write(tmp_path / "empty.csv", 0))], tmp_path / "all.csv")

    def test_a_folder_that_is_not_there(self, folder: Path) -> None:
        record = read_record(folder / "first.csv")
        with pytest.raises(NotWritable, match="cannot be written"):
            export([record], folder / "none" / "all.csv")


class TestBothParsers:
    """Apache Arrow's parser reads what NumPy's reads, to the last bit."""

    @given(st.lists(st.tuples(any_stage, any_point), min_size=1, max_size=20))
    def test_the_same_rows(self, rows: list[tuple[str, object]]) -> None:
        pytest.importorskip("pyarrow")
        text = "".join(row_of(stage, item) + "\r\n" for stage, item in rows)  # type: ignore[arg-type]
        quick = reader_module._by_arrow(text.encode())
        assert quick is not None
        assert quick.tobytes() == reader_module._by_numpy(text.encode()).tobytes()

    @pytest.mark.parametrize(
        "cell", ["", "abc", "1_0", "0x10", "1,5", '"1"', "1\r\n\r\nsweep", "é"]
    )
    def test_what_is_no_number_is_no_number_to_either(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cell: str
    ) -> None:
        good = row_of("sweep", point())
        bad = good.replace(",0.0,", f",{cell},", 1)
        path = tmp_path / "bad.csv"
        path.write_text(f"{HEADER}\r\n{good}\r\n{bad}\r\n", newline="", encoding="utf-8")
        told = []
        for large in (0, 1 << 40):
            monkeypatch.setattr(reader_module, "_LARGE", large)
            try:
                told.append(read_record(path)["time_s"].tolist())
            except BadRecord as error:
                told.append(error.message)
        assert told[0] == told[1]


class TestCommand:
    def test_list_as_table_and_as_json(self, folder: Path) -> None:
        shown = run("records", "list", str(folder), cwd=folder)
        assert shown.returncode == 0
        assert "3 records, 12 points" in shown.stdout
        assert '"Buoy 3, blue"' in shown.stdout
        found = run_json("records", "list", ".", "--tag", "receiver=", "--deep", cwd=folder)
        assert [item["record"] for item in found["records"]] == ["first.csv", "second.csv"]

    def test_markup_and_control_characters_are_only_text(self, folder: Path) -> None:
        annotate(folder / "first.csv", note="[bold]x[/bold]\x1b[2J")
        shown = run("records", "list", ".", cwd=folder).stdout
        assert "[bold]x[/bold]" in shown
        assert "\x1b" not in shown

    def test_tag_note_export(self, folder: Path) -> None:
        found = run_json("records", "tag", "first.csv", "--add", "pier", cwd=folder)
        assert found["records"][0]["tags"] == ["receiver=bare", "pier"]
        assert run("records", "note", "first.csv", "dusk", cwd=folder).returncode == 0
        assert read_record(folder / "first.csv").metadata.note == "dusk"  # type: ignore[union-attr]
        done = run_json("records", "export", "first.csv", "second.csv", "-o", "t.csv", cwd=folder)
        assert done["points"] == 8
        again = run("records", "export", "first.csv", "-o", "t.csv", cwd=folder)
        assert again.returncode == 31

    def test_no_folder_of_runs_yet(self, tmp_path: Path) -> None:
        assert "No such record" in run("records", "list", cwd=tmp_path).stdout
        assert run_json("records", cwd=tmp_path) == {"version": 1, "records": []}
        assert run("records", "list", "none", cwd=tmp_path).returncode == 30
