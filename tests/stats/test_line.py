import numpy as np
import pytest

from culmbook.stats.line import errors_in_x_slope, fit_line

THERMOMETER_C = [
    21.521,
    22.012,
    22.512,
    23.003,
    23.507,
    23.999,
    24.513,
    25.002,
    25.503,
    26.010,
    26.511,
]
CORRECTION_C = [
    -0.171,
    -0.169,
    -0.166,
    -0.159,
    -0.164,
    -0.165,
    -0.156,
    -0.157,
    -0.159,
    -0.161,
    -0.160,
]
# NIST StRD Norris: y and x of 36 observations, linear calibration of ozone monitors (from the certified data file)
NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6
119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1
449.2 448.9 0.2 0.5"""


def test_line_and_its_uncertainty_match_gum_h3():
    # JCGM 100:2008 (GUM), H.3, calibration of a thermometer, reference temperature 20 °C; values from memory, printed
    # digits reproduced here
    line = fit_line(THERMOMETER_C, CORRECTION_C, origin=20.0)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5) and line.slope == pytest.approx(
        0.00218, abs=5e-6
    )
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    value, error = line.at(30.0)
    assert value[0] == pytest.approx(-0.1494, abs=5e-5) and error[0] == pytest.approx(
        0.0041, abs=5e-5
    )


def test_line_matches_nist_norris():
    # certified values of NIST StRD, data set Norris: intercept, slope, residual standard deviation
    y, x = np.array(NORRIS.split(), float).reshape(-1, 2).T
    line = fit_line(x, y)
    assert len(x) == 36
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_errors_in_x_match_fuller_1987():
    # Fuller (1987) section 1.2: corn yield on soil nitrogen with error variance 57; values from memory, printed
    # digits reproduced here
    nitrogen = [70, 97, 53, 64, 95, 64, 50, 70, 94, 69, 51]
    corn = [86, 115, 90, 86, 110, 91, 99, 96, 99, 104, 96]
    assert fit_line(nitrogen, corn).slope == pytest.approx(0.344, abs=5e-4)
    slope, se, intercept = errors_in_x_slope(nitrogen, corn, 57)
    assert slope == pytest.approx(0.4232, abs=5e-5) and se == pytest.approx(0.1745, abs=5e-5)
    assert intercept == pytest.approx(67.56, abs=5e-3)


def test_no_error_in_x_gives_the_plain_slope():
    x, y = [1.0, 2, 3, 4, 6], [2.0, 3, 5, 4, 8]
    assert errors_in_x_slope(x, y, 0.0)[0] == pytest.approx(fit_line(x, y).slope)


def test_slope_interval_is_students():
    # 1, 2, 3, 4 against 2, 4, 6, 8.5: rest -0.1 + ..., standard error 0.0866 with 2 degrees of freedom; t = 4.3027
    line = fit_line([1, 2, 3, 4], [2.0, 4.0, 6.0, 8.5])
    assert line.slope_interval() == pytest.approx(
        (2.15 - 4.3027 * 0.08660, 2.15 + 4.3027 * 0.08660), abs=1e-4
    )


def test_what_has_no_slope_is_refused():
    with pytest.raises(ValueError, match="one x"):
        fit_line([1, 1, 1], [1, 2, 3])
    with pytest.raises(ValueError, match="three finite"):
        fit_line([1, 2], [1, 2])
    with pytest.raises(ValueError, match="as large as all differences"):
        errors_in_x_slope([1, 2, 3, 4], [1, 2, 3, 4], 5.0)
