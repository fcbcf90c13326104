"""Another instrument program drives the same firmware: PyVISA with pyvisa-py, over the same pty."""

from __future__ import annotations

import struct
import time
import zlib
from collections.abc import Iterator
from typing import Any

import pytest

from coilwright.bench.process import Bench

pytestmark = pytest.mark.micropython


@pytest.fixture
def instrument() -> Iterator[Any]:
    """The bench as a VISA resource."""
    pyvisa = pytest.importorskip("pyvisa")
    with Bench("harbour", chip="rp2040", seed=3) as bench:
        manager = pyvisa.ResourceManager("@py")
        session = manager.open_resource(f"ASRL{bench.url}::INSTR")
        session.timeout = 30_000
        session.read_termination = session.write_termination = "\n"
        yield session
        session.close()
        manager.close()


def test_identity_has_four_fields(instrument: Any) -> None:
    # IEEE 488.2, 10.14: maker, model, serial number, firmware.
    fields = instrument.query("*IDN?").split(",")

    assert len(fields) == 4
    assert fields[0] == "Coilwright"


def test_set_and_read_back(instrument: Any) -> None:
    instrument.write("SOURce:FREQuency 185 KHZ;:SOUR:PULS:DCYC 15 PCT")

    # MicroPython's RP2 port at 125 MHz: TOP 675 for 185 kHz, so 125 MHz / 676.
    assert float(instrument.query("FREQ?")) == pytest.approx(125e6 / 676, abs=1e-3)
    assert float(instrument.query("PULS:DCYC?")) == pytest.approx(
        100 * round(0.15 * 676) / 676, abs=0.08
    )
    assert instrument.query("SYST:ERR?") == '0,"No error"'


def test_an_error_is_queued_with_its_standard_number(instrument: Any) -> None:
    instrument.write("FREQ 5 MHZ")

    # SCPI-99, 21.8: -222 "Data out of range"; the ESR shows an execution error, bit 4.
    assert instrument.query("SYST:ERR?").startswith("-222,")
    assert int(instrument.query("*ESR?")) & 0x10


def test_sweep_and_read_as_a_block(instrument: Any) -> None:
    instrument.write("SYST:HOST:TIM 20")
    instrument.write("FREQ 160 KHZ;:PULS:DCYC 10 PCT;:OUTP ON")
    assert instrument.query("*OPC?") == "1"
    instrument.write("FREQ:STAR 160 KHZ;STOP 166 KHZ;MODE SWE;:SWE:POIN 25;DWEL 2 MS")
    began = time.monotonic()

    instrument.write("INIT")
    assert instrument.query("*OPC?") == "1"

    # *OPC? waits for the sweep (IEEE 488.2, 10.19): 25 points settle for 2 ms each.
    assert time.monotonic() - began > 25 * 0.002
    block = instrument.query_binary_values("TRAC:DATA? 0,64", datatype="B", container=bytes)
    body, check = block[:-4], struct.unpack("<I", block[-4:])[0]
    assert zlib.crc32(body) == check
    version, state, width, _, first, count, following = struct.unpack_from("<BBHIIII", body)
    assert (version, state, first, count, following) == (1, 3, 0, 25, 25)
    points = [struct.unpack_from("<IIIIiiiHHHH", body, 20 + width * i) for i in range(count)]
    assert [point[0] for point in points] == list(range(25))
    assert points[0][2] / 1e3 == pytest.approx(160e3, rel=1e-3)
    assert points[-1][2] / 1e3 == pytest.approx(166e3, rel=1e-3)
    assert all(point[5] > 0 for point in points)
    instrument.write("OUTP OFF")
    assert instrument.query("OUTP?;*OPC?") == "0;1"
