"""`coilwright identify` from sweeps of the simulated harbour to a build file as built."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from cli.commandline import refusal, run, run_json
from coilwright.build import load_build
from coilwright.identify import keys

SEED = 3
GIVEN = ("--given", "coil.inductance=9.6uH±1%")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sweeps of one harbour, and what identify makes of them."""
    here = tmp_path_factory.mktemp("identify")
    for name, duty in (("a.csv", "15%"), ("b.csv", "35%")):
        url = f"sim://harbour?seed={SEED}&speed=20"
        span = ("--from", "132k", "--to", "208k", "--points", "51", "--duty", duty)
        done = run("sweep", "--port", url, *span, "--record", name, cwd=here)
        assert done.returncode == 0, done.stderr
    found = run_json(
        "identify", "a.csv", "b.csv", "--build", "harbour", *GIVEN, "--output", "built.toml",
        "--try", "tank.capacitance=68nF", "--plot", "fit.png", cwd=here,
    )  # fmt: skip
    (here / "found.json").write_text(json.dumps(found), encoding="utf-8")
    return here


@pytest.fixture(scope="module")
def found(folder: Path) -> dict:  # type: ignore[type-arg]
    return dict(json.loads((folder / "found.json").read_text(encoding="utf-8")))


LIMITS = {"coil.inductance": 0.02, "tank.capacitance": 0.02, "receiver[0].coupling": 0.1}


def test_values_are_those_the_bench_was_made_with(found: dict) -> None:  # type: ignore[type-arg]
    true = load_build("harbour").drawn(SEED)
    for key, limit in LIMITS.items():
        value = found["parts"][key]["value"]
        assert value == pytest.approx(keys.value(true, key), rel=limit), key
    truth = {key: keys.value(true, key) for key in found["parts"]}
    inside = [part["ci"][0] <= truth[key] <= part["ci"][1] for key, part in found["parts"].items()]
    # Of 16 intervals of 95 % fewer than 12 hold in one run of ten thousand; how many really hold
    # is measured over many builds: tests/benchmarks/identify_builds.py.
    assert sum(inside) >= 0.75 * len(inside)


def test_the_probe_is_where_the_seed_put_it(found: dict) -> None:  # type: ignore[type-arg]
    (hertz,) = (one["value"] for one in found["derived"] if one["name"] == "probe resonance")
    probe = load_build("harbour").drawn(SEED).probe.receiver
    true = 1 / (2 * 3.141592653589793 * (probe.inductance_h * probe.capacitance_f) ** 0.5)
    assert hertz == pytest.approx(true, rel=0.002)
    planned = 165.036e3
    assert abs(true / planned - 1) > 0.01  # else the check would say nothing


def test_the_build_file_as_built_loads_and_keeps_the_makers_words(
    folder: Path, found: dict  # type: ignore[type-arg]
) -> None:  # fmt: skip
    text = (folder / "built.toml").read_text(encoding="utf-8")
    assert "# MOSFET" in text or "# stray inductance of the switched loop" in text
    built = load_build(folder / "built.toml")
    for key, part in found["parts"].items():
        assert keys.value(built, key) == pytest.approx(part["value"], rel=1e-4)
    assert "tolerance" in tomllib.loads(text)["coil"]
    done = run("predict", "built.toml", "--frequency", "165k", "--duty", "35%", cwd=folder)
    assert done.returncode == 0, done.stderr


def test_a_smaller_tank_capacitor_moves_the_valley_up(found: dict) -> None:  # type: ignore[type-arg]
    (tried,) = found["tries"]
    assert tried["change"] == {"tank.capacitance": 68e-9}
    ratio = tried["after"]["valley_hz"] / tried["before"]["valley_hz"]
    assert ratio == pytest.approx((82 / 68) ** 0.5, rel=0.03)
    assert tried["after"]["pickup_hz"] == pytest.approx(tried["before"]["pickup_hz"], rel=0.003)


def test_the_plot_is_there(folder: Path) -> None:
    assert (folder / "fit.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("extra", "says"),
    [
        (("--given", "coil.inductance"), "key=value"),
        (("--given", "coil.inductance=9.6nF"), "H is meant"),
        (("--given", "coil.inductanse=9.6uH"), "coil.inductanse"),
        (("--given", "coil.inductance=9.6uH±120%"), "between 0 and 1"),
        (("--lamps", "c.csv:buoys=0"), "none of the records"),
        (("--lamps", "a.csv:cranes=2"), "buoys"),
        (("--try", "tank.capacitance=-3nF"), "above zero"),
        (("--output", "built.toml"), "exists"),
        (("--output", "built.txt"), ".toml"),
        (("--plot", "fit.pdf"), ".png"),
    ],
)
def test_what_cannot_be_understood_is_refused_before_any_work(
    folder: Path, extra: tuple[str, ...], says: str
) -> None:
    done = run("identify", "a.csv", "b.csv", "--build", "harbour", *extra, cwd=folder)
    assert done.returncode not in (0, 70)
    assert says in refusal_or_usage(done.stderr)


def refusal_or_usage(text: str) -> str:
    assert "Traceback" not in text
    return text


def test_a_file_that_is_no_record_is_refused(folder: Path) -> None:
    (folder / "parts.csv").write_text("part,value\nC1,82n\n", encoding="utf-8")
    done = run("identify", "parts.csv", "--build", "harbour", cwd=folder)
    assert done.returncode == 30
    assert "no sweep record" in refusal(done)


def test_a_record_of_too_few_points_is_refused(folder: Path) -> None:
    rows = (folder / "a.csv").read_text(encoding="utf-8").splitlines()[:6]
    (folder / "few.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    done = run("identify", "few.csv", "--build", "harbour", cwd=folder)
    assert done.returncode == 30
    assert "at least 12" in refusal(done)
