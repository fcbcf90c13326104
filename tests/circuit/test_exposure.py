"""Reference levels against ICNIRP's tables."""

from __future__ import annotations

import math

import pytest

from coilwright.circuit.exposure import CAUTION, alternating_rms_a, reference_levels
from coilwright.circuit.field import MU0
from coilwright.errors import OutOfRange

# ICNIRP, Health Phys. 74(4) 494, 1998, Table 7 (= 1999/519/EC): A/m and µT, general public.
PUBLIC_1998 = {
    100e3: (5.0, 6.25),
    150e3: (4.8667, 6.1333),
    165e3: (4.4242, 5.5758),
    185e3: (3.9459, 4.9730),
    400e3: (1.8250, 2.3000),
}
# Same, Table 6, occupational; from memory.
OCCUPATIONAL_1998 = {100e3: (16.0, 20.0), 165e3: (9.6970, 12.1212), 400e3: (4.0, 5.0)}
# ICNIRP, Health Phys. 118(5) 483, 2020, Table 5 (occupational column from memory) and Table 6, A/m:
# public and occupational whole body, public and occupational local.
OF_2020 = {
    100e3: (22.0, 49.0, 49.0, 108.0),
    150e3: (14.6667, 32.6667, 32.6667, 72.0),
    165e3: (13.3333, 29.6970, 29.6970, 65.4545),
    400e3: (5.5, 12.25, 12.25, 27.0),
}


@pytest.mark.parametrize("frequency", PUBLIC_1998)
def test_public_1998(frequency: float) -> None:
    level = reference_levels(frequency)[0]
    field, flux = PUBLIC_1998[frequency]
    assert level.field_a_per_m == pytest.approx(field, rel=1e-4)
    assert 1e6 * level.flux_density_t == pytest.approx(flux, rel=1e-4)
    assert not level.from_memory


@pytest.mark.parametrize("frequency", OCCUPATIONAL_1998)
def test_occupational_1998(frequency: float) -> None:
    level = reference_levels(frequency, "occupational")[0]
    field, flux = OCCUPATIONAL_1998[frequency]
    assert level.field_a_per_m == pytest.approx(field, rel=1e-4)
    assert 1e6 * level.flux_density_t == pytest.approx(flux, rel=1e-4)
    assert level.from_memory


def test_2010() -> None:
    """ICNIRP, Health Phys. 99(6) 818, 2010, Tables 3 and 4: the same from 3 kHz to 10 MHz."""
    for frequency in (70e3, 165e3, 900e3):
        public = reference_levels(frequency)[1]
        occupational = reference_levels(frequency, "occupational")[1]
        assert (public.field_a_per_m, public.flux_density_t) == (21.0, 27e-6)
        assert (occupational.field_a_per_m, occupational.flux_density_t) == (80.0, 100e-6)


@pytest.mark.parametrize("frequency", OF_2020)
def test_2020(frequency: float) -> None:
    public = reference_levels(frequency)[2:]
    occupational = reference_levels(frequency, "occupational")[2:]
    found = [group[n].field_a_per_m for n in (0, 1) for group in (public, occupational)]
    assert found == pytest.approx(OF_2020[frequency], rel=1e-4)
    assert public[0].flux_density_t == pytest.approx(MU0 * public[0].field_a_per_m)
    assert [level.from_memory for level in (*public, *occupational)] == [False, False, True, False]


def test_the_edge_at_150_khz_takes_the_lower_row() -> None:
    below, at = (reference_levels(f)[0] for f in (149_999.0, 150e3))
    assert (below.row, at.row) == ("3-150 kHz", "0.15-1 MHz")
    assert at.field_a_per_m < below.field_a_per_m


def test_rows_of_2020_begin_at_100_khz() -> None:
    assert len(reference_levels(99e3)) == 2
    assert len(reference_levels(100e3)) == 4


def test_ratio_is_plain() -> None:
    level = reference_levels(165e3)[1]
    assert level.ratio(54e-6) == pytest.approx(2.0)


@pytest.mark.parametrize("frequency", [50e3, 2e6])
def test_other_frequencies_are_refused(frequency: float) -> None:
    with pytest.raises(OutOfRange, match="reference levels"):
        reference_levels(frequency)


def test_alternating_part_of_a_current() -> None:
    """rms² = mean² + alternating²; 1 A peak on 0.5 A."""
    rms = math.hypot(0.5, math.sqrt(0.5))
    assert alternating_rms_a(rms, 0.5) == pytest.approx(math.sqrt(0.5))
    assert alternating_rms_a(0.5, 0.5 + 1e-12) == 0


def test_the_caution_claims_no_safety() -> None:
    assert "not an assessment" in CAUTION
    assert "no statement of safety" in CAUTION
