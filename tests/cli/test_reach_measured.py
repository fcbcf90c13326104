"""`coilwright reach --measure` as a person runs it, and what it says of distance steps."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from cli.commandline import COMMAND, environment, refusal, run, run_json
from cli.screen import Screen
from coilwright.bench.process import Bench
from coilwright.bench.serve import parse_url
from coilwright.build import build_text
from coilwright.errors import BadBuild
from coilwright.record import RecordInfo, RecordWriter, read_record
from record.points import point

SIM = "sim://harbour?chip=rp2040&seed=5"
AT = ("--frequency", "165k", "--duty", "12%")


@pytest.mark.micropython
def test_a_simulated_bench_moves_its_lamps_and_the_edge_is_found(tmp_path: Path) -> None:
    """Truth: the plant's own light at each distance, against 0.4 V over dark at 4 kohm."""
    found = run_json(
        "reach", "--measure", "--port", SIM, *AT, "--distances", "20mm,30mm,40mm,55mm",
        "--colour", "red", "--lit", "light", "--lit-level", "400mV", "--plot", "steps.png",
        "--record", "steps.csv", cwd=tmp_path,
    )  # fmt: skip

    bench = parse_url(SIM).bench()
    truth = []
    for mm in (20, 30, 40, 55):
        condition = (("lamps-at", mm / 1000),)
        amps = float(bench.plant.pickup([164_908.0], 0.12, condition)[3][0])
        truth.append(amps * 4e3 > 0.4)
    bench.stop()
    assert [step["lit"] for step in found["steps"]] == truth == [True, True, False, False]
    red = found["colours"][0]
    assert (red["last_lit_m"], red["first_dark_m"]) == (0.03, 0.04)
    assert red["reach_ci_m"] == [0.03, 0.04]  # a sensor's level is sharp
    assert 0.03 < red["reach_m"] < 0.04
    # Lamps and probe of that bench stand where they are said to.
    assert found["coupling"]["offset_m"] == pytest.approx(0, abs=1e-3)
    assert found["coupling"]["spread"] < 0.02
    assert (tmp_path / "steps.png").read_bytes().startswith(b"\x89PNG")

    record = read_record(tmp_path / "steps.csv")
    assert record.finished
    assert record.stages == ("rest", "001 20 mm", "002 30 mm", "003 40 mm", "004 55 mm")
    assert record.metadata is not None
    assert record.metadata.kind == "reach"
    assert len(record.metadata.facts["marks"]) == 4
    again = run_json("reach", "steps.csv", cwd=tmp_path)  # the plan knows the coil
    assert again["colours"] == found["colours"]
    assert record.metadata.facts["results"]["colours"] == found["colours"]


@dataclass
class Seen:
    """What somebody was asked, and the gate's duty while placing lamps and while asked."""

    asked: list[str] = field(default_factory=list)
    duties_placing: list[float] = field(default_factory=list)
    duties_asked: list[float] = field(default_factory=list)


def gate_duty(bench: Bench) -> float:
    assert bench.pins is not None
    return bench.pins.gate.duty(bench.chip)


def person(bench: Bench, seen: Seen, stop_at: str) -> Screen:
    """Somebody who puts the lamps where they are asked to, and sees blue to 25, red to 35 mm.

    At `stop_at`, a question as "red 30 mm", Ctrl-C is pressed instead.
    """
    moved: list[float] = []

    def answer(text: str) -> str:
        places = [float(mm) for mm in re.findall(r"at ([\d.]+) mm from .*?then Enter", text)]
        if len(places) > len(moved):
            moved.append(places[-1])
            seen.duties_placing.append(gate_duty(bench))
            bench.fault("lamps-at", places[-1] / 1000)
            return "\n"
        questions = re.findall(r"Is the (\w+) lamp lit\?", text)
        if len(questions) == len(seen.asked):
            return ""
        seen.duties_asked.append(gate_duty(bench))
        question = f"{questions[-1]} {moved[-1]:g} mm"
        seen.asked.append(question)
        if question == stop_at:
            return "\x03"
        return "y\n" if moved[-1] <= {"red": 35, "blue": 25}[questions[-1]] else "n\n"

    return Screen(answer)


def at_a_terminal(arguments: list[str], screen: Screen, folder: Path) -> int:
    """Run a command at a screen that is its controlling terminal, so that Ctrl-C reaches it."""
    import fcntl
    import termios

    process = subprocess.Popen(
        [*COMMAND, *arguments], cwd=folder, env={**environment(), "TERM": "dumb"},
        stdin=screen.slave, stdout=screen.slave, stderr=screen.slave, start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    )  # fmt: skip
    try:
        return process.wait(timeout=60)
    finally:
        process.kill()
        process.wait()


