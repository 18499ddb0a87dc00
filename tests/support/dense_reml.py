"""Likelihood of a gaussian mixed model straight from its definition, with the full covariance
matrix.
"""

import numpy as np
import pandas as pd
from scipy import optimize


def matrices(frame, random):
    """Incidence matrix of each term."""
    return [
        np.eye(g.max() + 1)[g]
        for g in (frame.groupby(t.split(":")).ngroup().to_numpy() for t in random)
    ]


def covariance(theta, z, residual):
    """V for the variances ``theta``; ``residual`` is the incidence of the residual groups."""
    v = sum(t * zi @ zi.T for t, zi in zip(theta, z, strict=False))
    return v + np.diag(residual @ theta[len(z) :])


def criterion(v, y, x, restricted):
    """-2 log likelihood, b estimated."""
    inner, right = x.T @ np.linalg.solve(v, x), x.T @ np.linalg.solve(v, y)
    rest = y - x @ np.linalg.solve(inner, right)
    log_det = np.linalg.slogdet(v)[1] + (np.linalg.slogdet(inner)[1] if restricted else 0.0)
    return (
        log_det
        + rest @ np.linalg.solve(v, rest)
        + (len(y) - restricted * x.shape[1]) * np.log(2 * np.pi)
    )


def slope(theta, z, residual, y, x, restricted):
    """Criterion and its derivatives."""
    v = covariance(theta, z, residual)
    inverse = np.linalg.inv(v)
    p = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    within, py = (p if restricted else inverse), p @ y
    parts = [zi @ zi.T for zi in z] + [np.diag(column) for column in residual.T]
    return criterion(v, y, x, restricted), np.array(
        [(within * part).sum() - py @ part @ py for part in parts]
    )


def least(z, residual, y, x, restricted, start):
    """Lowest criterion that a general optimiser finds from ``start``."""
    k = len(z)
    bounds = [(0, None)] * k + [(1e-6 * start[-1], None)] * (len(start) - k)
    found = optimize.minimize(
        slope,
        start,
        (z, residual, y, x, restricted),
        jac=True,
        bounds=bounds,
        method="L-BFGS-B",
        options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 500},
    )
    return found.fun


def small_design(draw):
    """An unbalanced trial of 14 to 40 records with empty cells, and a model for it; variances may
    be zero.
    """
    n = draw.integers(14, 41)
    sizes = {"a": draw.integers(3, 7), "b": draw.integers(2, 6), "c": draw.integers(2, 4)}
    frame = pd.DataFrame(
        {name: draw.integers(0, size, n).astype(str) for name, size in sizes.items()}
    )
    frame["x"] = draw.normal(size=n)
    choices = [
        ["a"],
        ["a", "b"],
        ["a", "a:b"],
        ["a", "b", "a:b"],
        ["a", "b", "c"],
        ["a:b", "c"],
        ["a", "a:c", "b"],
    ]
    random = choices[draw.integers(len(choices))]
    y = 10 + 0.5 * frame["x"] + draw.normal(size=n)
    for zi in matrices(frame, random):
        y = y + zi @ draw.normal(0, draw.choice([0.0, 0.5, 1.5]), zi.shape[1])
    return (
        frame.assign(y=y),
        random,
        "x + c" if "c" not in ":".join(random) and draw.uniform() < 0.5 else "x",
    )
