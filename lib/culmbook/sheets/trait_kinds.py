"""Traits that hybrids may be held to: their names in ``settings.toml``, units, and which way is
better.
"""

from dataclasses import dataclass

import numpy as np

_END = 1e-6  # shares of 0 and 1 have no logit


@dataclass(frozen=True)
class Kind:
    """One trait: how it prints, which way is better, what it can be.

    ``label`` and ``unit`` for print, ``better`` {higher, lower}, the least and greatest value that
    can be, and the ``scale`` {raw, log, logit} on which its hybrids vary evenly.
    """

    label: str
    unit: str
    better: str
    low: float
    high: float
    scale: str = "raw"

    @property
    def bound(self) -> str:
        """How a floor reads: 'at least' where more is better, else 'at most'."""
        return "at least" if self.better == "higher" else "at most"

    @property
    def word(self) -> str:
        """The label inside a sentence."""
        return self.label if self.label[1].isupper() else self.label[0].lower() + self.label[1:]

    def to_scale(self, values):
        """Values on the scale on which hybrids vary evenly."""
        values = np.asarray(values, float)
        if self.scale == "logit":
            inner = np.clip(values, _END, 1 - _END)
            return np.log(inner / (1 - inner))
        return np.log(values) if self.scale == "log" else values

    def from_scale(self, values):
        """Back from :meth:`to_scale`."""
        values = np.asarray(values, float)
        if self.scale == "logit":
            return 1 / (1 + np.exp(-values))
        return np.exp(values) if self.scale == "log" else values


KINDS = {
    "yield_t_ha": Kind("Dry yield", "t/ha", "higher", 0.0, 100.0, "log"),
    "stand": Kind("Stand", "share", "higher", 0.0, 1.0, "logit"),
    "lt50_c": Kind("LT50", "°C", "lower", -40.0, 0.0),
    "moisture_pct": Kind("Moisture at harvest", "%", "lower", 0.0, 100.0),
}
"""Traits by the name they have in ``settings.toml``: dry yield of a full-grown stand, plants alive
of those
planted, temperature that kills half, water in the fresh mass at harvest."""
