"""The short pages of a season, from the executed notebooks of all its scopes together."""

from pathlib import Path

import pandas as pd

from culmbook.report import frames
from culmbook.report.glance import glance, glance_html
from culmbook.report.hybrids import hybrid_pages
from culmbook.report.pdf import set_pdf, title_words
from culmbook.report.short import set_short, short_content
from culmbook.text.files import write_whole

NETWORK = frames.NETWORK


def season_frames(
    notebooks: dict[str, list[Path]],
    entries: dict[str, list[str]],
    controls: list[str],
    season: int,
) -> dict:
    """Give the three frames of a season, the controls and, by scope, the tables and figures shown.

    Parameters
    ----------
    notebooks : dict of str to list of Path
        Executed notebooks of each scope.
    entries : dict of str to list of str
        Hybrids of each scope.
    controls : list of str
        The reference control first.
    season : int
        Growing season.
    """
    books = [frames.read_book(scope, path) for scope, paths in notebooks.items() for path in paths]
    return {
        "answers": frames.answers(books, entries, controls, season),
        "numbers": frames.numbers(books),
        "sentences": frames.sentences(books),
        "controls": controls,
        "items": {
            scope: {
                (book.name, label): bundle
                for book in books
                if book.scope == scope
                for label, bundle in (book.tables | book.figures).items()
            }
            for scope in notebooks
        },
    }


def write_pages(
    folder: Path, season: int, found: dict, hybrids: pd.DataFrame, about: dict
) -> dict[str, int]:
    """Write frames, glance, short reports and the pages of the hybrids.

    Parameters
    ----------
    folder : Path
        Below it go ``network/frames/*.csv``, ``network/glance.html``, ``network/hybrids_Y.pdf`` and
        ``<scope>/<scope>_Y.pdf``.
    season : int
        Growing season.
    found : dict
        From :func:`season_frames`.
    hybrids : DataFrame
        Table ``hybrids``.
    about : dict
        ``sites`` (table), ``meta`` (words about the report), and by scope ``places`` (pages of the full record) and ``gaps``.

    Returns
    -------
    dict of str to int
        Pages of each short report.
    """
    pages = {}
    (folder / NETWORK / "frames").mkdir(parents=True, exist_ok=True)
    for name in ("answers", "numbers", "sentences"):
        text = found[name].to_csv(index=False, lineterminator="\r\n")
        write_whole(folder / NETWORK / "frames" / f"{name}.csv", text)
    for scope in found["items"]:
        own = {key: about[key].get(scope) or type(about[key])() for key in ("places", "gaps")}
        content = short_content(scope, season, found, {**about, **own})
        made = set_short(content, scope, season)
        (folder / scope).mkdir(exist_ok=True)
        write_whole(folder / scope / f"{scope}_{season}.pdf", made.pdf)
        pages[scope] = made.n_pages
    words_of = title_words(about["sites"], "all", season, about["meta"])
    if NETWORK in found["items"]:
        page = glance(found["answers"], found["sentences"], NETWORK, found["controls"])
        write_whole(folder / NETWORK / "glance.html", glance_html(page, words_of["title"]))
    one_each = hybrid_pages(found, hybrids)
    if one_each:
        title = {"title": f"Hybrids, season {season}", "running": f"Hybrids · season {season}"}
        made = set_pdf({**words_of, **title, "hybrids": one_each}, season)
        write_whole(folder / NETWORK / f"hybrids_{season}.pdf", made.pdf)
    return pages
