"""Mixed models: gaussian (REML, maximum likelihood), binomial counts, ordered scores.

Only what is named here is used outside this package. Beside fits and what is asked of them stand the parts that
a model with counts of its own kind (:class:`Laplace`) or records yet to come (:class:`Model`) is made of.
"""

from culmbook.mixed.counts import BinomialFit, fit_binomial
from culmbook.mixed.draws import Draws, bootstrap, draws
from culmbook.mixed.gaussian import GaussianFit, Heritability, fit_gaussian
from culmbook.mixed.gaussian_model import Model
from culmbook.mixed.inference import (
    NODES,
    WEIGHTS,
    compare,
    compare_together,
    marginal_share,
    mean_shares,
    mean_weights,
    simultaneous_draws,
)
from culmbook.mixed.kenward_roger import (
    MOST_RECORDS,
    enlarged_covariance,
    kenward_roger,
    kenward_roger_contrasts,
)
from culmbook.mixed.laplace import Laplace
from culmbook.mixed.left_out import left_out, part_of, projection, residuals
from culmbook.mixed.ordinal import OrdinalFit, fit_ordinal
from culmbook.mixed.search import CONVERGED
from culmbook.mixed.splines import smooth_line, smooth_surface
from culmbook.mixed.structure import Factor, Structure
from culmbook.mixed.terms import basis, factor_analytic, make_terms, over, refuse_aliased, slopes

__all__ = [
    "CONVERGED",
    "MOST_RECORDS",
    "NODES",
    "WEIGHTS",
    "BinomialFit",
    "Draws",
    "Factor",
    "GaussianFit",
    "Heritability",
    "Laplace",
    "Model",
    "OrdinalFit",
    "Structure",
    "basis",
    "bootstrap",
    "compare",
    "compare_together",
    "draws",
    "enlarged_covariance",
    "factor_analytic",
    "fit_binomial",
    "fit_gaussian",
    "fit_ordinal",
    "kenward_roger",
    "kenward_roger_contrasts",
    "left_out",
    "make_terms",
    "marginal_share",
    "mean_shares",
    "mean_weights",
    "over",
    "part_of",
    "projection",
    "refuse_aliased",
    "residuals",
    "simultaneous_draws",
    "slopes",
    "smooth_line",
    "smooth_surface",
]
