"""One seeded random generator for all tests; test helpers are importable by name."""

import os
import sys
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # several workers share the cores
    os.environ.setdefault(_name, "1")

import numpy as np
import pytest

_TESTS = Path(__file__).parent
for _folder in (_TESTS.parent / "data", _TESTS / "judge", _TESTS / "support", _TESTS):
    sys.path.insert(0, str(_folder))


@pytest.fixture
def rng():
    return np.random.default_rng(20250603)
