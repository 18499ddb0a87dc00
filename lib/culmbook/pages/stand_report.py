"""Controls, by the name that a notebook not yet open imports."""

from culmbook.trials.entries import control_of, controls_of

__all__ = ["control_of", "controls_of"]
