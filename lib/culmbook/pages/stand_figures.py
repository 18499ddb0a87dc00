"""A figure of printed size, for pages not yet opened."""

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from culmbook.show.palette import page_size


def new_figure(height_in: float, share: float = 1.0) -> tuple[Figure, Axes]:
    """A figure of printed size with one axes, constrained layout."""
    figure = Figure(figsize=page_size(height_in, share), layout="constrained")
    return figure, figure.subplots()
