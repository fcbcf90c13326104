"""The page: whole, alone, harmless whatever the record says, and readable without seeing it."""

from __future__ import annotations

import base64
import gzip
import itertools
import re
from importlib import resources
from pathlib import Path

import pytest

from coilwright.build import Build, load_build, parse_build
from coilwright.errors import BadRecord, NotWritable, WouldOverwrite
from coilwright.point import Setpoint
from coilwright.record import RecordInfo, RecordWriter, metadata_path, read_record
from coilwright.report import make_report, page, prediction
from coilwright.report.measured import measured
from report.reading import Page, read
from report.records import limit_record, reach_record, sweep_record, track_record, tune_record
from tune.bench_model import PhasorBench

ALWAYS = ["plot-band", "plot-peak", "plot-duty", "plot-map"]

HOSTILE = (
    '<script>alert(1)</script>"><img src=x onerror=alert(1)>{{ 7*7 }} $x$ \x00\u202e javascript:'
)
SHOWN = '<script>alert(1)</script>"><img src=x onerror=alert(1)>{{ 7*7 }} $x$ javascript:'


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A map of few points, since what is looked at here is the page."""
    monkeypatch.setattr(prediction, "COLUMNS", 5)
    monkeypatch.setattr(prediction, "ROWS", 4)


@pytest.fixture(scope="module")
def pier(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the record of a tune and its page."""
    folder = tmp_path_factory.mktemp("pier")
    tune_record(folder / "pier.csv")
    make_report([folder / "pier.csv"], folder / "out.html")
    return folder


def page_of(folder: Path, *names: str, build: Build | None = None) -> Page:
    """The page of records in a folder."""
    target = folder / "out.html"
    make_report([folder / name for name in names], target, build=build, force=True)
    return read(target.read_text("utf-8"))


def two_lamps(name: str = "two lamps", lamp: str = "gate") -> Build:
    """The harbour with a second kind of receiver."""
    import tomllib

    tree = tomllib.loads((resources.files("coilwright") / "builds" / "harbour.toml").read_text())
    second = {**tree["receiver"][0], "name": lamp, "count": 2, "coupling": 0.008}
    return parse_build({**tree, "name": name, "receiver": [tree["receiver"][0], second]})


def test_whole_and_alone(tmp_path: Path, quick: None) -> None:
    tune_record(tmp_path / "pier.csv")
    sweep_record(tmp_path / "other.csv", probe_hz=168e3)
    found = page_of(tmp_path, "pier.csv", "other.csv", build=two_lamps())

    assert found.unbalanced == []
    assert found.inside == []
    plots = [attributes["id"] for attributes in found.named("svg")]
    assert plots == [*ALWAYS, "plot-period", "plot-overlay"]
    for words in ("two lamps", "gate", "by the model", "other", "Nothing here is a statement"):
        assert words in found.words
    for reference in found.references():
        assert re.match(r"#|data:", reference), reference
    # Not even a namespace: nothing in the page names another place.
    whole = (tmp_path / "out.html").read_text("utf-8")
    assert "http:" not in whole
    assert "https:" not in whole
    policy = [m["content"] for m in found.named("meta") if "http-equiv" in m]
    assert len(policy) == 1
    assert policy[0].startswith("default-src 'none';")
    assert "script-src" not in policy[0]
    assert (tmp_path / "out.html").stat().st_size < 3_000_000


def test_references_are_found_where_there_are_some() -> None:
    # The test above is worth something only if this reader would see them.
    bad = (
        '<style>@import "a.css"; b{background:url(c.png)}</style><img src="d.png">'
        '<svg><use xlink:href="e.svg#f"/><rect style="fill: url(g.svg#h)"/></svg>'
    )
    assert [one.strip('";') for one in read(bad).references()] == [
        "d.png", "e.svg#f", "c.png", "a.css", "g.svg#h",
    ]  # fmt: skip


