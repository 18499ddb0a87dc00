"""The ``culmbook`` command. Only what a subcommand needs is imported, so that ``--help`` answers at once."""

import argparse
import os
import signal
import sys
from pathlib import Path

EXIT_OK = 0
EXIT_FAILED = 1
EXIT_USAGE = 2
EXIT_INTERRUPTED = 130
EPILOG = "Exit status: 0 all went well, 1 something was refused or failed, 2 wrong usage, 130 interrupted."


def main(arguments=None):
    """Run the command.

    Parameters
    ----------
    arguments : list of str, optional
        As typed after ``culmbook``; those of the process by default.

    Returns
    -------
    int
        Exit status: 0 success, 1 something was refused or failed, 2 wrong usage, 130 interrupted.
    """
    asked = _parser().parse_args(arguments)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(
                errors="backslashreplace"
            )  # a console that lacks a character shows its code
    try:
        return asked.run(asked)
    except BrokenPipeError:
        sys.stdout = open(
            os.devnull, "w", encoding="utf-8"
        )  # the reader has gone; nothing to flush to
        return EXIT_FAILED
    except KeyboardInterrupt:
        print(
            "\nInterrupted. Finished results are kept; the same command goes on from there.",
            file=sys.stderr,
        )
        return EXIT_INTERRUPTED


def _parser():
    parser = argparse.ArgumentParser(
        prog="culmbook",
        description=("Reports from trials of seed-raised hybrids of a perennial biomass grass."),
        epilog=EPILOG,
    )
    parser.add_argument("--version", action=_Version)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_season(commands)
    _add_check(commands)
    _add_sheets(commands)
    return parser


class _Version(argparse.Action):
    def __init__(self, option_strings, dest):
        super().__init__(option_strings, dest, nargs=0, help="show the version and exit")

    def __call__(self, parser, *_):
        from culmbook import __version__

        print(f"culmbook {__version__}")
        parser.exit()


def _add_season(commands):
    season = commands.add_parser(
        "season",
        epilog=EPILOG,
        help="run every notebook for every site and make the reports",
        description="Run the season's notebooks for every site and for the network, then make "
        "a PDF, a workbook and CSV tables for each, and an index page. What has "
        "not changed since the last run is kept.",
    )
    season.add_argument("data", metavar="DATA", help="network folder (holds sites.csv)")
    season.add_argument(
        "--season", type=_year, required=True, metavar="YEAR", help="growing season, e.g. 2025"
    )
    season.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="where the results go"
    )
    season.add_argument(
        "--site",
        action="append",
        default=[],
        metavar="CODE",
        help="only this site, or 'network' for the report over all sites; may be repeated",
    )
    season.add_argument(
        "--jobs",
        type=_at_least_one,
        default=os.cpu_count() or 1,
        metavar="N",
        help="notebooks run at a time (default: one per processor)",
    )
    season.add_argument(
        "--fresh", action="store_true", help="compute everything anew, changed or not"
    )
    season.add_argument(
        "--notebooks",
        type=Path,
        metavar="DIR",
        help="folder of the notebooks (default: those of culmbook)",
    )
    season.add_argument(
        "--param",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a notebook parameter as a Python literal, text in quotes; may be repeated",
    )
    season.add_argument(
        "--cell-timeout",
        type=_at_least_one,
        default=600,
        metavar="SECONDS",
        help="longest time for one cell (default: 600); three times that for a notebook",
    )
    season.set_defaults(run=_season)


def _add_check(commands):
    check = commands.add_parser(
        "check",
        epilog=EPILOG,
        help="list everything that is wrong in a network's sheets",
        description="Read all tables and list every problem with file, row, column, value, "
        "rule and what would mend it.",
    )
    check.add_argument("data", metavar="DATA", help="network folder (holds sites.csv)")
    check.add_argument(
        "--site",
        metavar="CODE",
        default="all",
        help="only this site and the whole network's tables",
    )
    check.add_argument(
        "--errors", action="store_true", help="list only what is refused; notes are counted"
    )
    check.set_defaults(run=_check)


def _add_sheets(commands):
    sheets = commands.add_parser(
        "sheets",
        epilog=EPILOG,
        help="write empty sheets to fill in",
        description="Write an empty XLSX sheet for every table: headings, units, allowed "
        "values, drop-downs. With --data, sheets that already name each "
        "site's standing plots.",
    )
    sheets.add_argument("out", type=Path, metavar="OUT", help="folder for the sheets")
    sheets.add_argument("--data", metavar="DATA", help="network folder whose plots are filled in")
    sheets.add_argument("--table", metavar="NAME", help="only this table, e.g. stand_counts")
    sheets.add_argument("--site", metavar="CODE", help="only this site (with --data)")
    sheets.add_argument(
        "--season", type=_year, metavar="YEAR", help="growing season written into the sheets"
    )
    sheets.set_defaults(run=_sheets)


def _year(text):
    if not (text.isascii() and text.isdigit() and 1900 <= int(text) <= 2200):
        raise argparse.ArgumentTypeError(f"{text!r} is no year such as 2025")
    return int(text)


def _at_least_one(text):
    if not (text.isascii() and text.isdigit() and int(text) >= 1):
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 1 on")
    return int(text)


def _season(asked):
    from culmbook.batch.parameters import parse_assignment
    from culmbook.batch.progress import Bar, closing_words
    from culmbook.batch.run import Season, notebooks_folder, run_season
    from culmbook.text.files import OutputBusy

    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _interrupt)
    try:
        season = Season(
            data=asked.data,
            season=asked.season,
            out=asked.out,
            sites=tuple(asked.site),
            jobs=asked.jobs,
            notebooks=asked.notebooks or notebooks_folder(),
            fresh=asked.fresh,
            given=_unique(map(parse_assignment, asked.param)),
            cell_timeout=asked.cell_timeout,
        )
        with Bar() as bar:
            record = run_season(season, bar)
    except (ValueError, OSError) as error:
        print(f"culmbook season: {error}", file=sys.stderr)
        return EXIT_FAILED if isinstance(error, (OutputBusy, OSError)) else EXIT_USAGE
    words, all_well = closing_words(record, asked.out)
    print(words)
    return EXIT_OK if all_well else EXIT_FAILED


def _interrupt(*_):
    raise KeyboardInterrupt


def _unique(pairs):
    given = {}
    for name, value in pairs:
        if name in given:
            raise ValueError(f"--param {name} is given twice; keep one")
        given[name] = value
    return given


def _check(asked):
    from culmbook.sheets.read import check

    report, status = check(asked.data, site=asked.site, errors_only=asked.errors)
    print(report, end="", file=sys.stderr if status == EXIT_USAGE else sys.stdout)
    return status


def _sheets(asked):
    from culmbook.sheets.empty_sheets import write_sheets
    from culmbook.sheets.read import read_network

    try:
        network = read_network(asked.data) if asked.data else None
        for path in write_sheets(
            asked.out, network, table=asked.table, site=asked.site, season=asked.season
        ):
            print(path)
    except (ValueError, OSError) as error:
        print(f"culmbook sheets: {error}", file=sys.stderr)
        return EXIT_FAILED if isinstance(error, OSError) else EXIT_USAGE
    return EXIT_OK


if __name__ == "__main__":
    sys.exit(main())
