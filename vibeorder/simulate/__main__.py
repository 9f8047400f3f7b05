"""`python -m vibeorder.simulate --write FOLDER`: write the sample recordings."""

import argparse

from vibeorder.simulate.samples import write_samples


def main(arguments: list[str] | None = None) -> None:
    """Write sample_data (or the folder named) and say what was written."""
    parser = argparse.ArgumentParser(prog="python -m vibeorder.simulate", description=__doc__)
    parser.add_argument("--write", metavar="FOLDER", required=True, help="folder to write the samples into")
    write_samples(parser.parse_args(arguments).write, report=print)


if __name__ == "__main__":
    main()