def test_nothing_that_a_record_says_is_more_than_text(tmp_path: Path, quick: None) -> None:
    name = "harbour <b onclick=x>'\"&$y$.csv"
    tune_record(
        tmp_path / name,
        title=HOSTILE,
        note=HOSTILE,
        tags=(HOSTILE,),
        driver={"model": HOSTILE, "serial": HOSTILE, HOSTILE: HOSTILE},
        board={"deep": {HOSTILE: [HOSTILE]}},
    )
    sweep_record(tmp_path / "other $ {} <i>.csv")
    build = two_lamps(HOSTILE, "<script>alert(2)</script> $z$")
    found = page_of(tmp_path, name, "other $ {} <i>.csv", build=build)

    allowed = {
        "html", "head", "meta", "title", "style", "body", "div", "header", "main", "footer", "h1",
        "h2", "h3", "p", "ul", "li", "dl", "dt", "dd", "strong", "span", "br", "table", "caption",
        "thead", "tbody", "tr", "th", "td", "figure", "figcaption", "section", "a", "details",
        "summary", "svg", "desc", "g", "defs", "path", "use", "text", "clippath", "rect", "pattern",
        "image",
    }  # fmt: skip
    assert {tag for tag, _ in found.tags} <= allowed
    for tag, attributes in found.tags:
        assert not [one for one in attributes if one.startswith("on")], tag
    assert found.words.count(SHOWN) >= 5
    assert name in found.words
    assert "\x00" not in found.words
    assert "\u202e" not in found.words
    assert found.unbalanced == []
    saved = [link["download"] for link in found.named("a")]
    assert name in saved


def test_every_plot_is_told_in_words(pier: Path) -> None:
    whole = (pier / "out.html").read_text("utf-8")
    found = read(whole)

    identifiers = [a["id"] for _, a in found.tags if "id" in a]
    assert len(identifiers) == len(set(identifiers))
    for svg in found.named("svg"):
        assert svg["role"] == "img"
        for label in svg["aria-labelledby"].split():
            (text,) = re.findall(rf'id="{label}">([^<]+)<', whole)
            assert len(text) > 10
    fit = measured(read_record(pier / "pier.csv")).fit
    assert fit is not None
    assert f"peaks at {fit.frequency_hz / 1e3:.3f} kHz" in found.words
    for reference in (one for one in found.references() if one.startswith("#")):
        assert reference[1:] in identifiers


