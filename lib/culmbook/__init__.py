"""Field trials of seed-raised hybrids of a perennial biomass grass.

Notebooks import from the module that answers their question
(``culmbook.stand.counts``, ``culmbook.season.weather`` …); nothing is re-exported here,
so that importing one module never pays for the others.
"""

from importlib.metadata import version

__version__ = version("culmbook")
