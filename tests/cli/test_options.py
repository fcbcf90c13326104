"""Values that cannot be meant are refused at the command line, before a port is opened."""

from __future__ import annotations

import subprocess
import sys
from importlib.abc import MetaPathFinder
from pathlib import Path
from typing import Any, cast

import pytest
from click.testing import CliRunner

from cli.commandline import COMMAND, run
from coilwright.__main__ import main
from coilwright.cli import COMMANDS, cli
from coilwright.errors import OutOfRange
from coilwright.link import DutySweep, FrequencySweep, Limits, SweepPlan
from coilwright.link.facts import DriverMessage, Trip
from coilwright.link.replies import failure, tripped
from coilwright.procedures.session import check_plan


@pytest.mark.parametrize(
    "line",
    [
        "set --on --for 0",
        "set --on --for -1",
        "tune --max-current 0",
        "tune --max-current -1A",
        "tune --lit-level -0.2V",
        "live --lit-level 0",
        "limit --max-current 0,25A",
        "limit --max-current 0.25A --margin 100%",
        "sweep --from 140k --to 200k --duty 20% --settle -1",
        "tune --settle 2s",
        "track --minutes nan",
        "bench --speed nan",
        "install --amplifier inf",
        "calibrate probe --nominal-gain 0 --at 165k:10%=3V --at 165k:20%=4V",
        "calibrate current --nominal-gain nan --at 165k:10%=0.1 --at 165k:20%=0.2",
        "steps 165k --chip rp2040 --clock 0",
        "coil --drum 0 --resistance 9",
        "coil --drum 1.5m --resistance -9",
    ],
)
def test_a_value_that_cannot_be_meant(line: str) -> None:
    told = CliRunner().invoke(cli, [*line.split()])

    assert told.exit_code == 2
    option = [word for word in line.split() if word.startswith("--")]
    assert any(name in told.output for name in option)
    assert "_ohm" not in told.output
    assert "_h is" not in told.output


@pytest.mark.parametrize("more", ["", " --build harbour"])
@pytest.mark.parametrize("option", ["--resistance -1", "--supply -5"])
def test_a_driver_that_cannot_be(option: str, more: str) -> None:
    line = f"tank --inductance 9.6u --frequency 165k --duty 40% {option}{more}"

    assert isinstance(CliRunner().invoke(cli, line.split()).exception, OutOfRange)


LIMITS = Limits(20_000, 1_000_000, 0.5, 1.0, 2.0)


@pytest.mark.parametrize(
    ("plan", "told"),
    [
        (FrequencySweep(140, 200, 5, 0.2), "The band 140 Hz to 200 Hz"),
        (FrequencySweep(200_000, 140, 5, 0.2), "The band 140 Hz to 200 kHz"),
        (DutySweep(165, 0.02, 0.4, 5), "The frequency 165 Hz"),
        (FrequencySweep(140_000, 200_000, 5, 0.9), "A duty of 90 %"),
        (DutySweep(165_000, 0.02, 0.6, 5), "A duty of 60 %"),
    ],
)
def test_a_plan_outside_the_limits(plan: SweepPlan, told: str) -> None:
    with pytest.raises(OutOfRange, match=told) as refused:
        check_plan(plan, LIMITS)

    assert refused.value.hint


@pytest.mark.parametrize(
    "plan", [FrequencySweep(20_000, 1_000_000, 5, 0.5), DutySweep(165_000, 0.5, 0.0, 5)]
)
def test_a_plan_up_to_the_limits(plan: SweepPlan) -> None:
    check_plan(plan, LIMITS)


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        ("FREQ 165", "165k"),
        ("PULS:DCYC 90.0000", "--duty-cap"),
        ("PULS:DCYC:LIM 100.0000", "0 to 90 %"),
        ("CURR:PROT 100.000000", "0 to 20 A"),
        ("TRACK:SPAN 10000000", "coilwright status"),
    ],
)
def test_a_value_the_driver_refuses_gets_a_hint_of_its_own(sent: str, told: str) -> None:
    assert told in failure([DriverMessage(-222, "Data out of range")], sent).hint