def test_built_to_be_read_aloud(pier: Path) -> None:
    found = read((pier / "out.html").read_text("utf-8"))

    assert found.named("html") == [{"lang": "en"}]
    levels = [int(tag[1]) for tag, _ in found.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    assert all(th.get("scope") in ("col", "row") for th in found.named("th"))
    assert found.named("main")
    assert [m for m in found.named("meta") if m.get("name") == "viewport"]
    style = " ".join(found.styles)
    assert "prefers-color-scheme: dark" in style
    assert "@media print" in style


def test_the_raw_data_are_in_it_byte_by_byte(pier: Path) -> None:
    path = pier / "pier.csv"
    found = read((pier / "out.html").read_text("utf-8"))

    links = {link["download"]: link["href"] for link in found.named("a")}
    for file in (path, metadata_path(path)):
        head, _, body = links[file.name].partition(",")
        assert head.endswith(";base64")
        assert base64.b64decode(body) == file.read_bytes()
    record = read_record(path)
    assert f"{len(record)} points as a table" in found.words
    assert found.named("details")
    assert repr(float(record["probe_v"][7])) in found.words


def test_large_data_are_compressed_or_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "pier.csv"
    tune_record(path)
    size = path.stat().st_size
    monkeypatch.setattr(page, "MOST_BYTES", size - 1)
    monkeypatch.setattr(page, "MOST_ROWS", 10)
    found = page_of(tmp_path, "pier.csv")
    links = {link["download"]: link["href"] for link in found.named("a")}
    packed = base64.b64decode(links["pier.csv.gz"].partition(",")[2])
    assert gzip.decompress(packed) == path.read_bytes()
    assert "The table holds the first 10 of" in found.words

    monkeypatch.setattr(page, "MOST_BYTES", 1000)
    found = page_of(tmp_path, "pier.csv")
    assert found.named("a") == []
    assert "pier.csv is too large to be kept in this page." in found.words


@pytest.mark.parametrize("kind", ["interrupted", "without light", "sweep", "no metadata"])
def test_records_that_lack_something(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    if kind in ("sweep", "no metadata"):
        sweep_record(path)
    else:
        tune_record(path, finish=kind != "interrupted", dark=kind == "without light")
    if kind == "no metadata":
        metadata_path(path).unlink()
    found = page_of(tmp_path, "pier.csv")

    plots = [attributes["id"] for attributes in found.named("svg")]
    assert plots[:2] == ["plot-band", "plot-peak"]
    assert ("light sensor, V" in found.words) == (kind != "without light")
    assert ("never finished" in found.words) == (kind == "interrupted")
    assert ("is missing" in found.words) == (kind == "no metadata")
    assert found.unbalanced == []


def test_a_tracking_is_drawn_over_time(tmp_path: Path) -> None:
    track_record(tmp_path / "track.csv")
    found = page_of(tmp_path, "track.csv")

    assert [attributes["id"] for attributes in found.named("svg")] == ["plot-time"]
    # 125 MHz over 758 and over 751, the nearest to 165.0 and 166.4 kHz.
    assert "from 164.91 to 166.44 kHz" in found.words
    assert "Followed from 165.000 kHz to 166.400 kHz in 3.5 s, 8 moves, by its pickup." in (
        found.words
    )
    assert "+1.400 kHz" in found.words
    assert "1 V, 1.7 V" in found.words
    assert "Moves missed 3" in found.words
    assert "at a move" in found.words


def test_a_tracking_that_broke_off_is_drawn_from_its_points(tmp_path: Path) -> None:
    with RecordWriter(tmp_path / "track.csv", RecordInfo(kind="track")) as writer:
        for point in PhasorBench(chip="rp2").measure([Setpoint(165_000, 0.2)] * 3):
            writer.write("tracking", point)
        writer.finish("interrupted", {"mode": "probe", "moves": [{"index": 0}], "missed": 0})
    found = page_of(tmp_path, "track.csv")
    assert [attributes["id"] for attributes in found.named("svg")] == ["plot-time"]
    assert "What was found" in found.words


def test_caps_of_a_limit_are_drawn_and_told(tmp_path: Path) -> None:
    """As docs/commands.md has a table: at a point its own cap, between two the smaller."""
    limit_record(tmp_path / "limit.csv")
    found = page_of(tmp_path, "limit.csv")

    plots = [attributes["id"] for attributes in found.named("svg")]
    assert plots[0] == "plot-limit"
    assert not {"plot-band", "plot-peak", "plot-duty"} & set(plots)
    assert "From 150 to 170 kHz the cap runs from 10 % to 25 %; the limit is 200 mA." in found.words
    assert "the driver draws no more than 200 mA" in found.words
    assert "2 of 2 held" in found.words
    assert "drew at most 190 mA" in found.words
    assert "195 mA" in found.words
    assert "Hot." in found.words


def test_steps_of_a_reach_are_drawn_and_told(tmp_path: Path) -> None:
    """A typed truth: red is seen to 60 mm, blue to 40 mm; pickup as one ring's field on its axis,
    1 / (R² + z²)^1.5 (Maxwell, Treatise, vol. 2, s. 676)."""
    reach_record(tmp_path / "r.csv")
    found = page_of(tmp_path, "r.csv")

    assert "plot-reach" in [attributes["id"] for attributes in found.named("svg")]
    assert "Red: lit at 5 of 8 distances; it goes dark 60 to 70 mm." in found.words
    assert "Blue goes dark" in found.words
    assert "40 to 50 mm" in found.words
    assert "Offset of the distances" in found.words
    assert found.unbalanced == []


def test_refusals(tmp_path: Path) -> None:
    sweep_record(tmp_path / "pier.csv")
    (tmp_path / "there.html").write_text("mine")
    with pytest.raises(WouldOverwrite):
        make_report([tmp_path / "pier.csv"], tmp_path / "there.html")
    assert (tmp_path / "there.html").read_text() == "mine"
    with pytest.raises(BadRecord, match="pdf"):
        make_report([tmp_path / "pier.csv"], tmp_path / "out.pdf")
    with pytest.raises(NotWritable, match="no folder"):
        make_report([tmp_path / "pier.csv"], tmp_path / "none" / "out.html")
    (tmp_path / "letter.csv").write_text("Dear harbour master\n")
    with pytest.raises(BadRecord, match="no sweep record"):
        make_report([tmp_path / "letter.csv"], tmp_path / "out.html")
    head = (tmp_path / "pier.csv").read_bytes().split(b"\r\n")[0]
    (tmp_path / "bare.csv").write_bytes(head + b"\r\n")
    with pytest.raises(BadRecord, match="no points"):
        make_report([tmp_path / "bare.csv"], tmp_path / "out.html")
    assert not (tmp_path / "out.html").exists()


def test_a_build_is_not_solved_where_nothing_says_for_what(tmp_path: Path) -> None:
    path = tmp_path / "pier.csv"
    sweep_record(path)
    rows = path.read_bytes().split(b"\r\n")
    path.write_bytes(b"\r\n".join(rows[:3]) + b"\r\n")
    made = make_report([path], tmp_path / "out.html", build=load_build("harbour"))

    assert any("the build is not solved" in text for text in made.remarks)
