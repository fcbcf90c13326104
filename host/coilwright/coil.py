"""A coil to wind, or an inductor by its data sheet: question to answer, no I/O."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from coilwright.callable_module import CallableModule
from coilwright.errors import BadWish
from coilwright.results import Result

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from coilwright.circuit.drum_core import DrumCore
    from coilwright.circuit.winding import Former, WantedTurns, Winding

# As in circuit.winding.SHAPES and circuit.coil_figures.PROXIMITY; here so that --help stays light.
SHAPES = ("solenoid", "multilayer", "spiral", "ring", "loop")
PROXIMITY = ("field", "medhurst", "dowell")

_OF_DRUM = ("resistance", "self_resonance", "quality", "quality_frequency", "capacitor")
_OF_COIL = (
    "wire", "over", "diameter", "former", "turns", "want", "pitch", "length", "per_layer",
    "proximity", "temperature",
)  # fmt: skip


@dataclass(frozen=True)
class CoilWishes:
    """What is asked of a coil; lengths in metres, the rest SI.

    Attributes:
        shape: One of `SHAPES`.
        wire: Bare diameter, gauge or section in words: `0.8mm`, `AWG20`, `0.75mm2`.
        over: Wire over its insulation; None for enamelled, grade 1.
        diameter, former: Mean diameter, or that of the former: one of the two.
        turns, want: Turns to wind, or the inductance to reach: one of the two.
        pitch, length, per_layer: How they lie; None for turns that touch, in a square section.
        drum, resistance, self_resonance, quality, quality_frequency: An inductor by its data sheet
            instead of a coil.
        capacitor: Where does it tune such an inductor?
        frequency: Working frequency.
        temperature: Of the wire, °C; None for 20.
        current: Effective current, for loss and warming.
        proximity: One of `PROXIMITY`; None for the field where it can be solved.

    Raises:
        BadWish: They do not go together.
    """

    shape: str = SHAPES[0]
    wire: str | None = None
    over: float | None = None
    diameter: float | None = None
    former: float | None = None
    turns: float | None = None
    want: float | None = None
    pitch: float | None = None
    length: float | None = None
    per_layer: int | None = None
    drum: float | None = None
    resistance: float | None = None
    self_resonance: float | None = None
    quality: float | None = None
    quality_frequency: float | None = None
    capacitor: float | None = None
    frequency: float | None = None
    temperature: float | None = None
    current: float | None = None
    proximity: str | None = None

    @property
    def celsius(self) -> float:
        """Temperature of the wire."""
        return 20.0 if self.temperature is None else self.temperature

    def __post_init__(self) -> None:
        if not -200 < self.celsius < 1000:
            raise BadWish("temperature", f"{self.celsius:g} is no wire's; it is in °C")
        if self.frequency is not None and not self.frequency > 0:
            raise BadWish("frequency", "it must be above zero")
        if self.current is not None and self.current < 0:
            raise BadWish("current", "an effective value cannot be negative")
        if self.drum is None:
            _refuse(self, _OF_DRUM, "belongs to --drum, an inductor by its data sheet")
        else:
            _refuse(self, _OF_COIL, "belongs to a coil to wind, not to --drum")


@dataclass(frozen=True, slots=True)
class WireTaken:
    """The wire of a coil: bare, over its insulation, and how much of it."""

    name: str
    diameter_m: float
    overall_m: float
    length_m: float


@dataclass(frozen=True, slots=True)
class TurnsTold:
    """Turns that can be wound, what they give, and how far that is off as a share."""

    turns: float
    inductance_h: float
    off: float


@dataclass(frozen=True, slots=True)
class WantedTold:
    """The turns for an inductance: exact, and the nearest whole and half ones."""

    inductance_h: float
    turns: float
    whole: TurnsTold
    half: TurnsTold


@dataclass(frozen=True, slots=True)
class WorkingCoil:
    """A coil at its working frequency; `by_method_ohm` is its resistance by each method."""

    frequency_hz: float
    skin_depth_m: float
    inductance_h: float
    inductance_error: float | None
    method: str
    resistance_ohm: float
    skin_only_ohm: float
    by_method_ohm: dict[str, float]
    q: float


@dataclass(frozen=True, slots=True)
class CoilLoss:
    """What an effective current does to a coil."""

    current_rms_a: float
    loss_w: float
    density_a_per_mm2: float
    warming_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilAnswer(Result):
    """A coil to wind. None where no formula tells it or nobody asked.

    `wishes` and `winding` are what it was computed from; they are not kept in JSON.
    """

    shape: str
    turns: float
    layers: int
    mean_diameter_m: float
    outer_diameter_m: float
    pitch_m: float
    length_m: float
    depth_m: float
    wire: WireTaken
    inductance_h: float
    other_formulas_h: dict[str, float]
    temperature_c: float
    dc_resistance_ohm: float
    self_capacitance_f: float | None
    self_resonance_hz: float | None
    warnings: list[str]
    wanted: WantedTold | None = None
    at_frequency: WorkingCoil | None = None
    at_current: CoilLoss | None = None
    wishes: Any = field(default=None, compare=False, repr=False)
    winding: Any = field(default=None, compare=False, repr=False)

    WORKED_WITH = ("wishes", "winding")
    ABSENT = ("wanted", "at_frequency", "at_current")

    def plot(self) -> Figure:
        """Q and resistance over frequency."""
        from coilwright.circuit.coil_figures import figures
        from coilwright.view.coil_plot import plot_coil

        wishes, coil = self.wishes, self.winding
        try:
            found = figures(coil, _span(wishes.frequency), wishes.celsius, wishes.proximity)
        except ValueError as error:
            raise BadWish("", f"--proximity: {error}.") from None
        title = f"{coil.shape}, {coil.turns:g} turns of {coil.wire.name}"
        return plot_coil(found, title=title, mark_hz=wishes.frequency)


@dataclass(frozen=True, slots=True)
class WorkingDrum:
    """An inductor at the frequency it is tuned to."""

    frequency_hz: float
    capacitor_f: float
    resistance_ohm: float
    q: float


@dataclass(frozen=True, slots=True)
class TunedDrum:
    """Where a capacitor at hand tunes an inductor."""

    capacitor_f: float
    resonance_hz: float


@dataclass(frozen=True, slots=True)
class DrumLoss:
    """What an effective current costs in an inductor."""

    current_rms_a: float
    loss_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumAnswer(Result):
    """An inductor by its data sheet. None where it is not known or nobody asked."""

    inductance_h: float
    dc_resistance_ohm: float
    self_resonance_hz: float | None
    parasitic_f: float | None
    q_is_upper_bound: bool
    at_frequency: WorkingDrum | None = None
    with_capacitor: TunedDrum | None = None
    at_current: DrumLoss | None = None
    wishes: Any = field(default=None, compare=False, repr=False)
    core: Any = field(default=None, compare=False, repr=False)

    WORKED_WITH = ("wishes", "core")
    ABSENT = ("at_frequency", "with_capacitor", "at_current")

    def plot(self) -> Figure:
        """Q and resistance over frequency, up to the self-resonance."""
        from coilwright.view.coil_plot import plot_drum

        drum, span = self.core, _span(self.wishes.frequency)
        if drum.self_resonance_hz is not None:
            span = span[span < drum.self_resonance_hz]
        return plot_drum(drum, span, mark_hz=self.wishes.frequency)


def answer(wishes: CoilWishes) -> CoilAnswer | DrumAnswer:
    """Everything there is to say of a coil to wind, or of an inductor.

    Raises:
        BadWish: Too little or too much is asked.
        OutOfRange: Such a coil cannot be.
    """
    return _coil(wishes) if wishes.drum is None else _drum(wishes)


def _refuse(wishes: CoilWishes, names: tuple[str, ...], why: str) -> None:
    """Refuse options that would be passed over in silence."""
    given = [name for name in names if getattr(wishes, name) is not None]
    if given:
        option = {"quality": "q", "quality_frequency": "q-frequency"}.get(given[0], given[0])
        raise BadWish("", f"--{option.replace('_', '-')} {why}.")


_OF_DRUM = ("resistance", "self_resonance", "quality", "quality_frequency", "capacitor")
_OF_COIL = (
    "wire", "over", "diameter", "former", "turns", "want", "pitch", "length", "per_layer",
    "proximity", "temperature",
)  # fmt: skip


def _inductance(wishes: CoilWishes) -> Callable[[Winding], float]:
    """That at the working frequency where one is given, else that for direct current."""
    from coilwright.circuit.coil_figures import inductance_h
    from coilwright.circuit.winding import Winding

    if wishes.frequency is None:
        return Winding.inductance_h
    return partial(inductance_h, frequency_hz=wishes.frequency, temperature_c=wishes.celsius)


def _former(wishes: CoilWishes) -> Former:
    from coilwright.circuit.winding import Former
    from coilwright.circuit.wire import parse_wire

    if wishes.wire is None:
        raise BadWish("", "Which wire? Give --wire 0.8mm, AWG20 or 0.75mm2.")
    if (wishes.diameter is None) == (wishes.former is None):
        raise BadWish("", "Give --diameter (wire to wire) or --former, one of the two.")
    if (wishes.turns is None) == (wishes.want is None) and wishes.shape != "loop":
        raise BadWish("", "Give --turns or --want, one of the two.")
    _refuse_unfit(wishes)
    try:
        wire = parse_wire(wishes.wire, wishes.over)
    except ValueError as error:
        raise BadWish("", f"--wire: {error}.") from None
    inside = wishes.former is not None
    across = wishes.former if wishes.former is not None else wishes.diameter
    assert across is not None
    return Former(
        wishes.shape, wire, across, inside, wishes.pitch, wishes.length, wishes.per_layer or 0
    )


def _refuse_unfit(wishes: CoilWishes) -> None:
    """Refuse options that the shape does not know."""
    unfit: dict[str, tuple[str, ...]] = {
        "solenoid": ("per_layer",),
        "spiral": ("length", "per_layer"),
        "loop": ("length", "per_layer", "pitch", "want"),
    }
    _refuse(wishes, unfit.get(wishes.shape, ()), f"means nothing for a {wishes.shape}")
    if wishes.length is not None and wishes.per_layer is not None:
        raise BadWish("", "Give --length or --per-layer, one of the two.")


def _turns(wishes: CoilWishes) -> float:
    return 1.0 if wishes.turns is None else wishes.turns


def _coil(wishes: CoilWishes) -> CoilAnswer:
    """Everything there is to say of a coil to wind."""
    from coilwright.circuit.coil_figures import capacitance_f, dc_resistance_ohm, self_resonance_hz
    from coilwright.circuit.winding import turns_for, wind

    former = _former(wishes)
    found = None if wishes.want is None else turns_for(former, wishes.want, _inductance(wishes))
    coil = wind(former, _turns(wishes)) if found is None else found.half
    inductance, capacitance = coil.inductance_h(), capacitance_f(coil)
    resonance = None if capacitance is None else self_resonance_hz(inductance, capacitance)
    direct = dc_resistance_ohm(coil, wishes.celsius)
    warnings = _geometry_warnings(coil)
    working = None if wishes.frequency is None else _at_frequency(wishes, coil, resonance, warnings)
    ohm = direct if working is None else working.resistance_ohm
    return CoilAnswer(
        shape=coil.shape,
        turns=coil.turns,
        layers=coil.layers,
        mean_diameter_m=coil.mean_diameter_m,
        outer_diameter_m=coil.outer_diameter_m,
        pitch_m=coil.pitch_m,
        length_m=coil.length_m,
        depth_m=coil.depth_m,
        wire=WireTaken(
            coil.wire.name, coil.wire.diameter_m, coil.wire.overall_m, coil.wire_length_m
        ),
        inductance_h=inductance,
        other_formulas_h=coil.by_other_formulas_h(),
        temperature_c=wishes.celsius,
        dc_resistance_ohm=direct,
        self_capacitance_f=capacitance,
        self_resonance_hz=resonance,
        warnings=warnings,
        wanted=None if found is None else _wanted(found, _inductance(wishes)),
        at_frequency=working,
        at_current=None if wishes.current is None else _at_current(wishes.current, coil, ohm),
        wishes=wishes,
        winding=coil,
    )


def _geometry_warnings(coil: Winding) -> list[str]:
    from coilwright.circuit.winding_loss import CAPACITANCE_LENGTH
    from coilwright.lengths import show_length

    told = []
    if coil.turns > 1 and coil.pitch_m < coil.wire.overall_m:
        over = show_length(coil.wire.overall_m)
        told.append(f"The pitch is less than the wire over its insulation ({over}).")
    slender = coil.length_m / coil.mean_diameter_m
    low, high = CAPACITANCE_LENGTH
    if coil.shape == "solenoid" and not low <= slender <= high:
        told.append(
            f"Medhurst's self-capacitance is for length/diameter {low:g} to {high:g}; this coil "
            f"has {slender:.2g}, and the value at the end of his table is used."
        )
    return told


def _wanted(found: WantedTurns, inductance_h: Callable[[Winding], float]) -> WantedTold:
    def row(coil: Winding) -> TurnsTold:
        inductance = inductance_h(coil)
        return TurnsTold(coil.turns, inductance, inductance / found.wanted_h - 1)

    return WantedTold(found.wanted_h, found.exact, row(found.whole), row(found.half))


def _at_frequency(
    wishes: CoilWishes, coil: Winding, own_hz: float | None, warnings: list[str]
) -> WorkingCoil:
    from coilwright.circuit.coil_figures import doubts, figures

    assert wishes.frequency is not None
    try:
        found = figures(coil, wishes.frequency, wishes.celsius, wishes.proximity)
    except ValueError as error:
        raise BadWish("", f"--proximity: {error}.") from None
    warnings += doubts(coil, found)
    if own_hz is not None and wishes.frequency > own_hz / 3:
        warnings.append(
            "Near self-resonance the coil's capacitance raises its apparent inductance and lowers "
            "its apparent Q; that is not counted here."
        )
    return WorkingCoil(
        frequency_hz=wishes.frequency,
        skin_depth_m=float(found.skin_depth_m),
        inductance_h=float(found.inductance_h),
        inductance_error=found.inductance_error,
        method=found.method,
        resistance_ohm=float(found.resistance_ohm),
        skin_only_ohm=float(found.skin_only_ohm),
        by_method_ohm={name: float(ohm) for name, ohm in found.by_method_ohm.items()},
        q=float(found.quality),
    )


def _at_current(current_a: float, coil: Winding, resistance_ohm: float) -> CoilLoss:
    from coilwright.circuit.coil_figures import warming_k

    loss = current_a**2 * resistance_ohm
    density = current_a / (1e6 * coil.wire.area_m2)
    return CoilLoss(current_a, loss, density, float(warming_k(loss, coil.surface_m2)))


def _drum_core(wishes: CoilWishes) -> DrumCore:
    from coilwright.circuit.drum_core import DrumCore

    if wishes.drum is None or wishes.resistance is None:
        raise BadWish("", "--drum needs --resistance, from the data sheet or an ohmmeter.")
    for name, value in (
        ("--drum", wishes.drum),
        ("--resistance", wishes.resistance),
        ("--self-resonance", wishes.self_resonance),
        ("--q", wishes.quality),
        ("--q-frequency", wishes.quality_frequency),
    ):
        if value is not None and not value > 0:
            raise BadWish("", f"{name} must be above zero.")
    try:
        return DrumCore(
            wishes.drum,
            wishes.resistance,
            wishes.self_resonance,
            wishes.quality,
            wishes.quality_frequency,
        )
    except ValueError as error:
        raise BadWish("", f"--drum: {error}.") from None


def _drum(wishes: CoilWishes) -> DrumAnswer:
    drum = _drum_core(wishes)
    if wishes.frequency is None and wishes.capacitor is None:
        raise BadWish("", "Give --frequency to tune to, or --capacitor that is at hand.")
    working = tuned = loss = None
    if wishes.frequency is not None:
        working = WorkingDrum(
            wishes.frequency,
            drum.capacitor_f(wishes.frequency),
            float(drum.resistance_at_ohm(wishes.frequency)),
            float(drum.quality_at(wishes.frequency)),
        )
    if wishes.capacitor is not None:
        if wishes.capacitor <= 0:
            raise BadWish("", "--capacitor must be above zero.")
        tuned = TunedDrum(wishes.capacitor, drum.resonance_hz(wishes.capacitor))
    if wishes.current is not None:
        ohm = drum.resistance_ohm if working is None else working.resistance_ohm
        loss = DrumLoss(wishes.current, wishes.current**2 * ohm)
    return DrumAnswer(
        inductance_h=drum.inductance_h,
        dc_resistance_ohm=drum.resistance_ohm,
        self_resonance_hz=drum.self_resonance_hz,
        parasitic_f=None if drum.self_resonance_hz is None else drum.parasitic_f,
        q_is_upper_bound=drum.quality is None,
        at_frequency=working,
        with_capacitor=tuned,
        at_current=loss,
        wishes=wishes,
        core=drum,
    )


def _span(frequency: float | None) -> Any:
    import numpy as np

    middle = frequency or 165e3
    return np.geomspace(middle / 10, middle * 10, 41)


sys.modules[__name__].__class__ = CallableModule
