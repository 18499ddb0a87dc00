"""One seeded random generator for all tests; test helpers are importable by name."""

import os
import sys
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # several workers share the cores
    os.environ.setdefault(_name, "1")

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def rng():
    return np.random.default_rng(20250603)
