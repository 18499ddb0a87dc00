"""Sentences on hybrids whose value in a trait is not known, or on one side only."""

from culmbook.selection.untested import LEAST_TESTED, NOT_TESTED
from culmbook.text.numbers import fmt_list
from culmbook.text.words import is_are


def remark_words(traits: dict) -> list[str]:
    """What must be said of hybrids that were not tested or lie beyond the test.

    Parameters
    ----------
    traits : dict of str to Trait
        Those with a ``why_not`` are passed over.

    Returns
    -------
    list of str
    """
    told = []
    for trait in traits.values():
        if trait.why_not:
            continue
        known, remark = trait.draws.notna().all(), trait.table.set_index("hybrid")["remark"]
        absent = list(remark.index[remark.eq(NOT_TESTED)])
        told += _absent_words(
            trait, [h for h in absent if known[h]], [h for h in absent if not known[h]]
        )
        told += [
            f"{trait.label}: {hybrid} is {text}, beyond the test; {_BEYOND[_how(trait.draws[hybrid])]}."
            for hybrid, text in remark[~remark.isin(["", NOT_TESTED])].items()
        ]
    return told


def _absent_words(trait, drawn, unknown):
    told = []
    if drawn:
        told.append(
            f"{trait.label}: {fmt_list(drawn)} {is_are(len(drawn), 'was', 'were')} not tested; "
            "drawn from the distribution of the candidates that were."
        )
    if unknown:
        told.append(
            f"{trait.label}: {fmt_list(unknown)} {is_are(len(unknown), 'was', 'were')} not tested, "
            f"and there is no distribution to draw from (it takes {LEAST_TESTED} candidates of the "
            "type, and controls have none): not known."
        )
    return told


_BEYOND = {
    "unknown": "so it counts as not known",
    "fixed": "it is taken at that temperature, the least hardiness that fits",
    "drawn": "drawn from what of the candidates' distribution lies there",
}


def _how(draws):
    if draws.isna().all():
        return "unknown"
    return "fixed" if draws.nunique() == 1 else "drawn"
