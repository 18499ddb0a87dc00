"""Random small designs with kernels against their definition; all of them:
``tests/random_designs.py``.
"""

from random_designs import MODELS, check_kernel, kernel_designs


def test_designs_with_kernels_converge_and_match_the_definition():
    """Ten of each kind, some with singular or zero covariances."""
    found = [check_kernel(*design) for design in kernel_designs(10 * len(MODELS))]
    assert [verdict for verdict in found if not verdict.endswith("agrees")] == []
