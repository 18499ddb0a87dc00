"""Mixed models: gaussian (REML, maximum likelihood), binomial counts, ordered scores."""

from culmbook.mixed.counts import BinomialFit, fit_binomial
from culmbook.mixed.draws import Draws, bootstrap, draws
from culmbook.mixed.gaussian import GaussianFit, fit_gaussian
from culmbook.mixed.inference import compare, compare_together, mean_shares, mean_weights
from culmbook.mixed.kenward_roger import enlarged_covariance, kenward_roger, kenward_roger_contrasts
from culmbook.mixed.search import CONVERGED
from culmbook.mixed.splines import smooth_line, smooth_surface
from culmbook.mixed.terms import basis, factor_analytic, over, slopes
from culmbook.mixed.ordinal import OrdinalFit, fit_ordinal

__all__ = [
    "CONVERGED",
    "BinomialFit",
    "Draws",
    "GaussianFit",
    "OrdinalFit",
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
    "mean_shares",
    "mean_weights",
    "over",
    "slopes",
    "smooth_line",
    "smooth_surface",
]
