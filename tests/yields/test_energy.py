import numpy as np
import pytest

from culmbook.yields.energy import dry_basis, energy_yield, moisture_class, net_calorific_value


def test_dry_basis_matches_wood_fuels_handbook():
    # Wood Fuels Handbook (AIEL 2008) and ASABE S358, table of wet and dry basis; values from memory, printed
    # to one decimal, follow from u = 100 M / (100 - M)
    assert dry_basis([20, 30, 40, 50, 60]) == pytest.approx(
        [25.0, 42.9, 66.7, 100.0, 150.0], abs=0.05
    )


def test_net_calorific_value_matches_wood_fuels_handbook():
    # Wood Fuels Handbook (AIEL 2008), net calorific value by moisture for 18.5 MJ/kg dry; values from memory.
    # The handbook rounds the constant to 0.0244, ISO 17225-1 and ISO 18125 give 0.02443: within 0.01
    printed = [16.41, 14.31, 12.22, 10.12, 8.03, 5.94]
    assert net_calorific_value([10, 20, 30, 40, 50, 60], 18.5) == pytest.approx(printed, abs=0.01)


def test_energy_of_ten_tonnes_falls_little_with_moisture():
    # 10 t dry at 17 MJ/kg: per kg of dry matter 17 - 0.02443 M / (1 - M/100), reckoned by hand
    assert energy_yield(10, [15, 30, 40]) == pytest.approx([165.69, 159.53, 153.71], abs=0.005)


def test_moisture_class_is_the_next_limit_at_or_above():
    # class names M10, M15 … M55, M55+ of ISO 17225-1, from memory
    assert moisture_class([3, 10, 10.01, 15, 35, 52, 55, 55.1]).tolist() == [
        "M10",
        "M10",
        "M15",
        "M15",
        "M35",
        "M55",
        "M55",
        "M55+",
    ]
    assert moisture_class(np.nan).tolist() == [None]


@pytest.mark.parametrize("moisture", [-1, 100, 120])
def test_impossible_moisture_is_refused(moisture):
    for function in (dry_basis, net_calorific_value, moisture_class):
        with pytest.raises(ValueError, match="0 ≤ M < 100"):
            function([20, moisture])


def test_impossible_yield_or_heat_is_refused():
    with pytest.raises(ValueError, match="at least 0"):
        energy_yield(-1, 20)
    with pytest.raises(ValueError, match="over 0"):
        net_calorific_value(20, 0)


def test_missing_moisture_stays_missing():
    assert np.isnan(energy_yield([10, 10], [20, np.nan])).tolist() == [False, True]
