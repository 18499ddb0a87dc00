"""An invented trial network with known truth.

Nothing here describes a real place, hybrid, person or season. The parameters are
those of published trials of the crop where a source exists (named beside each) and
plain assumptions elsewhere.

`truth(seed)` gives the truth behind `data/demo`; the ``simulate_*`` functions of the
modules draw data from any truth, so that a method can be judged on other seeds.
"""

from make_demo.scenario import DEMO_SEED
from make_demo.truth import Truth, draw_truth, truth

__all__ = ["DEMO_SEED", "Truth", "draw_truth", "truth"]