@pytest.mark.parametrize("line", ["tune --tag", "records tag a.csv --add"])
def test_a_tag_without_a_letter(line: str) -> None:
    told = CliRunner().invoke(cli, [*line.split(), " "])

    assert told.exit_code == 2
    assert "tag" in told.output


def test_what_belongs_to_a_kit_needs_one() -> None:
    told = CliRunner().invoke(cli, ["cost", "harbour", "--kit-shipping", "5"])

    assert told.exit_code == 2
    assert "--kit-price" in told.output


def test_the_defaults_of_fractions_are_shown_as_they_are_written() -> None:
    for name in ("tune", "limit", "live", "steps"):
        shown = CliRunner().invoke(cli, [name, "--help"], terminal_width=200).output
        lines = [
            line for line in shown.splitlines() if " FRACTION " in line and "default: 0" in line
        ]

        assert "%]" in shown
        assert not [line for line in lines if "%" not in line], name


def test_a_watch_at_duty_0_says_that_nothing_is_driven(tmp_path: Path) -> None:
    line = "set --port sim:// --on --for 0.1"
    told = run(*line.split(), cwd=tmp_path)

    assert told.returncode == 0
    assert "nothing is driven" in told.stderr


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_letter_the_locale_lacks_ends_no_output(
    encoding: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONIOENCODING", f"{encoding}:strict")

    for line in ("cost harbour", "steps 165k --chip rp2040"):
        done = subprocess.run(
            [*COMMAND, *line.split()], cwd=tmp_path, capture_output=True, check=False
        )

        assert done.returncode == 0
        assert not done.stderr


def test_ctrl_c_while_the_command_is_imported(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Stopped(MetaPathFinder):
        def find_spec(self, name: str, path: object, target: object = None) -> None:
            if name == "coilwright.cli":
                raise KeyboardInterrupt

    monkeypatch.delitem(sys.modules, "coilwright.cli")
    monkeypatch.setattr(sys, "meta_path", [Stopped(), *sys.meta_path])

    with pytest.raises(SystemExit) as end:
        main()

    assert end.value.code == 130
    assert "Ctrl-C" in capsys.readouterr().err


def test_the_readme_lists_every_command() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")

    assert not [name for name in COMMANDS if f"\n| `coilwright {name}" not in readme]


@pytest.mark.parametrize("number", [101, 102, 109, 999])
def test_a_trip_comes_with_the_command_that_clears_it(number: int) -> None:
    refused = DriverMessage(-221, "Settings conflict;tripped; clear the trip first")

    assert "coilwright set --clear" in tripped(Trip(number, "Over-current")).hint
    assert "coilwright set --clear" in failure([refused], "OUTP ON").hint


def test_a_driver_that_tracks_is_not_asked_whether_its_output_is_on() -> None:
    refused = DriverMessage(-221, "Settings conflict;tracking is on")

    assert "tracking: `coilwright set` ends that" in failure([refused], "INIT").hint


def test_status_loads_none_of_the_numerics_of_a_tune() -> None:
    code = (
        "import sys, coilwright.cli.status_command, coilwright.cli.bench_session\n"
        "from coilwright.tune.limit_table import describe_table\n"
        "print(sorted({'scipy', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


def test_every_name_of_the_tuning_is_found_where_it_is_said_to_be() -> None:
    import coilwright.tune

    assert sorted(coilwright.tune.__all__) == sorted(
        name for names in coilwright.tune._HOMES.values() for name in names
    )
    assert all(getattr(coilwright.tune, name) for name in coilwright.tune.__all__)


def test_the_panel_loads_a_tune_before_the_output_can_be_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from coilwright.cli.live_command import _tuner

    monkeypatch.delitem(sys.modules, "coilwright.tune.procedure", raising=False)

    _tuner(cast(Any, None))

    assert "coilwright.tune.procedure" in sys.modules


def test_a_limit_beyond_the_sensor_says_what_to_do() -> None:
    end = "the current limit is beyond the sensor's end of 1.152 A"
    found = failure([DriverMessage(-221, f"Settings conflict;{end}")], "OUTP ON")
    assert end in found.message
    assert "--trip" in found.hint
    assert "smaller shunt" in found.hint
