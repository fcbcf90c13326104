"""Board files against what the makers of the chips publish, and the refusals."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from coilwright.bench.chips import CHIPS
from coilwright.board_file import SENSORS, BoardFile, Wiring, board_names, load_board
from coilwright.errors import BadBoard, BadPins
from coilwright.install.prompt import BoardFacts

DOCS = Path(__file__).resolve().parents[2] / "docs"

STRAPPING = {
    # ESP-IDF Programming Guide, "GPIO & RTC GPIO" of each chip (v5.0.3, v5.2): "Strapping pin".
    "esp32": {0, 2, 5, 12, 15},
    "esp32s3": {0, 3, 45, 46},
    "esp32c3": {2, 8, 9},
}
ADC1 = {
    # The same pages, column "Analog Function": ADC1_CH0 and so on.
    "esp32": set(range(32, 40)),
    "esp32s3": set(range(1, 11)),
    "esp32c3": set(range(5)),
    # RP2040 and RP2350A data sheets, ADC: channels 0 to 3 are GPIO 26 to 29.
    "pico": set(range(26, 30)),
    "pico2": set(range(26, 30)),
}
ADC_RANGE_UV = {
    # MicroPython documentation, esp32/quickref, ADC: linear range at 11 dB. Data sheets of ESP32-S3
    # and ESP32-C3, table ADC Calibration Results, ATTEN3: effective measurement range. RP2040 and
    # RP2350 data sheets, ADC: the reference is the 3.3 V supply.
    "esp32": (150_000, 2_450_000),
    "esp32s3": (0, 2_900_000),
    "esp32c3": (0, 2_500_000),
    "pico": (0, 3_300_000),
    "pico2": (0, 3_300_000),
}
FLASH = {
    # The same pages: "SPI0/1".
    "esp32": {6, 7, 8, 9, 10, 11, 16, 17},
    "esp32s3": set(range(26, 33)),
    "esp32c3": set(range(12, 18)),
}
SENSOR_TOP_V = {"ina219": 0.32, "ina226": 0.08192, "none": None}
"""TI data sheets: SBOS448 (INA219), range at a gain of /8; SBOS547 (INA226), full-scale range."""
LEFT_RUNNING = set(range(8, 16)) | set(range(24, 30))
"""MicroPython 1.28 on an emulated RP2040: PWM slices that a soft reset does not stop."""

BOARDS = board_names()


@pytest.fixture(params=BOARDS)
def board(request: pytest.FixtureRequest) -> BoardFile:
    return load_board(request.param)


def test_the_boards_are_those_that_are_promised() -> None:
    assert BOARDS == ["esp32", "esp32c3", "esp32s3", "pico", "pico2"]


@pytest.mark.parametrize("sensor", SENSORS)
def test_where_a_sensor_ends(board: BoardFile, sensor: str) -> None:
    top_v = board.sensor_top_v(replace(board.wiring, sensor=sensor))
    known = SENSOR_TOP_V.get(sensor, ADC_RANGE_UV[board.name][1] * 1e-6)
    assert top_v == (None if known is None else pytest.approx(known, rel=1e-4))


def test_no_gate_on_a_pin_that_the_makers_warn_of(board: BoardFile) -> None:
    never = STRAPPING.get(board.name, set()) | FLASH.get(board.name, set())
    if board.platform == "rp2":
        never = LEFT_RUNNING
    for pin in range(50):
        wiring = replace(board.wiring, gate=pin, sensor="none", probe=None, light=None, led=None)
        if pin in never:
            with pytest.raises(BadPins, match=rf"GPIO {pin} .*: not for the gate\."):
                board.check(wiring)
        elif pin in board.gate_pins:
            board.check(wiring)
        else:
            with pytest.raises(BadPins):
                board.check(wiring)


def test_sensors_only_on_adc_1(board: BoardFile) -> None:
    assert set(board.adc_pins) <= ADC1[board.name]
    for pin in set(range(50)) - ADC1[board.name]:
        with pytest.raises(BadPins, match="not for the probe"):
            board.check(replace(board.wiring, probe=pin))


def test_adc_range_as_published_goes_to_the_board(board: BoardFile) -> None:
    assert board.adc_range_uv == ADC_RANGE_UV[board.name]
    assert board.board_json(board.wiring)["adc_full_uv"] == ADC_RANGE_UV[board.name][1]


def test_the_bench_is_wired_as_the_boards_are() -> None:
    """Pins and ADC ranges of the simulated chips are those of the board files."""
    for chip in CHIPS.values():
        board = load_board({"rp2040": "pico", "rp2350": "pico2"}.get(chip.name, chip.name))
        wired = (chip.gate, chip.supply_pin, chip.probe_pin, chip.light_pin, chip.led)
        here = board.wiring
        assert wired == (here.gate, here.supply, here.probe, here.light, here.led), chip.name
        assert (chip.scl, chip.sda) == (here.scl, here.sda)
        assert chip.adc_full_uv == board.adc_range_uv[1] <= chip.adc_top_uv
        assert (chip.family, chip.pwm_clock_hz) == (board.platform, board.pwm.clock_hz)


def test_each_refusal_has_a_reason_and_a_source_and_keeps_off_what_is_allowed(
    board: BoardFile,
) -> None:
    data = tomllib.loads(
        resources.files("coilwright").joinpath("boards", f"{board.name}.toml").read_text("utf-8")
    )
    for section in ("reset", "adc", "pwm", "i2c"):
        assert len(data[section]["source"]) > 20
    for refusal in board.refused:
        assert refusal.reason
        assert refusal.source
        assert refusal.of in ("gate", "adc", "i2c", "led", "output", "all")
        allowed = {"gate": board.gate_pins, "adc": board.adc_pins, "i2c": board.other_pins}
        for use, pins in allowed.items():
            assert not [pin for pin in pins if refusal.concerns(pin, use)]


def test_its_own_wiring_is_allowed_and_reads_back(board: BoardFile) -> None:
    for sensor in ("adc", "ina219", "none"):
        wiring = replace(board.wiring, sensor=sensor, shunt_uohm=50_000)
        if sensor == "ina219" and board.name == "esp32c3":
            wiring = replace(wiring, supply=None)
        board.check(wiring)
        again = board.read_json(board.board_json(wiring))
        assert board.board_json(again) == board.board_json(wiring)


def test_the_pins_of_a_latch() -> None:
    pico = load_board("pico")
    wiring = replace(pico.wiring, latch=20, latch_clear=21)
    pico.check(wiring)
    found = pico.board_json(wiring)
    assert found["latch"] == {"pin": 20, "clear": 21, "tripped": 0}
    assert pico.read_json(found) == wiring
    # By hand: one whose pin is high once it has acted, and that a button clears.
    by_hand = pico.read_json({**found, "latch": {"pin": 20, "tripped": 1}})
    assert (by_hand.latch, by_hand.latch_clear, by_hand.latch_tripped) == (20, None, 1)
    assert pico.board_json(by_hand)["latch"] == {"pin": 20, "tripped": 1}
    assert "latch" not in pico.board_json(pico.wiring)
    with pytest.raises(BadPins, match="GPIO 2 is both the gate and the latch"):
        pico.check(replace(wiring, latch=2))
    with pytest.raises(BadPins, match="before it is cleared"):
        pico.check(replace(wiring, latch=None))
    # GPIO 34 to 39 of an ESP32 are inputs alone (ESP32 Datasheet, IO_MUX).
    esp32 = load_board("esp32")
    with pytest.raises(BadPins, match=r"GPIO 36 .*: not for clearing the latch"):
        esp32.check(replace(esp32.wiring, latch=33, latch_clear=36))


def test_the_alert_pin_of_an_ina226() -> None:
    pico = load_board("pico")
    wiring = replace(pico.wiring, sensor="ina226", alert=22)
    pico.check(wiring)
    found = pico.board_json(wiring)
    assert found["supply"]["alert"] == 22
    assert pico.read_json(found) == replace(wiring, supply=pico.wiring.supply)
    with pytest.raises(BadPins, match="GPIO 2 is both the gate and the alert pin"):
        pico.check(replace(wiring, alert=2))
    with pytest.raises(BadPins, match="GPIO 23 is wired to the power supply"):
        pico.check(replace(wiring, alert=23))
    with pytest.raises(BadPins, match="Only an INA226 has an alert pin"):
        pico.check(replace(wiring, sensor="ina219"))


# RP2040 data sheet, table of GPIO functions: SDA and SCL of I2C0 and I2C1, each fourth pin.
@pytest.mark.parametrize(
    ("sda", "scl", "bus"), [(4, 5, 0), (0, 1, 0), (6, 7, 1), (2, 3, 1), (16, 21, 0), (26, 27, 1)]
)
def test_i2c_buses_of_the_rp2(sda: int, scl: int, bus: int) -> None:
    wiring = Wiring(gate=22, sensor="ina219", sda=sda, scl=scl)
    load_board("pico").check(wiring)
    assert load_board("pico").board_json(wiring)["i2c"]["id"] == bus


@pytest.mark.parametrize(("sda", "scl"), [(5, 4), (4, 7), (6, 5), (3, 2)])
def test_pins_of_no_bus(sda: int, scl: int) -> None:
    with pytest.raises(BadPins, match="no I2C bus"):
        load_board("pico").check(Wiring(gate=22, sensor="ina226", sda=sda, scl=scl))


# What MicroPython's builds say of themselves: MICROPY_HW_BOARD_NAME "with" MICROPY_HW_MCU_NAME of
# ports/esp32/boards and ports/rp2/boards; the last one of a maker of boards. From memory.
@pytest.mark.parametrize(
    ("machine", "board"),
    [
        ("Generic ESP32 module with ESP32", "esp32"),
        ("ESP32 module (spiram) with ESP32", "esp32"),
        ("TinyPICO with ESP32-PICO-D4", "esp32"),
        ("Generic ESP32S3 module with ESP32S3", "esp32s3"),
        ("ESP32-S3 board with ESP32-S3", "esp32s3"),
        ("ESP32C3 module with ESP32C3", "esp32c3"),
        ("Raspberry Pi Pico with RP2040", "pico"),
        ("Raspberry Pi Pico W with RP2040", "pico"),
        ("Raspberry Pi Pico2 with RP2350", "pico2"),
        ("Generic ESP32S2 module with ESP32S2", None),
        ("LEGO Technic Large Hub with STM32F413VGT6", None),
    ],
)
def test_the_board_that_calls_itself_so(machine: str, board: str | None) -> None:
    from coilwright.board_file import board_for

    found = board_for(BoardFacts("", machine, (1, 24, 0), 0).mcu)
    assert (found.name if found else None) == board


def test_the_radio_of_a_pico_w_keeps_its_pin() -> None:
    """Pico W data sheet: GPIO 25 is the radio's chip select, and the LED hangs on the radio."""
    pico = load_board("pico")
    assert pico.on_variant("Raspberry Pi Pico with RP2040").wiring.led == 25
    assert pico.on_variant("Raspberry Pi Pico W with RP2040").wiring.led is None
    assert load_board("pico2").on_variant("Raspberry Pi Pico 2 W with RP2350").wiring.led is None


