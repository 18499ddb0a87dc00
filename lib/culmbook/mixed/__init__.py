"""Mixed models: gaussian (REML, maximum likelihood), binomial counts, ordered scores.

Only what is named here is used outside this package. Beside fits and what is asked of them stand
the parts that a model with counts of its own kind (:class:`Laplace`) or records yet to come
(:class:`Model`) is made of.
"""

from culmbook.mixed.counts import BinomialFit, OrdinalFit, fit_binomial, fit_ordinal
from culmbook.mixed.draws import Draws, draws
from culmbook.mixed.gaussian import GaussianFit, Heritability, fit_gaussian
from culmbook.mixed.gaussian_model import CONVERGED, Model
from culmbook.mixed.inference import (
    MOST_RECORDS,
    NODES,
    WEIGHTS,
    compare,
    compare_together,
    enlarged_covariance,
    kenward_roger,
    kenward_roger_contrasts,
    left_out,
    marginal_share,
    mean_weights,
    part_of,
    projection,
    residuals,
    simultaneous_draws,
)
from culmbook.mixed.laplace import Laplace
from culmbook.mixed.structure import Factor, Structure
from culmbook.mixed.terms import (
    basis,
    factor_analytic,
    make_terms,
    over,
    refuse_aliased,
    slopes,
    smooth_line,
    smooth_surface,
)
