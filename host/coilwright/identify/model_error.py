"""How large the model's own error is, told by what the fit leaves over.

Each reading has noise that is known and an error of the model, a share of the reading whose size
is not. The share of each channel is a component of variance. Its likelihood is that of the
linearised problem with all unknowns integrated out, so that the freedoms the fit has used up are
counted (restricted maximum likelihood; D. A. Harville, J. Am. Stat. Assoc. 72, 320, 1977, there
with flat expectations). The mean of the variance over that likelihood is taken: with n readings
to spare it exceeds the most likely one by n / (n - 2), as the variance of Student's t does.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from coilwright.identify.fit import Fit, Fitted
from coilwright.identify.sensors import LARGEST_MODEL_ERROR, sigma

Reals = NDArray[np.float64]

_SHARES = np.geomspace(0.5, 1.0, 4)
"""Shares of the largest error that are weighed against each other, each as likely beforehand.
Taken for less wrong than that, readings are followed into what the solver's own tolerance does to
them (supply current 0.05 %, single points 0.5 %), and four fits of ten did not settle."""


def model_error(fit: Fit, found: Fitted) -> Reals:
    """Standard deviation of the model's error as a share of the reading, by channel (3,)."""
    known = fit.known(found.ideal, found.slope)
    channels = [channel for channel in range(3) if known[channel].any()]
    rows = fit.jacobian(found.unknown, found.ideal, found.slope) * fit.sigma.ravel()[:, None]
    left = np.nan_to_num(fit.seen.reading - found.predicted).ravel() + rows @ found.unknown
    here = known.ravel()
    weight = found.weight.ravel()[here]
    noise = (sigma(fit.seen, fit.sensors, np.zeros(3)) ** 2).ravel()[here] / weight
    largest = np.array(LARGEST_MODEL_ERROR)[:, None] * np.nan_to_num(fit.seen.reading)
    size = (largest**2).ravel()[here] / weight
    channel = np.repeat(np.arange(3), known.shape[1])[here]
    rows, left = rows[here], left[here]
    common = rows @ rows.T
    chances, variances = [], []
    for shares in product(_SHARES**2, repeat=len(channels)):
        share = np.ones(3)
        share[channels] = shares
        chances.append(_log_likelihood(common, noise + share[channel] * size, left))
        variances.append(share)
    chance = np.exp(np.array(chances) - max(chances))
    mean = chance @ np.array(variances) / chance.sum()
    return np.asarray(np.sqrt(mean) * LARGEST_MODEL_ERROR)


def _log_likelihood(common: Reals, variance: Reals, left: Reals) -> float:
    """Of a normal distribution with covariance `common` + diag(variance), but for a constant."""
    # Scaled by the readings' own deviations: amperes and volts in one matrix.
    scale = np.sqrt(variance)
    lower = np.linalg.cholesky(common / np.outer(scale, scale) + np.eye(len(scale)))
    white = np.linalg.solve(lower, left / scale)
    return float(-np.log(scale).sum() - np.log(np.diag(lower)).sum() - white @ white / 2)
