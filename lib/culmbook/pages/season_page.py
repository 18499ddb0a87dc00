"""The page of a season's data: for each section the sentences, tables and figures, or why there are none.

Each function takes what was computed and `why`, the sentence that says why a section cannot run (None when it
can), and returns the objects to show. What a table or count does not hold is said, never left blank.
"""

from culmbook.season.suspect_rows import WHY_FIRST
from culmbook.season.words import (
    agreement_words,
    index_words,
    look_words,
    missing_share,
    one_reason,
    plots_words,
    progress_words,
    received_words,
    round_name,
    severity_rows,
    stand_words,
)
from culmbook.show.page import Column, facts, finding, say, table
from culmbook.text.numbers import fmt_count, fmt_date, fmt_list, fmt_share
from culmbook.text.words import n_of

SITE = {"site": Column("Site", meaning="Code of the site")}
TRIAL = {"trial": Column("Trial", meaning="Code of the trial")}


def _sites(frame):
    """The site column where there is more than one site."""
    return SITE if frame["site"].nunique() > 1 else {}


def trial_facts(network):
    """Give the facts of the title block.

    Parameters
    ----------
    network : culmbook.sheets.read.Network
        Of the season.

    Returns
    -------
    culmbook.show.page.ReportFacts
    """
    tables = network.tables
    plots, counts = tables["plots"], tables["stand_counts"]
    roles = tables["hybrids"][tables["hybrids"]["hybrid"].isin(plots["hybrid"])][
        "role"
    ].value_counts()
    sites = sorted(set(plots["site"]))
    pairs = {
        **({"Sites": fmt_list(sites, 12)} if len(sites) > 1 else {}),
        "Trials": _trials(plots),
        "Plots": fmt_count(len(plots)),
        "Entries": fmt_list([n_of(n, role) for role, n in roles.items()])
        or plots["hybrid"].nunique(),
    }
    if counts["counted_on"].notna().any():
        pairs["Latest stand count"] = fmt_date(counts["counted_on"].max())
    return facts({name: value or "none" for name, value in pairs.items()})


def _trials(plots):
    """Name up to three trials; of more, say how many there are and when they were planted."""
    trials = plots.groupby(["site", "trial"])["planted_on"].min().dt.year.sort_index()
    if len(trials) <= 3:
        return fmt_list([trial for _, trial in trials.index])
    years = [int(year) for year in sorted(trials.dropna().unique())]
    return f"{len(trials)}{f', planted in {fmt_list(years)}' if years else ''}"


def received_section(sheets):
    """Show what each table brought.

    Parameters
    ----------
    sheets : pandas.DataFrame
        From :func:`culmbook.season.received.sheets_received`.
    """
    columns = {
        "table": Column("Table", meaning="Name of the table"),
        "n_files": Column("Files", kind="count", meaning="Files that hold it"),
        "n_kept": Column("Rows kept", kind="count", meaning="Rows that passed every check"),
        "n_refused": Column("Rows refused", kind="count", meaning="Rows that broke a rule"),
        "n_files_refused": Column("Files refused", kind="count", meaning="Files refused whole"),
        "n_notes": Column("Notes", kind="count", meaning="Remarks on values that were kept"),
    }
    note = (
        "A file for the whole network holds rows of other sites too; in the report of one site they are "
        "neither kept nor refused. Earlier seasons count too."
    )
    return [
        say(*received_words(sheets)),
        table(
            sheets, label="sheets", caption="What came in, by table.", columns=columns, note=note
        ),
    ]


def plots_section(status, latest, why):
    """Show plots by status and how many plants are missing.

    Parameters
    ----------
    status : pandas.DataFrame
        From :func:`culmbook.season.received.plots_by_status`.
    latest : pandas.DataFrame
        From :func:`culmbook.season.received.latest_stand`.
    why : str or None
    """
    if why or status.empty:
        return [say(why or "No plot belongs to this season.", kind="refusal")]
    columns = {
        **_sites(status),
        **TRIAL,
        "planted": Column("Planted", meaning="Year of planting"),
        "n_plots": Column("Plots", kind="count"),
        "n_hybrids": Column("Entries", kind="count"),
        "n_ok": Column("ok", kind="count"),
        "n_damaged": Column("damaged", kind="count"),
        "n_abandoned": Column("abandoned", kind="count"),
        "n_plant": Column("Lost by the hybrid", kind="count", meaning="Lost by the hybrid itself"),
        "lost_share": Column(
            "Not\u00a0ok", "%", kind="share", digits=1, meaning="Share of plots not ok"
        ),
    }
    return [
        finding(*plots_words(status), *stand_words(latest), rank=30, label="Plots", see="status"),
        table(status, label="status", caption="Plots by status, per trial.", columns=columns),
    ]


