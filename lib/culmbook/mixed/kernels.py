"""Covariance of a random term's effects over an inner index: seasons, sites, traits, rows and
columns.
"""

import numpy as np

_SHAPES = {  # correlation and its derivative by log range, from the distance over the range
    "exponential": (lambda d: np.exp(-d), lambda d: d * np.exp(-d)),
    "gaussian": (lambda d: np.exp(-(d**2)), lambda d: 2 * d**2 * np.exp(-(d**2))),
    "rational quadratic": (lambda d: 1 / (1 + d**2), lambda d: 2 * d**2 / (1 + d**2) ** 2),
}
ALONG_NUMBERS = ("autoregressive", "separable autoregressive", *_SHAPES)
NAMES = ("diagonal", "unstructured", *ALONG_NUMBERS)
_STEEPEST = 0.999  # bound of a correlation
_TURNS = 6  # random directions from which a search for factors starts, besides the principal ones


class Kernel:
    """Covariance ``K`` over m inner levels as a function of its parameters.

    ``powers`` says how each parameter scales with the response (2 a variance, 1 a loading, 0
    neither), ``lower`` and ``upper`` are its bounds, ``labels`` its names.
    """

    is_diagonal = False  # effects of different inner levels are independent
    has_free_diagonal = False  # every inner level has a variance of its own
    has_several_optima = False

    def starts(self, share, spread, covariance):
        """Points from which to search; ``covariance`` is that of the outer levels' means between
        inner levels.
        """
        return [self.start(share, spread)]

    def second(self, theta, g):
        """What the average information lacks, when ``g`` is the criterion's derivative by K,
        positive part.
        """
        return 0.0


class Diagonal(Kernel):
    """A variance for each inner level; with one level, plain independent effects."""

    is_diagonal = has_free_diagonal = True

    def __init__(self, levels):
        m = len(levels)
        self.labels = [f"[{level}]" for level in levels] if m > 1 else [""]
        self.powers, self.lower, self.upper = np.full(m, 2), np.zeros(m), np.full(m, np.inf)
        self.unit = np.zeros((m, m, m))
        self.unit[np.arange(m), np.arange(m), np.arange(m)] = 1.0

    def start(self, share, spread):
        return share * spread**2

    def matrix(self, theta):
        return np.diag(theta)

    def slopes(self, theta):
        return self.unit


class Autoregressive(Kernel):
    """``s prod_d rho_d^|difference of coordinate d|``: AR1 along one coordinate, separable along
    two.
    """

    def __init__(self, coordinates, names):
        self.gaps = np.abs(coordinates[:, None, :] - coordinates[None, :, :])
        least = -_STEEPEST if np.allclose(self.gaps, np.round(self.gaps)) else 0.0
        d = coordinates.shape[1]
        along = [f" along {name}" for name in names] if d > 1 else [""]
        self.labels = ["", *(f": correlation{a}" for a in along)]
        self.powers = np.array([2] + [0] * d)
        self.lower, self.upper = np.array([0.0] + [least] * d), np.array([np.inf] + [_STEEPEST] * d)

    def start(self, share, spread):
        return np.array([share] + [0.3] * self.gaps.shape[2])

    def matrix(self, theta):
        return theta[0] * np.prod(theta[1:] ** self.gaps, axis=2)

    def slopes(self, theta):
        rho = theta[1:]
        own = rho**self.gaps
        turned = np.where(self.gaps > 0, self.gaps * rho ** np.maximum(self.gaps - 1, 0), 0.0)
        parts = [np.prod(own, axis=2)]
        for i in range(len(rho)):
            others = np.prod(np.delete(own, i, axis=2), axis=2)
            parts.append(theta[0] * turned[..., i] * others)
        return np.array(parts)


class Distance(Kernel):
    """``s f(distance / range)``; the parameter is the range's logarithm."""

    def __init__(self, coordinates, shape):
        gaps = coordinates[:, None, :] - coordinates[None, :, :]
        self.distance = np.sqrt((gaps**2).sum(axis=2))
        self.correlation, self.turn = _SHAPES[shape]
        apart = self.distance[self.distance > 0]
        self.labels, self.powers = ["", ": log range"], np.array([2, 0])
        self.lower = np.array([0.0, np.log(apart.min() / 10)])
        self.upper = np.array([np.inf, np.log(100 * apart.max())])

    def start(self, share, spread):
        return np.array([share, np.log(np.sqrt(np.exp(self.lower[1]) * 10 * self.distance.max()))])

    def matrix(self, theta):
        return theta[0] * self.correlation(self.distance / np.exp(theta[1]))

    def slopes(self, theta):
        d = self.distance / np.exp(theta[1])
        return np.array([self.correlation(d), theta[0] * self.turn(d)])


