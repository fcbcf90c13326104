"""Input that no honest device, file or shell makes: a sentence and an exit code, never a fault."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from cli.commandline import COMMAND, environment
from coilwright import build
from coilwright.cli import cli
from coilwright.documents import parse_json, parse_toml
from coilwright.errors import BadBoard, BadBuild, BadRecord, CoilwrightError, LinkLost, WrongBoard
from coilwright.install import prompt
from coilwright.link import Driver, FrequencySweep, replies, sweeping
from coilwright.link.transport import Transport
from coilwright.procedures.check import read_reference
from coilwright.quantities import parse_fraction, parse_quantity
from coilwright.record import read_record, reader
from coilwright.record.columns import HEADER
from coilwright.report import making
from link.fakedriver import QUICK, FakeDriver, FakeLine

FULL = Path("/dev/full")
"""A device of Linux on which every write finds the disk full (full(4))."""

TOO_LARGE = ("1e400", "-1e400", "9" * 5000, "1e16", "1." + "0" * 5000 + "e400")


def refused(*arguments: str) -> CoilwrightError:
    """The failure of a command, in this process."""
    done = CliRunner().invoke(cli, arguments)
    assert isinstance(done.exception, CoilwrightError), repr(done.exception)
    return done.exception


class TestNumbersOfADevice:
    @pytest.mark.parametrize("text", TOO_LARGE)
    def test_one_too_large_is_no_answer(self, text: str) -> None:
        for parse in (replies.number, replies.whole):
            with pytest.raises(ValueError, match="too large"):
                parse(text)
        with pytest.raises(ValueError, match="no list of errors"):
            replies.messages("9" * 5000 + ',"x"')

    @pytest.mark.parametrize("text", TOO_LARGE[:3])
    @pytest.mark.parametrize(
        "query", ["FREQ?", "PULS:DCYC?", "FREQ:LIM:HIGH?", "SYST:HOST:TIM?", "SWE:DWEL?"]
    )
    def test_it_ends_in_a_sentence(self, text: str, query: str) -> None:
        fake = FakeDriver()
        fake.forge[query] = text
        with pytest.raises(CoilwrightError, match="makes no sense"):
            Driver(Transport(FakeLine(fake), QUICK)).status()

    @pytest.mark.parametrize(
        ("query", "answer"),
        [
            ("FREQ:LIM:HIGH?", "4294967295"),
            ("FREQ:LIM:LOW?", "0"),
            ("FREQ:LIM:LOW?", "1000001"),
            ("PULS:DCYC:LIM?", "101"),
            ("CURR:PROT?", "-1"),
        ],
    )
    def test_limits_that_no_driver_has_are_not_recorded(self, query: str, answer: str) -> None:
        fake = FakeDriver()
        fake.forge[query] = answer
        with pytest.raises(CoilwrightError, match="makes no sense"):
            Driver(Transport(FakeLine(fake), QUICK)).describe()

    @given(st.text(st.characters(codec="ascii"), max_size=40) | st.from_regex(replies._PLAIN))
    def test_every_text_is_a_finite_number_or_none(self, text: str) -> None:
        for parse in (replies.number, replies.whole):
            try:
                assert abs(parse(text)) <= 2**53
            except ValueError:
                continue


def test_a_block_whose_next_point_lies_beyond_the_plan_is_not_believed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sweeping, "_LONGEST_PAUSE_S", 0.0)

    class Beyond(FakeDriver):
        def block(self, first: int, count: int) -> bytes:
            self.next += 1000
            try:
                return super().block(first, count)
            finally:
                self.next -= 1000

    driver = Driver(Transport(FakeLine(Beyond()), QUICK))
    began = time.monotonic()
    with pytest.raises(LinkLost):
        list(driver.sweep(FrequencySweep(150_000, 160_000, 11, 0.1)))
    assert time.monotonic() - began < 60


class TestRecords:
    def record(self, path: Path, column: str, text: str) -> Path:
        row = dict.fromkeys(HEADER.split(","), "0.5")
        row |= {"sweep": "a", "index": "0", "requested_frequency_hz": "165000", "flags": "0"}
        row |= {"averages": "1", "frequency_hz": "165000.5", column: text}
        path.write_text(f"{HEADER}\n{','.join(row.values())}\n")
        return path

    @pytest.mark.parametrize("text", ["1e308", "-1e308", "1e-320", "1e16", "-1e-31"])
    @pytest.mark.parametrize("column", ["time_s", "frequency_hz", "supply_a", "light_sd_v"])
    def test_a_number_that_no_driver_measures(self, column: str, text: str, tmp_path: Path) -> None:
        path = self.record(tmp_path / "a.csv", column, text)
        for command in (["report", "-o", str(tmp_path / "a.html")], ["compare", str(path)]):
            failure = refused(*command, str(path))
            assert isinstance(failure, BadRecord)
            assert f"line 2: {column} is" in failure.message

    @pytest.mark.parametrize("text", ["0", "-0.0", "nan", "inf", "1e-29", "1e15"])
    def test_what_a_reading_can_be_is_read(self, text: str, tmp_path: Path) -> None:
        assert len(read_record(self.record(tmp_path / "a.csv", "supply_a", text))) == 1

    def test_one_too_large_to_read(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = self.record(tmp_path / "a.csv", "supply_a", "0.1")
        monkeypatch.setattr(reader, "_MOST_BYTES", path.stat().st_size - 1)

        assert "larger than" in refused("report", str(path), "-o", str(tmp_path / "a.html")).message

    def test_too_many_points_for_a_report(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = self.record(tmp_path / "a.csv", "supply_a", "0.1")
        monkeypatch.setattr(making, "MOST_POINTS", 0)

        failure = refused("report", str(path), "-o", str(tmp_path / "a.html"))
        assert isinstance(failure, BadRecord)
        assert "would hold 1 points" in failure.message

    def test_the_documents_tell_the_bounds(self) -> None:
        docs = Path(__file__).parents[2] / "docs"
        assert f"{making.MOST_POINTS:,} points" in (docs / "report.md").read_text("utf-8")
        assert f"{reader._MOST_BYTES >> 20} MiB" in (docs / "record-format.md").read_text("utf-8")


class TestNesting:
    @pytest.mark.parametrize("depth", [2000, 100_000])
    def test_it_is_a_value_error(self, depth: int) -> None:
        for opening, closing in (("[", "]"), ('{"a":', "}")):
            with pytest.raises(ValueError):
                parse_json(depth * opening + "1" + (depth - 1) * closing)
        with pytest.raises(ValueError, match="nested too deeply"):
            parse_toml(f"a = {depth * '['}{depth * ']'}")

    def test_in_a_build_a_board_file_and_an_earlier_check(self, tmp_path: Path) -> None:
        deep = tmp_path / "deep.toml"
        deep.write_text(f"a = {2000 * '['}{2000 * ']'}\n")
        huge = tmp_path / "huge.toml"
        huge.write_text(f"name = {5000 * '9'}\n")

        for path in (deep, huge):
            assert isinstance(refused("predict", str(path)), BadBuild)
            assert isinstance(
                refused("install", "--board", str(path), "--port", "/dev/null"), BadBoard
            )
        deep.write_text(2000 * "[" + 2000 * "]")
        with pytest.raises(BadRecord, match="nested too deeply"):
            read_reference(deep)

    @pytest.mark.parametrize(
        "told", [5000 * "[", "[1, 2]", '["a"]', '[["a"], 1]', '["a", 1]', "1", "1e400"]
    )
    def test_in_what_a_board_says(self, told: str, monkeypatch: pytest.MonkeyPatch) -> None:
        board = object.__new__(prompt.Prompt)
        monkeypatch.setattr(prompt.Prompt, "run", lambda self, code: told)

        for ask in (board.facts, board.hashes):
            with pytest.raises(WrongBoard):
                ask()
        assert board.free_bytes() is None or told == "[1, 2]"


def test_a_number_larger_than_floats() -> None:
    for parse in (lambda n: parse_quantity(n, "F"), parse_fraction):
        with pytest.raises(ValueError, match="too large"):
            parse(10**400)


class TestReceivers:
    def text(self, count: int) -> str:
        whole = build.build_text("harbour")
        at = whole.index("[[receiver]]")
        group = whole[at : whole.index("\n[", at + 1)]
        names = "\n".join(group.replace('name = "', f'name = "{i}-') for i in range(count))
        return whole.replace(group, names)

    def test_too_many_are_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "many.toml"
        path.write_text(self.text(2000))
        failure = refused("predict", str(path))

        assert isinstance(failure, BadBuild)
        assert str(build.MOST_RECEIVERS) in failure.message

    def test_the_document_tells_how_many(self) -> None:
        page = (Path(__file__).parents[2] / "docs" / "build-file.md").read_text("utf-8")
        assert f"at most {build.MOST_RECEIVERS}" in page


def test_a_note_that_is_no_text(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "sweep", "--port", "sim://", "--note", b"low tide\xff"],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 2
    assert r"low tide\xff" in done.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["coil", "--diameter", "60mm", "--turns", "7", "--wire", "0.8mm"], 33),
        (["coil", "--diameter", "60mm", "--turns", "7", "--wire", "0.8mm", "--json"], 33),
        (["--help"], 33),
        (["status", "--port", "/dev/ttyNONE", "--json"], 10),
    ],
    ids=["text", "json", "help", "failure"],
)
def test_a_full_disk_behind_the_output(arguments: list[str], code: int, tmp_path: Path) -> None:
    with FULL.open("w") as full:
        done = subprocess.run(
            [*COMMAND, *arguments],
            cwd=tmp_path,
            env=environment(),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
        assert done.returncode == code
        assert "Traceback" not in done.stderr
        if code == 33:
            assert "No space left on device" in done.stderr
        nothing = subprocess.run([*COMMAND, *arguments], stdout=full, stderr=full, check=False)
        assert nothing.returncode == code
