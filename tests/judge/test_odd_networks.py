"""The judge of odd networks, short: a site with one replicate and two plantings, and four sites with
three hybrids, must show nothing impossible.
"""

import pytest

from odd_networks import impossible, judge


@pytest.mark.parametrize("seed", [8, pytest.param(7, marks=pytest.mark.long)])
def test_notebooks_show_nothing_impossible_on_an_odd_network(seed):
    found = judge(seed)
    assert found.empty, found.to_string(max_colwidth=200)


def test_the_judge_sees_what_cannot_be():
    column = {"heading": "Dry yield", "kind": "number", "unit": "t/ha", "meaning": ""}
    share = {"heading": "95 % interval", "kind": "share_interval", "unit": "%", "meaning": ""}
    table = {"label": "yields", "columns": [column, share]}
    good = {**table, "rows": [["3.1", "20 to 40"]], "values": [[3.1, [0.2, 0.4]]]}
    bad = {**table, "rows": [["−0.1", "nan"]], "values": [[-0.1, [0.5, 0.4]]]}
    assert impossible(good) == [] and len(impossible(bad)) == 3
    assert len(impossible({"sentences": ["From −0.5 t/ha to nan."], "label": ""})) == 2
