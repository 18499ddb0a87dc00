"""Distributions of counts and ordered scores given the linear predictor, with the derivatives a fit needs."""

import numpy as np
from scipy import special

_LEAST_WEIGHT = 1e-10


class Binomial:
    """Counts ``y`` of ``n`` with a logit link.

    A family gives the log likelihood at ``eta`` and, by record, its first derivative, minus its second one
    (the weight, above 0) and the weight's derivative. ``start`` is a rough eta, ``shape`` the start of
    the family's own parameters, of which a binomial count has none.
    """

    shape = np.empty(0)

    def __init__(self, y, n):
        self.y, self.n = y, n
        self.log_binomial = (
            special.gammaln(n + 1) - special.gammaln(y + 1) - special.gammaln(n - y + 1)
        ).sum()
        self.start = np.log((y + 0.5) / (n - y + 0.5))

    def at(self, shape):
        return self

    def log_likelihood(self, eta):
        return self.y @ eta - self.n @ np.logaddexp(0.0, eta) + self.log_binomial

    def by_record(self, eta):
        """Log likelihood of each record, without the binomial coefficient; ``eta`` may have more axes behind."""
        y, n = (v.reshape(-1, *[1] * (eta.ndim - 1)) for v in (self.y, self.n))
        return y * eta - n * np.logaddexp(0.0, eta)

    @property
    def constant(self):
        return self.log_binomial

    def derivatives(self, eta):
        mean = special.expit(eta)
        weight = np.maximum(self.n * mean * (1 - mean), _LEAST_WEIGHT)
        return self.y - self.n * mean, weight, weight * (1 - 2 * mean)


class CumulativeLogit:
    """Ordered scores 0, 1, … with ``logit P(score <= j) = threshold_j - eta``.

    Its own parameters are the first threshold and the logarithms of the steps between thresholds.
    """

    constant = 0.0

    def __init__(self, score, weight, shape=None):
        self.score, self.weight = score, weight
        if shape is None:
            share = np.cumsum(np.bincount(score, weight))[:-1] / weight.sum()
            cut = special.logit(share)
            shape = np.append(cut[0], np.log(np.diff(cut)))
        self.shape, self.start = shape, np.zeros(len(score))
        padded = np.concatenate([[-np.inf], self.thresholds, [np.inf]])
        self.above, self.below = padded[score + 1], padded[score]

    def at(self, shape):
        return CumulativeLogit(self.score, self.weight, np.asarray(shape, float))

    @property
    def thresholds(self):
        return self.shape[0] + np.append(0.0, np.cumsum(np.exp(self.shape[1:])))

    def _ends(self, eta):
        """F and its density at the category's upper and lower end."""
        upper, lower = (special.expit(end - eta) for end in (self.above, self.below))
        return upper, lower, upper * (1 - upper), lower * (1 - lower)

    def by_record(self, eta):
        above, below, weight = (
            v.reshape(-1, *[1] * (eta.ndim - 1)) for v in (self.above, self.below, self.weight)
        )
        gap = np.log(-np.expm1(np.minimum(below - above, -1e-300)))
        return weight * (special.log_expit(above - eta) + special.log_expit(eta - below) + gap)

    def log_likelihood(self, eta):
        return self.by_record(eta).sum()

    def derivatives(self, eta):
        upper, lower, f, g = self._ends(eta)
        weight = np.maximum(self.weight * (f + g), _LEAST_WEIGHT)
        return (
            self.weight * (upper + lower - 1),
            weight,
            -self.weight * (f * (1 - 2 * upper) + g * (1 - 2 * lower)),
        )

    def shape_derivatives(self, eta):
        """Derivatives of the log likelihood (sum), its slope and its weight (records x parameters)."""
        upper, lower, f, g = self._ends(eta)
        p = np.maximum(upper - lower, 1e-300)
        turn = self.jacobian()
        top, bottom = (self._places(shift) @ turn for shift in (1, 0))
        each = [(f / p, -g / p), (f, g), (f * (1 - 2 * upper), g * (1 - 2 * lower))]
        log_l, slope, weight = (
            (self.weight * a)[:, None] * top + (self.weight * b)[:, None] * bottom for a, b in each
        )
        return log_l.sum(axis=0), slope, weight

    def _places(self, shift):
        """Which threshold is each record's upper (1) or lower (0) end."""
        return (self.score[:, None] + shift - 1 == np.arange(len(self.shape))).astype(float)

    def jacobian(self):
        """Thresholds by own parameters."""
        steps = np.exp(self.shape[1:])
        return np.column_stack(
            [
                np.ones(len(self.shape)),
                *(
                    np.where(np.arange(len(self.shape)) > j, step, 0.0)
                    for j, step in enumerate(steps)
                ),
            ]
        )