def lost_section(lost, why):
    """List the plots whose status is not ok, with the reason given.

    Parameters
    ----------
    lost : pandas.DataFrame
        From :func:`culmbook.season.received.lost_plots`.
    why : str or None
    """
    if why:
        return []  # the section before has said so
    if lost.empty:
        return [say("The status of every plot is ok.")]
    columns = {
        **_sites(lost),
        **TRIAL,
        "plot": Column("Plot"),
        "hybrid": Column("Entry"),
        "status": Column("Status"),
        "cause": Column("Cause", meaning="external when none was given"),
        "status_reason": Column("Reason as written"),
    }
    return [
        table(
            lost,
            label="lost-plots",
            caption="Plots whose status is not ok, and why.",
            columns=columns,
        )
    ]


def agreement_section(overall, pairs, apart, n_scored, why):
    """Show how well observers agree on plots scored twice.

    Parameters
    ----------
    overall, pairs, apart : pandas.DataFrame
        From :func:`culmbook.season.observers.overall_agreement`, :func:`culmbook.season.observers.agreement` and
        :func:`culmbook.season.observers.observers_apart`.
    n_scored : int
        Plots scored after a frost, each counted once per frost.
    why : str or None
    """
    if why:
        return [say(why, kind="refusal")]
    if not n_scored:
        return [say("No frost damage was scored in this season.", kind="refusal")]
    words = agreement_words(overall, apart, n_scored)
    if pairs.empty:
        return [say(*words, kind="refusal")]
    return [
        finding(*words, rank=70, label="Observers", see="agreement"),
        _pairs_table(pairs),
        _observers_table(apart),
    ]


def _pairs_table(pairs):
    columns = {
        **_sites(pairs),
        "observer_a": Column("Observer A"),
        "observer_b": Column("Observer B"),
        "n_scored": Column(
            "Plots", kind="count", meaning="Plots scored by both after the same frost"
        ),
        "n_equal": Column("Equal", kind="count"),
        "n_within_1": Column("Within 1", kind="count", meaning="At most one class apart"),
        "n_a_higher": Column("A higher", kind="count"),
        "n_b_higher": Column("B higher", kind="count"),
        "kappa": Column("Weighted kappa", kind="number", digits=2, meaning="Quadratic weights"),
        "icc": Column(
            "ICC", kind="number", digits=2, meaning="Absolute agreement of single scores"
        ),
        "low": Column("from", kind="number", digits=2, meaning="Lower 95 % limit of the ICC"),
        "high": Column("to", kind="number", digits=2, meaning="Upper 95 % limit of the ICC"),
        "reason": Column("Why none"),
    }
    note = one_reason(pairs, "Without a coefficient")
    if note:
        del columns["reason"]
    return table(
        pairs,
        label="agreement",
        caption="Agreement of pairs of observers on damage scores (0–6).",
        columns={name: column for name, column in columns.items() if pairs[name].notna().any()},
        note="ICC: intraclass correlation for absolute agreement of single scores, with its 95 % "
        f"interval. 1 is full agreement; 0 is what chance gives.{note}",
    )


def _observers_table(apart):
    columns = {
        **_sites(apart),
        "observer": Column("Observer"),
        "n_pairs": Column("Pairs", kind="count"),
        "n_higher": Column("Higher", kind="count", meaning="Own score above the other observer's"),
        "n_equal": Column("Equal", kind="count"),
        "n_lower": Column("Lower", kind="count"),
        "mean_difference": Column(
            "Mean difference",
            "classes",
            kind="number",
            digits=2,
            meaning="Own score less the other's; it only describes",
        ),
        "adjusted_p": Column("p", kind="p", meaning="Sign test, Holm-adjusted"),
    }
    return table(
        apart,
        label="observers",
        caption="Each observer against whoever scored the same plots.",
        columns=columns,
    )


