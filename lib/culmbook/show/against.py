"""Comparisons with the control in a sentence, the same for every quantity."""

import pandas as pd

from culmbook.text.numbers import fmt_list
from culmbook.text.words import n_of


def sort_out(frame: pd.DataFrame) -> tuple[list[str], list[str], int]:
    """Give the hybrids whose interval lies above 0, those below it, and how many are left.

    Parameters
    ----------
    frame : DataFrame
        ``hybrid, lower, upper``: intervals of the differences from the control, largest difference
        first.
    """
    above = list(frame.loc[frame["lower"] > 0, "hybrid"])
    below = list(frame.loc[frame["upper"] < 0, "hybrid"][::-1])
    return above, below, len(frame) - len(above) - len(below)


def words(
    frame: pd.DataFrame,
    control: str,
    *,
    above: str,
    below: str,
    value: str = "",
    level: float = 0.95,
    together: bool = True,
) -> str:
    """Say which hybrids differ from the control and how many do not.

    Parameters
    ----------
    frame : DataFrame
        As for :func:`sort_out`.
    control : str
    above, below : str
        What is said of hybrids above and below the control, without "than": "established better".
    value : str
        The control's own value, formatted; blank leaves it out.
    level : float
        Confidence of the intervals, 0-1.
    together : bool
        Whether the intervals hold together, over all hybrids.

    Returns
    -------
    str

    Examples
    --------
    >>> gaps = pd.DataFrame({"hybrid": ["H1", "H2"], "lower": [0.1, -0.2], "upper": [0.3, 0.1]})
    >>> words(gaps, "C", above="yielded more", below="yielded less", value="9.1 t/ha")
    'H1 yielded more than the control C (9.1 t/ha); 1 other hybrid does not differ clearly (95 %
    intervals, taken together).'
    """
    higher, lower, rest = sort_out(frame)
    held = f"({round(100 * level)} % intervals{', taken together' if together else ''})"
    than = f"than the control {control}{f' ({value})' if value else ''}"
    if not higher and not lower:
        return f"No hybrid differs clearly from {than.removeprefix('than ')} {held}."
    said = [
        f"{fmt_list(names)} {verb}" for names, verb in ((higher, above), (lower, below)) if names
    ]
    said[0] += f" {than}"
    if rest:
        said.append(
            f"{n_of(rest, 'other hybrid')} {'does' if rest == 1 else 'do'} not differ clearly"
        )
    return f"{'; '.join(said)} {held}."
