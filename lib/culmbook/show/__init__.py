"""What a notebook shows: tables, figures, findings and sentences, one look for all of them."""

import warnings

from culmbook.show import against, sections
from culmbook.show.figures import (
    intervals,
    name_points,
    name_rows,
    named_words,
    percent_ticks,
    size,
)
from culmbook.show.headings import Column, columns
from culmbook.show.page import facts, figure, finding, say, table
from culmbook.show.palette import use_style

__all__ = [
    "Column",
    "against",
    "columns",
    "facts",
    "figure",
    "finding",
    "intervals",
    "name_points",
    "name_rows",
    "named_words",
    "percent_ticks",
    "say",
    "size",
    "start",
    "table",
]


def start() -> None:
    """Begin a notebook: set the look of its figures, and let a cell without its data say so.

    From here on a cell whose data are missing shows the reason, and cells that need its results are
    skipped; all others run. Outside a notebook only the look is set.
    """
    from IPython import get_ipython

    use_style()
    warnings.filterwarnings("ignore", message="The figure layout has changed")  # of seaborn's grids
    if shell := get_ipython():
        sections.begin(shell)
