"""Parts that every figure draws."""

import pytest
from matplotlib.figure import Figure

from culmbook.show import percent_ticks


@pytest.mark.parametrize(
    ("limits", "symbol", "wanted"),
    [
        ((0.86, 1.0), "", ["86", "88", "90", "92", "94", "96", "98", "100"]),
        ((-0.01, 0.01), " %", ["-1 %", "-0.5 %", "0 %", "0.5 %", "1 %"]),
    ],
)
def test_ticks_of_shares_have_no_more_digits_than_they_need(limits, symbol, wanted):
    ax = Figure().subplots()
    percent_ticks(ax.xaxis, symbol=symbol)
    ax.set(xlim=limits, xticks=[float(w.strip(" %")) / 100 for w in wanted])
    ax.figure.draw_without_rendering()
    assert [tick.get_text() for tick in ax.get_xticklabels()] == wanted