class Loadings(Kernel):
    """``L L'`` with the given pattern of loadings, plus a variance per level if ``specific``.

    A full lower triangle without specific variances is the unstructured kernel, k columns with them
    the factor-analytic one of order k.
    """

    has_free_diagonal = True

    def __init__(self, levels, n_columns, specific):
        m = len(levels)
        self.row, self.column = np.nonzero(np.tri(m, n_columns))
        self.m, self.n_columns, self.specific = m, n_columns, specific
        self.has_several_optima = specific
        n = len(self.row)
        own = m if specific else 0
        places = zip(self.row, self.column, strict=True)
        self.labels = [f": loading [{levels[a]}, {c + 1}]" for a, c in places]
        self.labels += [f": specific [{level}]" for level in levels] if specific else []
        self.powers = np.array([1] * n + [2] * own)
        # a factor whose sign is held could not turn in the search
        signed = (self.row == self.column) & (not specific)
        self.lower = np.concatenate([np.where(signed, 0.0, -np.inf), np.zeros(own)])
        self.upper = np.full(n + own, np.inf)

    def start(self, share, spread):
        if not self.specific:
            root = np.linalg.cholesky(share * (0.7 * np.eye(self.m) + 0.3)) * spread[:, None]
            return root[self.row, self.column]
        size = np.where(self.column == 0, 1.0, 0.5) * np.sqrt(share / (2 * self.n_columns))
        loading, is_odd = size * spread[self.row], (self.row + self.column) % 2 == 1
        turned = np.where((self.column > 0) & is_odd, -loading, loading)
        return np.concatenate([turned, 0.5 * share * spread**2])

    def starts(self, share, spread, covariance):
        first = self.start(share, spread)
        if not self.specific:
            return [first]
        size, vectors = np.linalg.eigh(covariance)
        principal = vectors[:, ::-1] * np.sqrt(np.maximum(size[::-1], 1e-6))
        k, draw = self.n_columns, np.random.default_rng(1)
        choices = [principal[:, :k], np.delete(principal, k - 1, axis=1)[:, :k]]
        for _ in range(_TURNS):
            choices.append(principal @ draw.normal(size=(self.m, k)) / np.sqrt(self.m))
        found, variances = [first], np.diag(covariance)
        for loadings in choices:  # turned until their upper triangle is zero, and what is left
            turned = np.linalg.qr(loadings.T)[1].T
            left = np.maximum(variances - (loadings**2).sum(axis=1), 0.1 * variances + 1e-3)
            found.append(np.concatenate([turned[self.row, self.column], left]))
        return found

    def loadings(self, theta):
        """Loadings, levels x columns."""
        root = np.zeros((self.m, self.n_columns))
        root[self.row, self.column] = theta[: len(self.row)]
        return root

    def matrix(self, theta):
        root = self.loadings(theta)
        return root @ root.T + (np.diag(theta[len(self.row) :]) if self.specific else 0.0)

    def slopes(self, theta):
        root, n = self.loadings(theta), len(self.row)
        parts = np.zeros((len(self.labels), self.m, self.m))
        parts[np.arange(n), self.row] = root.T[self.column]
        parts[:n] += parts[:n].transpose(0, 2, 1)
        own = np.arange(len(self.labels) - n)
        parts[n + own, own, own] = 1.0
        return parts

    def second(self, theta, g):
        n = len(self.row)
        extra = np.zeros((len(self.labels), len(self.labels)))
        extra[:n, :n] = 2 * g[np.ix_(self.row, self.row)] * (self.column[:, None] == self.column)
        return extra


def make(name, levels, coordinates, columns):
    """Kernel of the given name over inner levels.

    Parameters
    ----------
    name : str or int
        One of ``NAMES``, or the order of a factor-analytic kernel.
    levels : sequence of str
        Labels of the inner levels.
    coordinates : ndarray, shape (levels, columns)
        Numbers of the inner levels, for kernels along coordinates.
    columns : sequence of str
        Names of the coordinates.

    Raises
    ------
    ValueError
        No such kernel, or too few inner levels for the factors.
    """
    if isinstance(name, int):
        if (len(levels) - name) ** 2 < len(levels) + name:  # fewer covariances than loadings
            raise ValueError(f"{len(levels)} inner levels are too few for {name} factors")
        return Loadings(levels, name, specific=True)
    if name == "diagonal":
        return Diagonal(levels)
    if name == "unstructured":
        return Loadings(levels, len(levels), specific=False)
    if name in ("autoregressive", "separable autoregressive"):
        return Autoregressive(coordinates, columns)
    if name in _SHAPES:
        return Distance(coordinates, name)
    there = f"{', '.join(NAMES)} and factor_analytic(k)"
    raise ValueError(f"there is no kernel {name!r}; there are {there}")