def _own(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "harbour.toml"
    file.write_text(text)
    return file


def test_the_ten_lines_of_the_document(tmp_path: Path) -> None:
    page = (DOCS / "board.md").read_text(encoding="utf-8")
    text = page.split("```toml\n")[1].split("```")[0]
    assert len(text.strip().splitlines()) == 10
    board = load_board(_own(tmp_path, text))
    assert board.mcus == ("RP2040",)
    assert board.wiring.gate == 16
    assert board.wiring.led is None
    wired: dict[str, Any] = board.board_json(board.wiring)
    assert wired["supply"] == {"sensor": "ina219", "shunt_uohm": 100_000, "address": 65}
    assert wired["i2c"] == {"id": 1, "scl": 7, "sda": 6, "freq": 400_000}


@pytest.mark.parametrize(
    ("text", "kind", "told"),
    [
        ("gate = 3", BadBoard, "no base"),
        ('base = "piko"', BadBoard, "no board 'piko'"),
        ('base = "pico"\ngat = 3', BadBoard, "'gat' is not a key"),
        ('base = "pico"\ngate = "3"', BadBoard, "gate is '3'"),
        ('base = "pico"\nled = true', BadBoard, "led is True"),
        ('base = "pico"\nshunt_ohm = 0', BadBoard, "shunt_ohm is 0"),
        ('base = "pico"\nsensor = "ina"', BadBoard, "sensor is 'ina'"),
        ('base = "pico"\ngate = 9', BadPins, "GPIO 9"),
        ("base = ", BadBoard, "not TOML"),
    ],
)
def test_a_file_that_is_not_as_documented(
    tmp_path: Path, text: str, kind: type[Exception], told: str
) -> None:
    with pytest.raises(kind, match=told):
        load_board(_own(tmp_path, text))


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(BadBoard, match="Cannot read"):
        load_board(tmp_path / "nowhere.toml")
