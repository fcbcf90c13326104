"""Netlists for ngspice of the circuit that the solver solves, and what to read off the run.

The switch is ngspice's abrupt `sw` driven by a pulse whose edges last 0.1 ns; diodes are its
level 1 model, LEDs with the charge of their junctions (CJO, VJ, M, and FC = 0.5, its default);
nothing here is shared with the solver but the values of the parts.
"""

from __future__ import annotations

import math
import re
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from coilwright.circuit.driver import BREAKDOWN_A, THERMAL_V, Circuit, Diode

EDGE_S = 0.1e-9


@dataclass(frozen=True, slots=True)
class Run:
    """How long and how finely ngspice runs: total and averaged periods, longest step."""

    periods: int = 400
    averaged: int = 10
    step_s: float = 2e-9
    reltol: float = 1e-5


def _model(name: str, diode: Diode) -> str:
    series = max(diode.resistance_ohm, 1e-6)
    charge = ""
    if diode.capacitance_f > 0:
        charge = f" cjo={diode.capacitance_f!r} vj={diode.potential_v!r} m={diode.grading!r}"
    return f".model {name} d(is={diode.saturation_a!r} n={diode.emission!r} rs={series!r}{charge})"


def _coil(driver: Circuit) -> list[str]:
    lines = [
        f"vs s 0 {driver.supply.voltage_v!r}",
        f"rs s vcc {driver.supply.resistance_ohm!r}",
        f"cdec vcc 0 {driver.supply.capacitance_f!r} ic={driver.supply.voltage_v!r}",
        f"lcoil vcc m {driver.coil.inductance_h!r} ic=0",
        f"rcoil m n {max(driver.coil.resistance_ohm, 1e-9)!r}",
        f"ctank vcc n {driver.tank_capacitance_f!r} ic=0",
    ]
    if driver.loop.inductance_h > 0:
        lines.append(f"lloop n d {driver.loop.inductance_h!r} ic=0")
        if math.isfinite(driver.loop.damping_ohm):
            lines.append(f"rloop n d {driver.loop.damping_ohm!r}")
    else:
        # Without it capacitors would form a loop, which ngspice cannot solve.
        lines.append("rloop n d 1e-4")
    return lines


def _switch(driver: Circuit, frequency_hz: float, duty: float) -> list[str]:
    period = 1 / frequency_hz
    switch = driver.switch
    lines = [
        f"vg g 0 pulse(0 1 0 {EDGE_S} {EDGE_S} {duty * period - EDGE_S!r} {period!r})",
        "sw d 0 g 0 fet",
        f".model fet sw(vt=0.5 vh=0 ron={switch.on_resistance_ohm!r} roff=1e12)",
        f"coss d 0 {switch.output_capacitance_f!r} ic={driver.supply.voltage_v!r}",
        "dbody 0 d body",
        _model("body", switch.body_diode),
    ]
    if switch.breakdown_v is not None:
        body = switch.body_diode
        junction = body.emission * THERMAL_V * math.log(BREAKDOWN_A / body.saturation_a + 1)
        source = switch.breakdown_v - junction - BREAKDOWN_A * body.resistance_ohm
        lines += ["dclamp d clamp body", f"vclamp clamp 0 {source!r}"]
    return lines


def _receivers(driver: Circuit) -> list[str]:
    lines: list[str] = []
    for index, item in enumerate(driver.receivers):
        if item.led is not None:
            lines.append(_model(f"led{index}", item.led))
        for lamp in range(item.count):
            tag = f"{index}_{lamp}"
            lines += [
                f"l{tag} a{tag} 0 {item.inductance_h!r} ic=0",
                f"k{tag} lcoil l{tag} {item.coupling!r}",
                f"r{tag} a{tag} b{tag} {max(item.resistance_ohm, 1e-9)!r}",
                f"c{tag} b{tag} 0 {item.capacitance_f!r} ic=0",
            ]
            if math.isfinite(item.load_ohm):
                lines.append(f"rl{tag} b{tag} 0 {item.load_ohm!r}")
            if item.led is not None:
                lines += [
                    f"vp{tag} b{tag} p{tag} 0",
                    f"dp{tag} p{tag} 0 led{index}",
                    f"vn{tag} b{tag} q{tag} 0",
                    f"dn{tag} 0 q{tag} led{index}",
                ]
    return lines


def netlist(driver: Circuit, frequency_hz: float, duty: float, run: Run) -> str:
    """The whole deck; results come as lines `name = value` on standard output."""
    period = 1 / frequency_hz
    begin, end = (run.periods - run.averaged) * period, run.periods * period
    measures = [
        f".meas tran supply avg i(vs) from={begin!r} to={end!r}",
        f".meas tran coilmax max i(lcoil) from={begin!r} to={end!r}",
        f".meas tran coilmin min i(lcoil) from={begin!r} to={end!r}",
        f".meas tran coilrms rms i(lcoil) from={begin!r} to={end!r}",
        f".meas tran drain max v(d) from={begin!r} to={end!r}",
        f".meas tran turnon find v(d) at={end - 0.05e-9!r}",
    ]
    saved = ["v(d)", "i(vs)", "i(lcoil)"]
    middle = begin - run.averaged * period
    measures.append(f".meas tran before avg i(vs) from={middle!r} to={begin!r}")
    for index, item in enumerate(driver.receivers):
        tag = f"{index}_0"
        saved.append(f"v(b{tag})")
        measures.append(f".meas tran high{index} max v(b{tag}) from={begin!r} to={end!r}")
        measures.append(f".meas tran low{index} min v(b{tag}) from={begin!r} to={end!r}")
        if item.led is not None:
            saved += [f"i(vp{tag})", f"i(vn{tag})"]
            measures.append(f".meas tran ledp{index} avg i(vp{tag}) from={begin!r} to={end!r}")
            measures.append(f".meas tran ledn{index} avg i(vn{tag}) from={begin!r} to={end!r}")
    lines = ["coilwright reference", *_coil(driver), *_switch(driver, frequency_hz, duty)]
    lines += _receivers(driver)
    lines += [
        ".options temp=27 tnom=27 gmin=1e-15 abstol=1e-12 vntol=1e-7 chgtol=1e-16",
        f".options reltol={run.reltol!r} method=trap trtol=1 itl4=200",
        ".save " + " ".join(saved),
        f".tran {run.step_s!r} {end!r} {middle!r} {run.step_s!r} uic",
        *measures,
        ".end",
    ]
    return "\n".join(lines) + "\n"


def simulate(driver: Circuit, frequency_hz: float, duty: float, run: Run) -> dict[str, float]:
    """Run ngspice in batch mode and return its measures by name.

    Raises:
        RuntimeError: ngspice gave no results; the message holds the end of its output.
    """
    with tempfile.TemporaryDirectory() as folder:
        deck = Path(folder, "deck.cir")
        deck.write_text(netlist(driver, frequency_hz, duty, run), encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", str(deck)], capture_output=True, text=True, check=False, cwd=folder
        )
    found = re.findall(r"^(\w+)\s+=\s+([-+.\deE]+)", done.stdout, re.MULTILINE)
    if not any(name == "supply" for name, _ in found):
        raise RuntimeError(f"ngspice gave no results:\n{(done.stdout + done.stderr)[-1500:]}")
    return {name: float(value) for name, value in found}
