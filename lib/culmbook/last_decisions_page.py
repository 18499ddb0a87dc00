"""What the notebook on choosing says of the last decisions: what was decided, and what came of it."""

import pandas as pd

from culmbook.columns import Column
from culmbook.decisions import compare_with_last, last_decisions, last_words, season_gains
from culmbook.formats import fmt_share
from culmbook.present import say, table
from culmbook.season_words import is_are, n_of
from culmbook.seasons_page import Seasons

def show_last_decisions(
    part: Seasons, decisions: pd.DataFrame, decided: pd.DataFrame | None, season: int, *, margin: float
) -> tuple:
    """Set the last decisions against the new season's own yields and the decisions now; or why not.

    Parameters
    ----------
    part : Seasons
    decisions : DataFrame
        Table ``decisions``.
    decided : DataFrame or None
        ``hybrid, decision`` of this season, from :func:`culmbook.decision.decide`.
    season : int
        Growing season of the report.
    margin : float
        Gain over the control that a promoted hybrid must have, a share.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    last = last_decisions(decisions, season)
    if last.empty:
        return (say(last_words(last, season, part.control)),)
    now = last.iloc[:0] if decided is None else decided
    try:
        gains = season_gains(part.records, season, part.control, level=part.level)
    except ValueError as error:
        n, year = len(last), last["growing_season"].iloc[0]
        read = f"{n_of(n, 'decision')} of {year} {is_are(n, 'was', 'were')} read."
        return (say(f"{read} What came of them in {season} is not known: {error}.", kind="refusal"),)
    compared = compare_with_last(last, now, gains, margin=margin)
    words = last_words(compared, season, part.control, margin=margin)
    return say(words), _table(part, compared, season, margin)


def _table(part, compared, season, margin):
    columns = {
        "hybrid": Column("Hybrid"),
        "decision": Column(f"After {compared['growing_season'].iloc[0]}"),
        "now": Column("Now"),
        "n_plots": Column("Plots", kind="count"),
        "gain": Column(f"Over {part.control}", kind="share", meaning=f"By the cuts of {season} alone."),
        "interval": Column(f"{part.percent} % interval", kind="share_interval", ends=("lower", "upper")),
        "came": Column("Came", meaning=f"Whole interval above or below a gain of {fmt_share(margin)}."),
        "verdict": Column("Decision", meaning="Of promoted and dropped hybrids."),
    }
    return table(
        compared,
        label="last-decisions",
        columns=columns,
        caption=f"The last decisions against yields of {season}, and what is decided now.",
        note=f"Yields of {season} alone, which had no part in those decisions; each interval by itself. One "
        "season is no proof of what lasts.",
    )