def progress_section(rounds, left, why):
    """Show what was measured and what is left, per trial and round.

    Parameters
    ----------
    rounds : pandas.DataFrame
        From :func:`culmbook.season.received.progress`.
    left : pandas.DataFrame
        From :func:`culmbook.season.received.plots_to_visit`.
    why : str or None
    """
    if why or rounds.empty:
        return [say(why or "No round of measuring is due or begun.", kind="refusal")]
    named = rounds.assign(
        round=[round_name(*pair) for pair in rounds[["table", "occasion"]].values]
    )
    columns = {
        **_sites(rounds),
        **TRIAL,
        "round": Column("Round"),
        "n_plots": Column("Plots", kind="count"),
        "n_measured": Column("Measured", kind="count"),
        "n_set_aside": Column("Set aside", kind="count", meaning="Plot or harvest not ok"),
        "n_no_plants": Column("No plants", kind="count", meaning="Latest count was 0"),
        "n_to_measure": Column("To measure", kind="count"),
        "stage": Column("Stage"),
    }
    note = (
        "Due by default: all four stand counts of the planting year, later one in early summer, and from "
        "crop year 2 stem measures and harvest. Any other round is listed once a plot of the trial has "
        "it, and then for all plots of the trial."
    )
    return [
        finding(*progress_words(rounds), rank=60, label="To be measured", see="rounds"),
        table(
            named,
            label="rounds",
            caption="Rounds of measuring in the season, per trial.",
            columns=columns,
            note=note,
        ),
        *_visits(left),
    ]


def _visits(left):
    if left.empty:
        return []
    named = left.assign(round=[round_name(*pair) for pair in left[["table", "occasion"]].values])
    columns = {
        **_sites(left),
        **TRIAL,
        "round": Column("Round"),
        "row": Column("Row", kind="count"),
        "column": Column("Column", kind="count"),
        "plot": Column("Plot"),
        "hybrid": Column("Entry"),
    }
    return [
        table(
            named,
            label="to-measure",
            columns=columns,
            caption="Plots left in rounds under way, in walking order.",
        )
    ]


def look_section(listed, most):
    """List the places a person should look at first.

    Parameters
    ----------
    listed : pandas.DataFrame
        From :func:`culmbook.season.suspect_rows.rows_to_look_at`.
    most : int
        Longest list printed.

    Raises
    ------
    ValueError
        If `most` is not at least 1.
    """
    if most < 1:
        raise ValueError(f"rows_shown = {most}: show at least one")
    if listed.empty:
        return [say(*look_words(listed))]
    listed = listed.assign(is_printed=[i < most for i in range(len(listed))])
    columns = {
        **_sites(listed),
        "why": Column("Why"),
        "where": Column("Where"),
        "value": Column("Value"),
        "rule": Column("What is wrong"),
        "mend": Column("What mends it"),
    }
    cut = "" if len(listed) <= most else f" The first {most} of {len(listed)} are listed."
    return [
        finding(*look_words(listed), rank=80, label="Look first", see="look-first"),
        table(
            listed,
            label="look-first",
            columns=columns,
            note=_LOOK_NOTE + cut,
            printed="is_printed",
            caption="Rows to look at first.",
        ),
    ]


_LOOK_NOTE = f"Order: {'; '.join(WHY_FIRST)}."


def headline(status, latest, rounds, listed, place):
    """Give the results in a few lines of plain text, coarse enough to be the same on every machine.

    Parameters
    ----------
    status, latest, rounds, listed : pandas.DataFrame
        As shown in the sections above.
    place : pandas.DataFrame
        From :func:`culmbook.season.weather.against_record`.

    Returns
    -------
    str
    """
    n_left = int(rounds["n_to_measure"].sum())
    n_done = (rounds["stage"] == "complete").sum()
    lines = [
        f"plots: {status['n_plots'].sum()}, ok: {status['n_ok'].sum()}",
        f"plants missing in the latest counts: {fmt_share(missing_share(latest))}",
        f"rounds complete: {n_done} of {len(rounds)}, plots to measure: {n_left}",
        f"places to look at: {len(listed)}",
    ]
    for row in severity_rows(place).itertuples(index=False):
        lines.append(f"{row.site}: {index_words(row)}")
    return "\n".join(lines)
