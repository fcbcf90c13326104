"""What a tune advises: which way the valley lies, what costs more, what goes dark below what."""

from __future__ import annotations

from typing import Any

import pytest

from coilwright.point import Flag, Point, Setpoint
from coilwright.tune import LowestDuty, Setting, TuneResult
from coilwright.tune.chance import Chance
from coilwright.tune.result import Choice, Mismatch, SupplyValley
from coilwright.view.tune_text import advice, choice_rows, plain_words, tune_lines, why

SURE = Chance(lit=1.0, seen=3, by="readings")


def point(hertz: float, duty: float, supply_a: float) -> Point:
    return Point(
        index=0, time_s=0.0, requested_frequency_hz=hertz, requested_duty=duty,
        frequency_hz=hertz, duty=duty, supply_a=supply_a, probe_v=2.0, light_v=0.4,
        supply_sd_a=1e-3, probe_sd_v=1e-3, light_sd_v=1e-3, averages=32, flags=Flag.NONE,
    )  # fmt: skip


def tuned(**more: Any) -> TuneResult:
    """A tune of a harbour, as far as its words go."""
    usual: dict[str, Any] = {
        "resonance": None, "no_resonance": "It has none.", "sweep_duty": 0.2,
        "light_maximum": None, "supply_valley": None, "mismatch": None,
        "least_supply": point(176e3, 0.2, 0.013), "least_lit": point(174e3, 0.2, 0.0133),
        "alternative": None, "lowest": None, "lowest_here": None, "choices": (),
        "setting": Setting(173e3, 0.0166, Setpoint(173_000, 0.0166), 0.027, 1.74, 0.415, 3, SURE),
        "purpose": "lowest-duty", "tuned_by": "light", "harmonic": 1, "reason": "it is so",
        "lit": "by light", "warnings": (), "points": (),
    }  # fmt: skip
    return TuneResult(**{**usual, **more})


def apart(resonance_hz: float, valley_hz: float, at_resonance_a: float, at_valley_a: float) -> str:
    """The advice where the valley lies off the resonance."""
    valley = SupplyValley(valley_hz, (valley_hz - 1e3, valley_hz + 1e3), at_valley_a, 0.01, 0.2)
    ratio = valley_hz / resonance_hz
    mismatch = Mismatch(resonance_hz, ratio - 1, at_resonance_a, at_valley_a, ratio**2)
    (sentence,) = advice(tuned(supply_valley=valley, mismatch=mismatch))
    return sentence


def test_a_valley_at_a_higher_frequency_lies_above() -> None:
    text = apart(160e3, 176e3, 0.030, 0.013)
    assert "draws least at 176.0 kHz, 10 % above the resonance" in text
    assert "at the resonance it draws 17 mA more" in text
    # The tank's resonance falls as 1/sqrt(L·C) (handbook): 1.1 times lower wants 1.21 times C.
    assert "1.21 times the present tank capacitance" in text


def test_a_valley_at_a_lower_frequency_lies_below() -> None:
    text = apart(160e3, 144e3, 0.013, 0.030)
    assert "draws least at 144.0 kHz, 10 % below the resonance" in text
    assert "at the resonance it draws 17 mA less" in text
    assert "0.81 times the present tank capacitance" in text


@pytest.mark.parametrize(
    ("bounded", "words"),
    [(True, "Below 1.5 % it goes dark there."), (False, "still lit there at the least")],
)
def test_what_is_known_of_less_duty(bounded: bool, words: str) -> None:
    low, asked = 0.014 if bounded else 0.0, Setpoint(173_000, 0.015)
    lowest = LowestDuty(173e3, 0.015, (low, 0.015), asked, 0.028, 3, SURE, bounded, (), ())
    assert words in plain_words(tuned(lowest=lowest, lowest_here=lowest))


def test_the_lowest_duty_anywhere_is_told_beside_the_one_at_the_setting() -> None:
    asked = Setpoint(173_000, 0.015)
    here = LowestDuty(173e3, 0.07, (0.06, 0.07), asked, 0.02, 1, SURE, True, (), ())
    anywhere = LowestDuty(172e3, 0.0156, (0.01, 0.0156), asked, 0.033, 1, SURE, True, (), ())
    sentence = why(tuned(lowest=anywhere, lowest_here=here))[-1]
    # 1.56 % of the period of 172 kHz: 0.0156/172e3 s.
    assert "down to 1.56 %, at 172.0 kHz: an on-time of 91 ns, on 33 mA" in sentence


def test_rows_to_choose_from_have_power_and_hours() -> None:
    choice = Choice("dim", Setpoint(173_000, 0.2), 173e3, 0.2, 0.0125, 2.0, 0.4, 1.11, 1)
    heads, rows = choice_rows(tuned(choices=(choice,), lit="light sensor"), 9.0, 2.0)
    # 9 V times 12.5 mA; 2 Ah over 12.5 mA.
    told = dict(zip(heads, rows[0], strict=True))
    assert told["power"] == "113 mW"
    assert told["on 2 Ah"] == "160 h"
    assert told["on-time"] == "1.16 us"
    heads, _ = choice_rows(tuned(choices=(choice,)), None, 2.0)
    assert "power" not in heads


def test_the_table_says_units_and_which_current_is_which() -> None:
    lines = dict(tune_lines(tuned()))
    assert lines["setting"] == "173.000 kHz at 1.66 %"
    assert lines["supply current"] == "27 mA"
    assert lines["pickup"] == "1.74 V"
    assert lines["light sensor"] == "415 mV"
    assert lines["least while lit"] == "13.3 mA at 174.00 kHz, 20 % duty"


def test_an_alternative_is_told_with_its_current() -> None:
    (sentence,) = advice(tuned(alternative=point(172.4e3, 0.2, 0.0168)))
    assert sentence.startswith("Alternative: 172.4 kHz with 20 % lit the load on 16.8 mA")
    assert "--for least-current" in sentence
