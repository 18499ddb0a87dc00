"""Command line: ``python -m make_demo DIR [--seed N]``."""

import argparse
from pathlib import Path

from make_demo.files import write_network
from make_demo.network import make_tables
from make_demo.scenario import DEMO_SEED


def main(arguments=None):
    parser = argparse.ArgumentParser(
        prog="python -m make_demo", description="Write the invented demo network."
    )
    parser.add_argument("folder", type=Path, help="folder to write into")
    parser.add_argument(
        "--seed", type=int, default=DEMO_SEED, help="seed of the network (default: %(default)s)"
    )
    chosen = parser.parse_args(arguments)
    write_network(make_tables(chosen.seed), chosen.folder)


if __name__ == "__main__":
    main()
