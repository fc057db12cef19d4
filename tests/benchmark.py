"""Figures, not tests: how fast, how big. Prints a table; nothing here can fail.

python tests/benchmark.py            all, about ten minutes
python tests/benchmark.py core year  only these
python tests/benchmark.py broker     two hundred rooms at one broker, about four minutes of these
"""

from __future__ import annotations

import os
import platform
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.benchmarks import board, brokers, keepers_page, rehearsals, reports, trouble
from tests.benchmarks.paper import line

PARTS = {
    part.__name__: part
    for part in (
        rehearsals.core,
        rehearsals.core_foresight,
        rehearsals.growth,
        rehearsals.fortnight,
        rehearsals.year,
        rehearsals.shares,
        board.commands,
        board.relay_off,
        board.daemon,
        board.disk,
        reports.report_year,
        keepers_page.page,
        trouble.stall,
        trouble.hang,
        trouble.soak,
        brokers.broker,
    )
}


def main(names: list[str]) -> None:
    line("machine", f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    line("load before", f"{os.getloadavg()[0]:.1f}")
    for name in names or PARTS:
        PARTS[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
