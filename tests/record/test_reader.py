"""Reading records back: whole, cut off anywhere, foreign, hostile."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coilwright.errors import BadRecord
from coilwright.record import RecordInfo, RecordWriter, metadata_path, read_record
from coilwright.record.columns import HEADER, NAMES, row_of
from record.points import any_point, any_stage, point


def write(path: Path, rows: list[tuple[str, int]]) -> Path:
    with RecordWriter(path, RecordInfo(kind="tune", note="eight buoys"), force=True) as record:
        for stage, i in rows:
            record.write(stage, point(i))
    return path


@pytest.fixture
def path(tmp_path) -> Path:
    rows = [("coarse", i) for i in range(5)] + [("refine", i) for i in range(3)] + [("coarse", 9)]
    return write(tmp_path / "a.csv", rows)


class TestWhole:
    def test_points_come_back_as_they_were(self, path):
        found = read_record(path)

        assert found.points == [point(i) for i in (0, 1, 2, 3, 4, 0, 1, 2, 9)]
        assert found.warnings == ()
        assert found.finished
        assert not found.truncated

    def test_columns_are_arrays(self, path):
        found = read_record(path)

        assert found["index"].dtype == np.int64
        assert found["flags"].dtype == np.int64
        assert found["probe_v"].dtype == np.float64
        assert set(found.columns) == set(NAMES[1:])
        assert len(found) == 9

    def test_stages(self, path):
        found = read_record(path)

        assert found.stages == ("coarse", "refine")
        assert found.stage("refine").points == [point(i) for i in range(3)]
        assert found.stage("coarse")["index"].tolist() == [0, 1, 2, 3, 4, 9]
        assert len(found.stage("coarse", "refine")) == 9
        with pytest.raises(KeyError):
            found.stage("verify")

    def test_what_stands_in_the_metadata(self, path):
        found = read_record(path).metadata

        assert (found.kind, found.note, found.tags) == ("tune", "eight buoys", ())
        assert found.started <= found.finished
        assert found.facts["end"] == {"reason": "complete", "rows": 9}

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50)
    @given(rows=st.lists(st.tuples(any_stage, any_point), max_size=12))
    def test_any_points_come_back_exactly(self, tmp_path, rows):
        path = tmp_path / "any.csv"
        with RecordWriter(path, RecordInfo(kind="sweep"), force=True) as record:
            for stage, item in rows:
                record.write(stage, item)
        found = read_record(path)

        assert found.points == [item for _, item in rows]
        assert [found.stages[code] for code in found.stage_codes] == [stage for stage, _ in rows]

    def test_not_a_number_is_spelt_as_xml_schema_does(self, tmp_path):
        """XML Schema 1.1 part 2, 3.3.5: NaN, INF, -INF."""
        from dataclasses import replace

        odd = replace(point(), supply_a=float("nan"), probe_v=float("inf"), light_v=-float("inf"))
        with RecordWriter(tmp_path / "odd.csv", RecordInfo(kind="sweep")) as record:
            record.write("coarse", odd)
        assert ",NaN,INF,-INF," in (tmp_path / "odd.csv").read_text()
        found = read_record(tmp_path / "odd.csv")
        assert np.isnan(found["supply_a"][0])
        assert (found["probe_v"][0], found["light_v"][0]) == (np.inf, -np.inf)


class TestCutOff:
    def test_at_every_byte(self, path, tmp_path):
        """Cut anywhere, a record reads back to its last whole row, value by value."""
        data = path.read_bytes()
        whole = read_record(path).points
        cut = tmp_path / "cut.csv"
        for end in range(len(data) + 1):
            cut.write_bytes(data[:end])
            found = read_record(cut)
            rows = max(
                0, (data[:end] + (b"\n" if data[:end].endswith(b"\r") else b"")).count(b"\n") - 1
            )
            assert found.points == whole[:rows], end
            assert found.truncated == (data[:end][-1:] not in (b"", b"\n", b"\r")), end

    def test_metadata_cut_off_at_every_tenth_byte(self, path):
        beside = metadata_path(path)
        data = beside.read_bytes()
        for end in range(0, len(data) - 2, 10):
            beside.write_bytes(data[:end])
            found = read_record(path)
            assert len(found) == 9
            assert found.metadata is None
            assert "not whole JSON" in found.warnings[0]

    def test_without_metadata(self, path):
        metadata_path(path).unlink()
        found = read_record(path)

        assert len(found) == 9
        assert "a.csv-metadata.json is missing" in found.warnings[0]
        assert not found.finished

    def test_never_finished(self, tmp_path):
        record = RecordWriter(tmp_path / "a.csv", RecordInfo(kind="sweep"))
        record.write("coarse", point())
        found = read_record(tmp_path / "a.csv")
        record.finish()

        assert len(found) == 1
        assert "never finished" in found.warnings[0]


def bad(path: Path, text: str | bytes) -> BadRecord:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(BadRecord) as caught:
        read_record(path)
    return caught.value


def rows_or_reason(path: Path) -> int:
    """Rows of a record; 0 for what is refused with its line."""
    try:
        return len(read_record(path))
    except BadRecord as failure:
        if ": line " not in failure.message:
            raise
        return 0


class TestForeign:
    GOOD = row_of("coarse", point())

    @pytest.mark.parametrize(
        ("lines", "line", "reason"),
        [
            (["name;value", "a;1"], 1, "the header has no column sweep"),
            (["frequency,voltage", "1,2"], 1, "the header has no column"),
            ([HEADER, GOOD, GOOD + ",7"], 3, "it has 16 cells where the header has 15"),
            ([HEADER, GOOD, "coarse,1"], 3, "it has 2 cells"),
            ([HEADER, GOOD, "", GOOD], 3, "it has 0 cells"),
            ([HEADER, GOOD.replace("165016.502", "165 kHz")], 2, "frequency_hz is '165 kHz'"),
            ([HEADER, GOOD, GOOD, GOOD.replace("coarse,0,", "coarse,0.5,")], 4, "index is 0.5"),
            ([HEADER, GOOD.replace(",32,", ",NaN,")], 2, "averages is nan, which is not whole"),
            ([HEADER, GOOD.replace("coarse", "")], 2, "'' names no sweep"),
            ([HEADER, GOOD.replace("coarse", "x" * 40)], 2, "names no sweep"),
            ([HEADER + ",duty", GOOD + ",1"], 1, "the header has duty twice"),
            ([HEADER, 'coarse"x,"1'], 2, ""),
            ([HEADER, GOOD.replace("0.2", "0_2")], 2, "requested_duty is '0_2'"),
        ],
    )
    def test_line_and_reason(self, tmp_path, lines, line, reason):
        failure = bad(tmp_path / "b.csv", "\r\n".join(lines) + "\r\n")

        assert f"line {line}: " in failure.message
        assert reason in failure.message

    def test_binary(self, tmp_path):
        assert "line 2: it is not UTF-8" in bad(tmp_path / "b.csv", bytes(range(256)) * 4).message

    def test_other_text_without_any_line_end(self, tmp_path):
        assert "line 1" in bad(tmp_path / "b.csv", "hello").message

    def test_a_folder_and_nothing(self, tmp_path):
        for path in (tmp_path, tmp_path / "nothing.csv"):
            with pytest.raises(BadRecord, match="cannot be read"):
                read_record(path)

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200)
    @given(data=st.binary(max_size=400))
    def test_random_bytes_are_a_bad_record_or_an_empty_one(self, tmp_path, data):
        path = tmp_path / "r.csv"
        path.write_bytes(data)
        assert rows_or_reason(path) == 0

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200)
    @given(at=st.integers(0, 10_000), byte=st.integers(0, 255))
    def test_one_wrong_byte_never_crashes(self, tmp_path, at, byte):
        path = tmp_path / "w.csv"
        data = bytearray(("\r\n".join([HEADER, *[self.GOOD] * 3]) + "\r\n").encode())
        data[at % len(data)] = byte
        path.write_bytes(data)
        assert rows_or_reason(path) <= 4


class TestEdited:
    """Files that went through a spreadsheet are still records."""

    def test_quotes_lf_and_a_byte_order_mark(self, tmp_path):
        cells = row_of("coarse", point(3)).split(",")
        text = "\ufeff" + HEADER + "\n" + ",".join(f'"{cell}"' for cell in cells) + "\n"
        (tmp_path / "e.csv").write_text(text, encoding="utf-8", newline="")

        assert read_record(tmp_path / "e.csv").points == [point(3)]

    def test_other_order_and_more_columns(self, tmp_path):
        cells = dict(zip(NAMES, row_of("coarse", point(3)).split(","), strict=True))
        cells["remark"] = "loud"
        order = sorted(cells)
        text = ",".join(order) + "\r\n" + ",".join(cells[name] for name in order) + "\r\n"
        (tmp_path / "e.csv").write_text(text, newline="")
        found = read_record(tmp_path / "e.csv")

        assert found.points == [point(3)]
        assert "Columns that are left out: remark." in found.warnings


class TestHostile:
    @pytest.mark.parametrize(
        "url",
        ["../other.csv", "/etc/passwd", "http://example.org/a.csv", "b.csv", None, 7, ["a.csv"]],
    )
    def test_a_file_name_in_the_metadata_is_never_followed(self, path, url, monkeypatch):
        """Model for Tabular Data, section 5: metadata that does not name the file is ignored."""
        beside = metadata_path(path)
        document = json.loads(beside.read_text())
        document["url"] = url
        beside.write_text(json.dumps(document))
        opened = []
        real = Path.open
        monkeypatch.setattr(
            Path, "open", lambda self, mode="r": opened.append(self) or real(self, mode)
        )
        found = read_record(path)

        assert opened == [path, beside]
        assert found.metadata is None
        assert "it describes" in found.warnings[0]

    @pytest.mark.parametrize(
        "text",
        ["[]", "7", "null", '"a.csv"', "[" * 100_000, '{"url": "a.csv", "notes": 7}'],
    )
    def test_odd_metadata_is_a_warning(self, path, text):
        metadata_path(path).write_text(text)
        found = read_record(path)

        assert len(found) == 9
        assert found.warnings

    @pytest.mark.parametrize(
        "key", ["dc:type", "dc:description", "dcat:keyword", "prov:startedAtTime"]
    )
    @pytest.mark.parametrize("value", [None, 7, [], {}, {"@value": 7}, "x"])
    def test_odd_values_do_no_harm(self, path, key, value):
        beside = metadata_path(path)
        document = json.loads(beside.read_text())
        document[key] = value
        beside.write_text(json.dumps(document))
        found = read_record(path).metadata

        assert isinstance(found.kind, str)
        assert isinstance(found.note, str)
        assert isinstance(found.tags, tuple)
        assert found.started is None or found.started.tzinfo is not None

    def test_formulas_are_no_numbers(self, tmp_path):
        failure = bad(
            tmp_path / "f.csv",
            HEADER + "\r\n" + row_of("coarse", point()).replace("165016.502", "=1+1") + "\r\n",
        )
        assert "'=1+1'" in failure.message
