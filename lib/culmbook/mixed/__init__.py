"""Mixed models: gaussian (REML, maximum likelihood), binomial counts, ordered scores."""

from culmbook.mixed.counts import BinomialFit, fit_binomial
from culmbook.mixed.gaussian import GaussianFit, fit_gaussian
from culmbook.mixed.kenward_roger import kenward_roger
from culmbook.mixed.ordinal import OrdinalFit, fit_ordinal
from culmbook.mixed.search import CONVERGED
from culmbook.mixed.terms import basis, factor_analytic, over, slopes

__all__ = ["CONVERGED", "BinomialFit", "GaussianFit", "OrdinalFit", "basis", "factor_analytic", "fit_binomial", "fit_gaussian", "fit_ordinal",
           "kenward_roger", "over", "slopes"]
