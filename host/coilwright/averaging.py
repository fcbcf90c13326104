"""How many conversions of a converter to average for a resolution that is wanted.

The mean of n independent readings scatters by their standard deviation over √n. That holds for a
converter's steps, too, as long as the noise moves the reading across them (dither): from half a
step rms on, what a step still distorts the mean by is under a hundredth of it, for a step s and
noise σ at most s/π · exp(−2π²σ²/s²), and the steps add s²/12 to the variance (B. Widrow, I. Kollár,
Quantization Noise, Cambridge University Press 2008, ch. 4 to 6). With less noise than that, all
conversions show the same step, and averaging gains nothing.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from coilwright.errors import OutOfRange

MOST = 1024
"""Conversions the driver averages at most."""


def mean_sd(
    sd: npt.ArrayLike, averages: npt.ArrayLike, resolution: float = 0.0
) -> npt.NDArray[np.float64]:
    """Standard deviation of a mean of conversions, with the floor that rounding sets.

    Args:
        sd: Spread of the single conversions, steps included.
        averages: Conversions a reading.
        resolution: Step of the converter in the unit of `sd` (`sensors.Resolution`). A spread below
            half a step does not dither: then the rounding error step/sqrt(12) (uniform
            distribution; JCGM 100:2008, 4.3.7) stays in the mean.
    """
    single = np.asarray(sd, dtype=np.float64)
    mean = single / np.sqrt(np.maximum(np.asarray(averages, dtype=np.float64), 1))
    rounding = np.where(single < resolution / 2, resolution / np.sqrt(12), 0.0)
    return np.asarray(np.hypot(mean, rounding), dtype=np.float64)


def dithered(noise_v: float, step_v: float) -> bool:
    """Whether this noise carries a mean across the converter's steps."""
    return noise_v >= step_v / 2


def averages_for(resolution_v: float, noise_v: float, step_v: float) -> int:
    """Conversions to average so that the mean's standard error is no more than wanted.

    Args:
        resolution_v: Standard error wanted.
        noise_v: Noise of the voltage, rms, without the converter's steps.
        step_v: Step of the converter.

    Raises:
        OutOfRange: It would take more than the driver averages, or averaging does not help.
    """
    if not (resolution_v > 0 and noise_v >= 0 and step_v >= 0):
        raise OutOfRange(
            f"A resolution of {resolution_v} V cannot be had with noise of {noise_v} V and steps"
            f" of {step_v} V.",
            "Give a resolution above 0, and neither noise nor step below.",
        )
    step_noise_v = step_v / math.sqrt(12)
    single_v = math.hypot(noise_v, step_noise_v)
    if single_v <= resolution_v:
        return 1
    if not dithered(noise_v, step_v):
        raise OutOfRange(
            f"Noise of {noise_v:.2g} V does not reach across half a step of {step_v:.2g} V:"
            f" averaging does not bring {resolution_v:.2g} V.",
            "Add noise (a resistor to the PWM, or a point that moves), or a larger signal.",
        )
    # A hair less, so that 16.000000000000004 does not become 17.
    count = math.ceil((single_v / resolution_v) ** 2 * (1 - 1e-12))
    if count > MOST:
        raise OutOfRange(
            f"A resolution of {resolution_v:.2g} V takes {count} conversions; the driver averages"
            f" {MOST} at most.",
            f"That many bring {single_v / math.sqrt(MOST):.2g} V.",
        )
    return count
