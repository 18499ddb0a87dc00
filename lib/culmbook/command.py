"""The ``culmbook`` command. Only what a subcommand needs is imported, so that ``--help`` answers
at once.
"""

import argparse
import ast
import os
import signal
import sys
from contextlib import closing
from datetime import date
from pathlib import Path

LIBRARY = Path(__file__).parent
EXIT_OK, EXIT_FAILED, EXIT_USAGE, EXIT_INTERRUPTED = 0, 1, 2, 130
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
    try:
        for name in ("SIGTERM", "SIGHUP"):  # before anything that takes time
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), _interrupt)
        asked = _parser().parse_args(arguments)
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                # a console that lacks a character shows its code
                stream.reconfigure(errors="backslashreplace")
        status = asked.run(asked)
        sys.stdout.flush()  # a reader that has gone is met here, not when the process ends
        return status
    except BrokenPipeError:
        # the reader has gone; nothing to flush to
        sys.stdout = open(os.devnull, "w", encoding="utf-8")
        return EXIT_FAILED
    except KeyboardInterrupt:
        said = "Finished results are kept; the same command goes on from there."
        print(f"\nInterrupted. {said}", file=sys.stderr)
        return EXIT_INTERRUPTED


def _parser():
    about = "Reports from trials of seed-raised hybrids of a perennial biomass grass."
    parser = argparse.ArgumentParser(prog="culmbook", description=about, epilog=EPILOG)
    parser.add_argument("--version", action=_Version)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for name, (run, arguments) in _COMMANDS.items():
        said, _, more = run.__doc__.partition(".\n\n")  # first line and description
        said, more = said[0].lower() + said[1:], " ".join(more.split())
        command = commands.add_parser(name, epilog=EPILOG, help=said, description=more)
        for flag, options in arguments.items():
            command.add_argument(flag, **options)
        command.set_defaults(run=run)
    return parser


class _Version(argparse.Action):
    def __init__(self, option_strings, dest):
        super().__init__(option_strings, dest, nargs=0, help="show the version and exit")

    def __call__(self, parser, *_):
        from culmbook import __version__

        print(f"culmbook {__version__}")
        parser.exit()


def _year(text):
    if not (text.isascii() and text.isdigit() and 1900 <= int(text) <= 2200):
        raise argparse.ArgumentTypeError(f"{text!r} is no year such as 2025")
    return int(text)


def _day(text):
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day such as 2025-10-07") from None


def _at_least_one(text):
    if not (text.isascii() and text.isdigit() and int(text) >= 1):
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 1 on")
    return int(text)


def _season(asked):
    """Run every notebook for every site and make the reports.

    Run the season's notebooks for every site and for the network, then make a PDF, a workbook and
    CSV tables for each, and an index page. What has not changed since the last run is kept.
    """
    from culmbook.batch.index import Progress, closing_words
    from culmbook.batch.parameters import parse_assignment
    from culmbook.batch.season import Season, notebooks_folder, run_season
    from culmbook.text.files import OutputBusy

    try:
        season = Season(
            data=asked.data,
            season=asked.season,
            out=asked.out,
            notebooks=asked.notebooks or notebooks_folder(),
            sites=tuple(asked.site),
            given=_unique(map(parse_assignment, asked.param)),
            jobs=asked.jobs,
            fresh=asked.fresh,
            cell_timeout=asked.cell_timeout,
        )
        with closing(Progress(sys.stderr)) as progress:
            record = run_season(season, progress)
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
    """List everything that is wrong in a network's sheets.

    Read all tables and list every problem with file, row, column, value, rule and how to fix
    it.
    """
    from culmbook.sheets.check import check

    how = {"site": asked.site, "errors_only": asked.errors, "as_json": asked.json}
    report, status = check(asked.data, **how)
    print(report, end="", file=sys.stderr if status == EXIT_USAGE else sys.stdout)
    return status


def _sheets(asked):
    """Write empty sheets to fill in.

    Write an empty XLSX sheet for every table: headings, units, allowed values, drop-downs. With
    --data, sheets that already name each site's standing plots.
    """
    from culmbook.sheets.empty_sheets import write_sheets
    from culmbook.sheets.read import read_network

    try:
        network = read_network(asked.data) if asked.data else None
        names = ("table", "site", "season", "occasion", "date")
        asked_for = {name: getattr(asked, name) for name in names}
        for path in write_sheets(asked.out, network, **asked_for):
            print(path)
    except (ValueError, OSError) as error:
        print(f"culmbook sheets: {error}", file=sys.stderr)
        return EXIT_FAILED if isinstance(error, OSError) else EXIT_USAGE
    lost = network.problems.query("table == 'plots' and severity != 'note'") if network else ()
    if len(lost):
        said = f"not on the sheets: what was refused of {', '.join(sorted(set(lost['file'])))}"
        print(f"culmbook sheets: {said}; see culmbook check {asked.data}", file=sys.stderr)
    return EXIT_FAILED if len(lost) else EXIT_OK


