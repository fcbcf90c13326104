"""The report of the harbour tune in a real browser, opened from disk, with the network off."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cli.commandline import run
from coilwright.report import make_report
from report.chromium import DESK, PHONE, Browser, chromium
from report.records import limit_record, reach_record, sweep_record, track_record, tune_record

pytestmark = [pytest.mark.browser, pytest.mark.micropython]

PLOTS = ["plot-band", "plot-peak", "plot-duty", "plot-map", "plot-period", "plot-overlay"]

VIEWS = [(DESK, False), (DESK, True), (PHONE, False)]
NAMES = ["light", "dark", "phone"]


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One window for all tests."""
    with chromium(tmp_path_factory.mktemp("profile")) as window:
        yield window


@pytest.fixture(scope="module")
def harbour(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a tune of the harbour, with another record laid over it."""
    folder = tmp_path_factory.mktemp("harbour")
    bench = ("--port", "sim://harbour?chip=rp2040&seed=1")
    record = ("--record", "harbour.csv", "--note", "Eight buoys, no wind")
    done = run("tune", *bench, *record, "--report", "harbour.html", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "harbour.html" in done.stdout
    assert (folder / "harbour.html").stat().st_size < 3_000_000
    sweep_record(folder / "last year.csv")
    files = ("harbour.csv", "last year.csv", "-o", "harbour.html", "--force")
    done = run("report", *files, "--build", "harbour", cwd=folder)
    assert done.returncode == 0, done.stderr
    return folder / "harbour.html"


def test_every_plot_is_shown_and_nothing_is_fetched(browser: Browser, harbour: Path) -> None:
    browser.open(harbour)

    assert harbour.stat().st_size < 3_000_000
    boxes = browser.run(
        "return [...document.querySelectorAll('svg')].map(svg => {"
        " const box = svg.getBoundingClientRect();"
        " return [svg.id, box.left, box.top + scrollY, box.right, box.bottom + scrollY] })"
    )
    assert [box[0] for box in boxes] == PLOTS
    page = Image.open(io.BytesIO(browser.picture())).convert("RGB")
    for key, left, top, right, bottom in boxes:
        assert right - left > 300, key
        assert bottom - top > 300, key
        pixels = np.asarray(page.crop((round(left), round(top), round(right), round(bottom))))
        # Drawn over its whole area: in every quarter something else than the ground.
        height, width = (size // 2 for size in pixels.shape[:2])
        for quarter in (
            pixels[:height, :width], pixels[:height, width:],
            pixels[height:, :width], pixels[height:, width:],
        ):  # fmt: skip
            assert len(np.unique(quarter.reshape(-1, 3), axis=0)) > 15, key
    assert browser.complaints() == []
    asked = browser.requested()
    assert asked
    assert all(re.match(r"file:|data:", address) for address in asked), asked


@pytest.mark.parametrize(("size", "dark"), VIEWS, ids=NAMES)
def test_axe_finds_nothing_serious(
    browser: Browser, harbour: Path, size: tuple[int, int], dark: bool
) -> None:
    browser.open(harbour, size, dark=dark)
    if size == PHONE:
        browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    found = browser.axe()

    assert "error" not in found
    assert len(found["passes"]) > 15
    serious = [
        (rule["id"], node["html"][:200])
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]
    assert serious == []


def test_axe_would_find_what_is_wrong(browser: Browser, harbour: Path) -> None:
    browser.open(harbour)
    browser.run(
        "document.querySelector('main').insertAdjacentHTML('beforeend', '<div id=wrong>"
        '<svg role=img></svg><p style="color:#999;background:#fff">faint</p></div>\')'
    )
    found = {rule["id"] for rule in browser.axe("#wrong")["violations"]}
    assert {"svg-img-alt", "color-contrast"} <= found


@pytest.mark.parametrize(("size", "dark"), VIEWS, ids=NAMES)
def test_nothing_overlaps_or_is_cut_off(
    browser: Browser, harbour: Path, size: tuple[int, int], dark: bool
) -> None:
    browser.open(harbour, size, dark=dark)

    assert_room(browser, size, len(PLOTS))


@pytest.mark.parametrize(
    ("keep", "plots"), [(limit_record, 2), (track_record, 1), (reach_record, 1)]
)
def test_other_kinds_of_record_have_room_on_a_phone(
    browser: Browser, tmp_path: Path, keep: Callable[[Path], None], plots: int
) -> None:
    keep(tmp_path / "kind.csv")
    make_report([tmp_path / "kind.csv"], tmp_path / "kind.html")
    browser.open(tmp_path / "kind.html", PHONE)
    assert_room(browser, PHONE, plots)


def assert_room(browser: Browser, size: tuple[int, int], plots: int) -> None:
    """Nothing is wider than the window, and no label of a plot is cut off or over another."""
    assert browser.run("return document.documentElement.scrollWidth") <= size[0]
    labels = browser.run(
        "return [...document.querySelectorAll('svg')].map(svg => {"
        " const rim = svg.getBoundingClientRect();"
        " return [svg.id, rim.left, rim.top, rim.right, rim.bottom,"
        "  [...svg.querySelectorAll('text')].map(text => {"
        "   const box = text.getBoundingClientRect();"
        "   return [text.textContent, box.left, box.top, box.right, box.bottom] })] })"
    )
    assert len(labels) == plots
    for key, *rim, texts in labels:
        assert len(texts) > 10
        for number, (text, *box) in enumerate(texts):
            assert box[0] >= rim[0] - 1, (key, text)
            assert box[2] <= rim[2] + 1, (key, text)
            assert box[3] <= rim[3] + 1, (key, text)
            for other, *that in texts[:number]:
                # Boxes of letters hold some air above and below.
                wide = min(box[2], that[2]) - max(box[0], that[0])
                high = min(box[3], that[3]) - max(box[1], that[1])
                assert wide < 1 or high < 0.25 * (box[3] - box[1]), (key, text, other)


def test_dark_is_dark(browser: Browser, harbour: Path) -> None:
    ground = "return getComputedStyle(document.body).backgroundColor"
    seen = []
    for dark in (False, True):
        browser.open(harbour, dark=dark)
        seen.append(sum(map(int, re.findall(r"\d+", browser.run(ground)))) / 3)
    assert seen[0] > 230
    assert seen[1] < 40


def test_the_data_can_be_saved_without_a_network(
    browser: Browser, harbour: Path, tmp_path: Path
) -> None:
    browser.open(harbour)
    for name in ("harbour.csv", "harbour.csv-metadata.json"):
        assert browser.save(name, tmp_path) == (harbour.parent / name).read_bytes()


def test_it_prints_on_a_few_pages(browser: Browser, harbour: Path) -> None:
    browser.open(harbour)
    printed = browser.pdf()

    assert printed.startswith(b"%PDF")
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 8


def test_what_a_record_says_is_never_run(browser: Browser, tmp_path: Path) -> None:
    hostile = "</title></style><script>window.hit = 1</script><img src=x onerror='window.hit = 1'>"
    path = tmp_path / "<img src=x onerror=hit=1>.csv"
    tune_record(path, title=hostile, note=hostile, tags=(hostile,), driver={"serial": hostile})
    make_report([path], tmp_path / "out.html")
    browser.open(tmp_path / "out.html")

    assert browser.run("return [window.hit, document.images.length, document.scripts.length]") == [
        None, 0, 0,
    ]  # fmt: skip
    assert browser.run("return document.querySelector('h1').textContent") == hostile
    assert browser.complaints() == []
