"""`python -m benchd.app.sheet.page FILE` sets the sheet that stands on standard input as JSON; never in the daemon."""

import json
import sys
from pathlib import Path

from benchd.records.durable import write_whole
from benchd.report.setup_sheet import render_setup_sheet


def main() -> None:
    """One sheet into one file, wholly or not at all."""
    write_whole(Path(sys.argv[1]), render_setup_sheet(json.loads(sys.stdin.buffer.read())))


if __name__ == "__main__":
    main()
