"""How much usable heat does a harvest hold, and what does its water cost?"""

import numpy as np

EVAPORATION_MJ_KG = 2.443
"""Heat of evaporation of water at 25 °C [MJ/kg], as in ISO 18125."""
NCV_DRY_MJ_KG = 17.0
"""Net calorific value of dry grass biomass [MJ/kg], a default where none was measured."""
CLASS_STEP_PCT, CLASS_FIRST_PCT, CLASS_LAST_PCT = 5, 10, 55


def check_moisture(moisture_pct):
    """Moisture as floats; refuses values outside 0 <= M < 100 %, leaves missing ones missing."""
    moisture = np.asarray(moisture_pct, float)
    if ((moisture < 0) | (moisture >= 100)).any():
        raise ValueError("moisture_pct must lie in 0 ≤ M < 100 (wet basis, percent)")
    return moisture


def dry_basis(moisture_pct):
    """Water per dry mass [%] from moisture on wet basis [%].

    Parameters
    ----------
    moisture_pct : array_like
        Moisture, wet basis [%], 0 <= M < 100; missing stays missing.

    Returns
    -------
    ndarray
        ``100 M / (100 - M)``.

    Raises
    ------
    ValueError
        Moisture out of range.

    Examples
    --------
    >>> dry_basis([20, 50, 60])
    array([ 25., 100., 150.])
    """
    moisture = check_moisture(moisture_pct)
    return 100 * moisture / (100 - moisture)


def net_calorific_value(moisture_pct, ncv_dry_mj_kg=NCV_DRY_MJ_KG):
    """Net calorific value as received [MJ/kg fresh mass].

    Parameters
    ----------
    moisture_pct : array_like
        Moisture, wet basis [%], 0 <= M < 100; missing stays missing.
    ncv_dry_mj_kg : float or array_like
        Net calorific value of the dry matter at constant pressure [MJ/kg], over 0.

    Returns
    -------
    ndarray

    Raises
    ------
    ValueError
        A value out of range.

    Notes
    -----
    ``q = q_dry (1 - M/100) - 0.02443 M``. The water's own evaporation is all that is taken off: ash and
    hydrogen are in ``q_dry``.

    References
    ----------
    ISO 18125:2017 and ISO 17225-1:2021, annex on the calculation for a required moisture (formula from
    memory).

    Examples
    --------
    >>> net_calorific_value([10, 30], 18.5).round(2)
    array([16.41, 12.22])
    """
    moisture, dry = check_moisture(moisture_pct), np.asarray(ncv_dry_mj_kg, float)
    if not (dry[~np.isnan(dry)] > 0).all():
        raise ValueError("ncv_dry_mj_kg must be over 0")
    return dry * (1 - moisture / 100) - EVAPORATION_MJ_KG * moisture / 100


def energy_yield(dry_yield_t_ha, moisture_pct, ncv_dry_mj_kg=NCV_DRY_MJ_KG):
    """Energy of a hectare's harvest as it was cut [GJ/ha].

    Parameters
    ----------
    dry_yield_t_ha : array_like
        Dry yield [t/ha], >= 0; missing stays missing.
    moisture_pct : array_like
        Moisture, wet basis [%], 0 <= M < 100, of the biomass as used.
    ncv_dry_mj_kg : float or array_like
        Net calorific value of the dry matter [MJ/kg].

    Returns
    -------
    ndarray
        Fresh yield times :func:`net_calorific_value`; 1 t/ha x 1 MJ/kg = 1 GJ/ha.

    Raises
    ------
    ValueError
        A value out of range.

    Examples
    --------
    >>> energy_yield(10, [15, 30, 40], 17).round(0)
    array([166., 160., 154.])
    """
    dry = np.asarray(dry_yield_t_ha, float)
    if (dry < 0).any():
        raise ValueError("dry_yield_t_ha must be at least 0")
    moisture = check_moisture(moisture_pct)
    return dry / (1 - moisture / 100) * net_calorific_value(moisture, ncv_dry_mj_kg)


def moisture_class(moisture_pct):
    """Moisture class by the next class limit at or above the value: M10, M15 ... M55, M55+.

    Parameters
    ----------
    moisture_pct : array_like
        Moisture, wet basis [%], 0 <= M < 100; missing gives a missing class.

    Returns
    -------
    ndarray of str or None

    Raises
    ------
    ValueError
        Moisture out of range.

    Notes
    -----
    The names follow ISO 17225-1 from memory: check them against the standard before a contract rests
    on them.

    Examples
    --------
    >>> moisture_class([9.0, 10.0, 10.1, 56.0]).tolist()
    ['M10', 'M10', 'M15', 'M55+']
    """
    moisture = np.atleast_1d(check_moisture(moisture_pct))
    limit = np.maximum(CLASS_STEP_PCT * np.ceil(moisture / CLASS_STEP_PCT), CLASS_FIRST_PCT)
    names = [
        None if np.isnan(v) else f"M{v:.0f}" if v <= CLASS_LAST_PCT else f"M{CLASS_LAST_PCT}+"
        for v in limit
    ]
    return np.array(names, dtype=object)
