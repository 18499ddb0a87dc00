"""What frost results do not say, and what to mind in the freezer and in the field."""

import pandas as pd

from culmbook.pages.field_page import FieldAnswer
from culmbook.show.page import say

OUTSIDE = (
    "A curve holds for its protocol, tissue and the hardening that the material had; winters in the field"
    " hold for the sites and years that were counted. Neither is a forecast for another protocol, site or"
    " winter."
)
CAUSES = (
    "A plant missing after winter need not have been killed by frost: wet soil, rodents, disease and poor"
    " planting do the same. Look at plots that lost many before you blame the cold."
)
FREEZER = (
    "In the freezer: deep-frozen metal and samples burn bare skin, so wear gloves and eye protection. Liquid"
    " nitrogen and dry ice push the air out of a closed room: ventilate, watch the oxygen, never work alone."
    " Cooling baths of glycol are poisonous and are no household waste."
)
HEALTH = (
    "Rhizomes and plants carry pests: before material moves between sites or over a border, ask what the"
    " local plant-health rules demand."
)


def show_limits(tests: pd.DataFrame, answer: FieldAnswer, season: int) -> tuple:
    """Cautions that belong to what was shown; provisional survival is repeated on the first page.

    Parameters
    ----------
    tests : DataFrame
        Table ``freeze_tests``; may be empty.
    answer : FieldAnswer
    season : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    cells = answer.cells
    shown = [say(OUTSIDE, kind="caution")]
    if len(cells):
        shown.append(say(CAUSES, kind="caution"))
        late = cells[cells["winter"].eq(season) & cells["is_provisional"].astype(bool)]
        if len(late):
            shown.append(
                say(
                    f"Winter survival of season {season} is provisional: plots not yet counted in early"
                    " summer count plants that show late as dead.",
                    kind="provisional",
                )
            )
    if len(tests):
        shown += [say(FREEZER, kind="caution"), say(HEALTH, kind="caution")]
    return tuple(shown)
