"""`python -m vibeorder.simulate --write FOLDER`: the sample recordings, or one sample's drive after its repair."""

import argparse

from vibeorder.errors import RecordingError
from vibeorder.simulate.samples import write_repaired, write_samples


def main(arguments: list[str] | None = None) -> None:
    """Write sample_data (or the folder named) and say what was written."""
    parser = argparse.ArgumentParser(prog="python -m vibeorder.simulate", description=__doc__)
    parser.add_argument("--write", metavar="FOLDER", required=True, help="folder to write the samples into")
    parser.add_argument("--repaired", metavar="NAME", help="write only this sample's drive after its repair")
    given = parser.parse_args(arguments)
    if given.repaired is None:
        write_samples(given.write, report=print)
        return
    try:
        print(write_repaired(given.repaired, given.write))
    except RecordingError as error:
        parser.error(str(error))


if __name__ == "__main__":
    main()
