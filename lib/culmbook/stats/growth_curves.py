"""Curves that rise to a plateau, fitted by least squares: to draw a build-up and date its end."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy import optimize, special

_STARTS = 5
STEEPEST = 4.0
"""Rate per crop year beyond which yearly cuts cannot tell curves apart: 5 to 95 % in a year and a half."""
_ALIKE = 1e-6  # of the least sum of squares: starts that end this close found the same curve


def _monomolecular(x, rate, lag):
    return -special.expm1(-rate * np.maximum(x - lag, 0.0))


def _logistic(x, rate, middle):
    return special.expit(rate * (x - middle))


def _gompertz(x, rate, middle):
    return np.exp(-np.exp(-np.clip(rate * (x - middle), -700, 700)))


def _richards(x, rate, middle, bend):
    return np.exp(-np.logaddexp(0.0, -rate * (x - middle)) / bend)


SHAPES = {
    "monomolecular": (lambda x, rate: _monomolecular(x, rate, 0.0), ("rate",)),
    "monomolecular with lag": (_monomolecular, ("rate", "lag")),
    "logistic": (_logistic, ("rate", "middle")),
    "gompertz": (_gompertz, ("rate", "middle")),
    "richards": (_richards, ("rate", "middle", "bend")),
}
"""Curves with plateau 1 and the names of their parameters."""
BUILD_UP = ("monomolecular with lag", "logistic", "gompertz")
"""Curves tried for a build-up; each has three parameters, so the sum of squares ranks them."""


@dataclass(frozen=True)
class GrowthCurve:
    """A fitted curve.

    ``shape`` of :data:`SHAPES`; ``plateau`` in units of y; ``parameters`` by name; ``squares`` the
    (weighted) residual sum of squares, ``df`` its degrees of freedom; ``starts_agreeing`` the share of
    starts that found it.
    """

    shape: str
    plateau: float
    parameters: dict
    squares: float
    df: int
    starts_agreeing: float

    def height(self, x) -> np.ndarray:
        """y at x."""
        return self.plateau * SHAPES[self.shape][0](np.asarray(x, float), **self.parameters)

    def time_to(self, share: float = 0.95) -> float:
        """x at which the curve reaches a share (0 to 1) of its plateau."""
        if not 0 < share < 1:
            raise ValueError(f"share = {share}: a curve reaches shares between 0 and 1 only")
        rate, p = self.parameters["rate"], self.parameters
        way = {
            "logistic": special.logit(share),
            "gompertz": -np.log(-np.log(share)),
            "richards": -np.log(share ** -p.get("bend", 1.0) - 1),
        }.get(self.shape, -np.log1p(-share))
        return float(p.get("lag", p.get("middle", 0.0)) + way / rate)


def first_full_year(curve: GrowthCurve, share: float = 0.95) -> int:
    """First crop year whose yield on the curve is at least a share of the plateau.

    Examples
    --------
    >>> first_full_year(GrowthCurve("monomolecular", 10.0, {"rate": 1.0}, 0.0, 1, 1.0))
    3
    """
    return max(int(np.ceil(curve.time_to(share) - 1e-9)), 1)


def fit_growth(
    x, y, shape: str, *, weights=None, most_rate: float = np.inf, most_starts: int | None = None
) -> GrowthCurve:
    """Fit one curve by least squares.

    Parameters
    ----------
    x, y : array_like
        Finite, more points at different x than parameters (as many are enough to draw; ``df`` is then 0).
    shape : str
        Of :data:`SHAPES`.
    weights : array_like, optional
        Above 0, for the squares.
    most_rate : float
        Largest rate, per unit of x, over 0.
    most_starts : int, optional
        Search only from so many starts, those with the least sum of squares; all where left out.

    Returns
    -------
    GrowthCurve

    Raises
    ------
    ValueError
        Too few points, an unknown shape, no rise, or data that do not determine the curve.

    Notes
    -----
    For given shape the plateau is a linear least-squares estimate, so only the other parameters are
    searched, from a grid of starts; the least sum of squares wins.

    References
    ----------
    Golub & Pereyra (1973) SIAM J. Numer. Anal. 10:413-432; France & Thornley (1984) Mathematical Models in
    Agriculture, ch. 5, for the curves.

    Examples
    --------
    >>> x = np.arange(1, 7)
    >>> curve = fit_growth(x, 10 * (1 - np.exp(-0.8 * x)), "monomolecular")
    >>> round(curve.plateau, 3), round(curve.time_to(0.95), 2)
    (10.0, 3.74)
    """
    if shape not in SHAPES:
        raise ValueError(f"shape is {shape!r}; it must be one of {', '.join(SHAPES)}")
    x, y = np.asarray(x, float), np.asarray(y, float)
    w = np.ones_like(y) if weights is None else np.sqrt(np.asarray(weights, float))
    function, names = SHAPES[shape]
    if not (
        np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(w).all() and (w > 0).all()
    ):
        raise ValueError("x, y and weights must be finite, weights above 0")
    if len(np.unique(x)) < len(names) + 1:
        raise ValueError(
            f"a {shape} curve has {len(names) + 1} parameters; "
            f"{len(np.unique(x))} different x do not determine it"
        )
    starts = list(_starts(names, x))
    if most_starts is not None:
        starts = sorted(starts, key=lambda start: _squares(function(x, *start), y, w))[:most_starts]
    found = [_search(function, names, start, x, y, w, most_rate) for start in starts]
    found = [f for f in found if f is not None]
    if not found:
        raise ValueError(f"no {shape} curve fits: the points do not rise to a plateau")
    best = min(found, key=lambda f: f[0])
    near = np.mean([f[0] <= best[0] * (1 + _ALIKE) + 1e-12 * (y @ y) for f in found])
    return GrowthCurve(
        shape, best[1], dict(zip(names, best[2])), best[0], len(x) - len(names) - 1, float(near)
    )


def _starts(names, x):
    span = np.ptp(x)
    grid = {
        "rate": np.geomspace(0.05, 20, _STARTS) / span,
        "lag": x.min() + span * np.array([-0.3, 0.0, 0.2]),
        "middle": x.min() + span * np.linspace(0, 1, _STARTS),
        "bend": np.array([0.3, 1.0, 3.0]),
    }
    return product(*(grid[name] for name in names))


def _search(function, names, start, x, y, w, most_rate):
    """Least squares from one start: sum of squares, plateau, parameters; rate and bend as logarithms."""
    is_log, is_rate = np.isin(names, ["rate", "bend"]), np.isin(names, ["rate"])

    def parameters(p):
        own = np.where(is_log, np.exp(np.clip(p, -40, 40)), p)
        return np.minimum(own, np.where(is_rate, most_rate, np.inf))

    def rest(p):
        way = function(x, *parameters(p))
        return w * (y - _plateau(way, y, w) * way)

    start = np.minimum(start, np.where(is_rate, 0.9 * most_rate, np.inf))
    first = np.where(is_log, np.log(np.where(is_log, start, 1.0)), start)
    try:
        result = optimize.least_squares(
            rest, first, xtol=1e-14, ftol=1e-14, gtol=1e-14, method="lm", max_nfev=2000
        )
    except ValueError:
        return None
    own = parameters(result.x)
    plateau = _plateau(function(x, *own), y, w)
    return (
        (2 * result.cost, plateau, [float(v) for v in own])
        if plateau > 0 and np.isfinite(plateau)
        else None
    )


def _squares(way, y, w):
    return float(((w * (y - _plateau(way, y, w) * way)) ** 2).sum())


def _plateau(way, y, w):
    size = (w * way) @ (w * way)
    return float((w * way) @ (w * y) / size) if size > 0 else 0.0


def best_growth(
    x,
    y,
    *,
    weights=None,
    shapes=BUILD_UP,
    most_rate: float = STEEPEST,
    most_starts: int | None = None,
) -> GrowthCurve:
    """Fit several curves and take the one with the least sum of squares.

    Parameters
    ----------
    x, y, weights, most_rate, most_starts
        As in :func:`fit_growth`, x in crop years.
    shapes : sequence of str
        With the same number of parameters.

    Raises
    ------
    ValueError
        Where none can be fitted.
    """
    fits, why = [], ""
    for shape in shapes:
        try:
            fits.append(
                fit_growth(
                    x, y, shape, weights=weights, most_rate=most_rate, most_starts=most_starts
                )
            )
        except ValueError as error:
            why = str(error)
    if not fits:
        raise ValueError(why)
    return min(fits, key=lambda curve: curve.squares)