def _headings(asked):
    """Propose a headings.toml for sheets with headings of their own.

    Print what the headings of a network's sheets likely mean, by their words and by the cells below
    them, to be read line by line. Nothing is applied; --write keeps it as headings.toml where there
    is none yet.
    """
    from culmbook.sheets.headings import FILE
    from culmbook.sheets.proposals import propose

    try:
        said = propose(asked.data)
        if said and asked.write:
            with open(asked.data / FILE, "x", encoding="utf-8") as file:
                file.write(said)
    except OSError as error:
        print(f"culmbook headings: {error}", file=sys.stderr)
        return EXIT_FAILED if asked.data.is_dir() else EXIT_USAGE
    print(said or "No sheet has headings of its own.")
    if said:
        read = f"Next: read {asked.data / FILE}, then culmbook check {asked.data}"
        print(read if asked.write else "Nothing is written; --write keeps it.")
    return EXIT_OK


def _functions(asked):
    """List the library's public functions.

    Print every public function and class of the library by room, each with its first line.
    """
    try:
        for module, name, said in public_functions(asked.room):
            print(f"{module}.{name}\n    {said}")
    except ValueError as error:
        print(f"culmbook functions: {error}", file=sys.stderr)
        return EXIT_USAGE
    return EXIT_OK


def public_functions(room: str = "") -> list[tuple[str, str, str]]:
    """List public functions and classes with the summary of what they do.

    Parameters
    ----------
    room : str
        One room (``"stand"``); blank lists all.

    Returns
    -------
    list of tuple of str
        Module, name with arguments, summary; in the order of rooms, modules and lines.

    Raises
    ------
    ValueError
        For a room that is not there.

    Examples
    --------
    >>> [module for module, name, said in public_functions("text") if name == "Refusal"]
    ['text.refusal']
    """
    rooms = sorted(path.name for path in LIBRARY.iterdir() if (path / "__init__.py").is_file())
    if room and room not in rooms:
        raise ValueError(f"no room {room!r}; there are {', '.join(rooms)}")
    found = []
    for path in sorted(LIBRARY.glob(f"{room or '*'}/*.py")):
        module = f"{path.parent.name}.{path.stem}"
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and node.name[0] != "_":
                arguments = f"({ast.unparse(node.args)})" if hasattr(node, "args") else ""
                said = (ast.get_docstring(node) or "").partition("\n\n")[0].replace("\n", " ")
                found.append((module, node.name + arguments, said))
    return found


def _option(said, metavar=None, kind=str, **more):
    return {"help": said, "metavar": metavar, "type": kind, **more}


def _number(said, metavar, default):
    return _option(said, metavar, _at_least_one, default=default or 1)


def _flag(said):
    return {"help": said, "action": "store_true"}


def _list(said, metavar):
    return _option(said, metavar, action="append", default=[])


_FOLDER = _option("network folder (holds sites.csv)", "DATA")
_SEASON = {
    "data": _FOLDER,
    "--season": _option("growing season, e.g. 2025", "YEAR", _year, required=True),
    "--out": _option("where the results go", "DIR", Path, required=True),
    "--site": _list(
        "only this site, or 'network' for the report over all sites; may be repeated", "CODE"
    ),
    "--jobs": _number("notebooks run at a time (default: one per processor)", "N", os.cpu_count()),
    "--fresh": _flag("compute everything anew, changed or not"),
    "--notebooks": _option("folder of the notebooks (default: those of culmbook)", "DIR", Path),
    "--param": _list(
        "a notebook parameter as a Python literal, text in quotes; may be repeated", "NAME=VALUE"
    ),
    "--cell-timeout": _number(
        "longest time for one cell (default: 1800, for a slow and busy machine); three times that "
        "for a notebook",
        "SECONDS",
        1800,
    ),
}
_CHECK = {
    "data": _FOLDER,
    "--site": _option("only this site and the whole network's tables", "CODE", default="all"),
    "--errors": _flag("list only what is refused; notes are counted"),
    "--json": _flag("print files, problems and sites as JSON for other programs"),
}
_SHEETS = {
    "out": _option("folder for the sheets", "OUT", Path),
    "--data": _option("network folder whose plots are filled in", "DATA"),
    "--table": _option("only this table, e.g. stand_counts", "NAME"),
    "--site": _option("only this site (with --data)", "CODE"),
    "--season": _option("growing season written into the sheets", "YEAR", _year),
    "--occasion": _option("occasion of the stand count, written into the sheet", "WORD"),
    "--date": _option("day of the walk, written into the sheets", "YYYY-MM-DD", _day),
}
_HEADINGS = {
    "data": {**_FOLDER, "type": Path},
    "--write": _flag("write it into the folder, never over one that is there"),
}
_FUNCTIONS = {"room": _option("only one room, e.g. stand", "ROOM", nargs="?", default="")}
_COMMANDS = {
    "season": (_season, _SEASON),
    "check": (_check, _CHECK),
    "sheets": (_sheets, _SHEETS),
    "headings": (_headings, _HEADINGS),
    "functions": (_functions, _FUNCTIONS),
}


if __name__ == "__main__":
    sys.exit(main())