@pytest.mark.micropython
def test_a_person_is_asked_stops_and_goes_on(bench: Bench, tmp_path: Path) -> None:
    arguments = ["reach", "--measure", "--port", bench.url, *AT, "--distances", "20mm,30mm,40mm"]
    seen = Seen()
    with person(bench, seen, stop_at="blue 30 mm") as screen:
        code = at_a_terminal(
            [*arguments, "--colour", "red", "--colour", "blue", "--record", "a.csv"],
            screen,
            tmp_path,
        )
    assert code == 130, screen.text
    assert bench.gate_is_low()
    assert seen.asked == ["red 20 mm", "blue 20 mm", "red 30 mm", "blue 30 mm"]
    record = read_record(tmp_path / "a.csv")
    assert record.metadata is not None
    assert [mark["lit"] for mark in record.metadata.facts["marks"]] == [
        {"red": True, "blue": True},
        {"red": True},
    ]

    rest = Seen()
    with person(bench, rest, stop_at="") as screen:
        code = at_a_terminal(["reach", "--resume", "a.csv", "--port", bench.url], screen, tmp_path)
    assert code == 0, screen.text
    assert bench.gate_is_low()
    assert rest.asked == ["blue 30 mm", "red 40 mm", "blue 40 mm"]
    for one in (seen, rest):  # off while somebody's hands are there, on while a lamp is looked at
        assert one.duties_placing == [0.0, 0.0]
        assert min(one.duties_asked) > 0.1
    assert "goes dark at" in screen.text
    found = run_json("reach", "a.csv", cwd=tmp_path)
    edges = {one["colour"]: (one["last_lit_m"], one["first_dark_m"]) for one in found["colours"]}
    assert edges == {"red": (0.03, 0.04), "blue": (0.02, 0.03)}
    assert found["coupling"]["spread"] < 0.05
    after = read_record(tmp_path / "a.csv")
    assert after.finished
    assert after.metadata is not None
    assert after.metadata.facts["interruptions"]
    np.testing.assert_array_equal(after["time_s"][: len(record)], record["time_s"])
    done = run("reach", "--resume", "a.csv", "--port", bench.url, cwd=tmp_path)
    assert done.returncode == 35
    assert "complete" in refusal(done)


def test_without_a_terminal_nothing_is_asked(tmp_path: Path) -> None:
    done = run(
        "reach", "--measure", "--port", SIM, *AT, "--distances", "20mm", "--colour", "red",
        cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 2
    assert "terminal" in refusal(done)


def test_a_typed_list_of_two_colours(tmp_path: Path) -> None:
    lines = ["distance,colour,lit,pickup"]
    for mm in range(20, 100, 10):
        volts = 2 * (0.03**2 + 0.03**2) ** 1.5 / (0.03**2 + (mm / 1e3) ** 2) ** 1.5
        lines += [f"{mm} mm,red,{'yes' if mm < 75 else 'no'},{volts:.4f} V"]
        lines += [f"{mm} mm,blue,{'yes' if mm < 45 else 'no'},{volts:.4f} V"]
    (tmp_path / "list.csv").write_text("\n".join(lines), encoding="utf-8")
    done = run("reach", "list.csv", "--plot", "list.svg", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    rows = {line.split()[0]: line.split() for line in done.stdout.splitlines() if line[:4].strip()}
    assert 70 < float(rows["red"][1]) < 80
    assert 40 < float(rows["blue"][1]) < 50
    assert "follows the coil's field" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert (tmp_path / "list.svg").read_text(encoding="utf-8").startswith("<?xml")
    (tmp_path / "bad.csv").write_text("distance,colour,lit\n20,red,yes\n", encoding="utf-8")
    bad = run("reach", "bad.csv", cwd=tmp_path)
    assert bad.returncode == 30
    assert "row 2" in refusal(bad)


def test_a_record_without_steps_is_refused(tmp_path: Path) -> None:
    with RecordWriter(tmp_path / "sweep.csv", RecordInfo(kind="sweep")) as writer:
        writer.write("sweep", point())
    done = run("reach", "sweep.csv", cwd=tmp_path)
    assert done.returncode == 30
    assert "no distance steps" in refusal(done)


def test_lamps_of_a_bench_without_lengths_cannot_be_moved(tmp_path: Path) -> None:
    kept = [text for text in build_text("harbour").splitlines() if "distance = " not in text]
    (tmp_path / "bare.toml").write_text("\n".join(kept), encoding="utf-8")
    with pytest.raises(BadBuild, match="lamps-at"):
        parse_url(f"sim://{tmp_path}/bare.toml?fault=lamps-at=40mm").bench()
