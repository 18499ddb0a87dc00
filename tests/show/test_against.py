"""The sentence of comparison with the control."""

import pandas as pd

from culmbook.show import against


def gaps(*limits):
    return pd.DataFrame(
        [(f"H{k}", *pair) for k, pair in enumerate(limits)], columns=["hybrid", "lower", "upper"]
    )


def said(frame, **more):
    return against.words(frame, "STD", above="yielded more", below="yielded less", **more)


def test_none_differs():
    assert said(gaps((-1, 1)), value="9 t/ha") == (
        "No hybrid differs clearly from the control STD (9 t/ha) (95 % intervals, taken together)."
    )


def test_above_below_and_the_rest():
    text = said(gaps((1, 2), (-1, 1), (-1, 2), (-3, -2), (-4, -3)), level=0.9, together=False)
    assert text == (
        "H0 yielded more than the control STD; H4 and H3 yielded less; "
        "2 other hybrids do not differ clearly (90 % intervals)."
    )


def test_all_differ():
    assert "other" not in said(gaps((1, 2), (-3, -2)))


def test_a_limit_at_zero_is_no_difference():
    assert against.sort_out(gaps((0.0, 1.0), (-1.0, 0.0))) == ([], [], 2)
