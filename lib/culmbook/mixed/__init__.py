"""Mixed models: gaussian (REML, maximum likelihood), binomial counts, ordered scores.

Only what is named here is used outside this package. Beside fits and what is asked of them stand
the parts that a model with counts of its own kind (:class:`Laplace`) or records yet to come
(:class:`Model`) is made of.
"""

from culmbook.mixed.counts import BinomialFit, fit_binomial
from culmbook.mixed.draws import Draws, draws
from culmbook.mixed.gaussian import GaussianFit, Heritability, fit_gaussian
from culmbook.mixed.gaussian_model import Model
from culmbook.mixed.inference import (
    NODES,
    WEIGHTS,
    compare,
    compare_together,
    left_out,
    marginal_share,
    mean_weights,
    part_of,
    projection,
    residuals,
    simultaneous_draws,
)
from culmbook.mixed.kenward_roger import (
    MOST_RECORDS,
    enlarged_covariance,
    kenward_roger,
    kenward_roger_contrasts,
)
from culmbook.mixed.laplace import Laplace
from culmbook.mixed.ordinal import OrdinalFit, fit_ordinal
from culmbook.mixed.search import CONVERGED
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
