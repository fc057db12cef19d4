"""Every file that the program reads, damaged by dice: a clear error or "no reading", never a traceback.

``TARGETS``: name -> a function of dice and an empty folder, that raises whatever must not be raised. A test
runs some of each, tests/long/fuzz.py ten thousand.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

from tests.crash import targets_given as given
from tests.crash import targets_kept as kept

TARGETS: dict[str, Callable[[random.Random, Path], None]] = {
    function.__name__: function
    for function in (
        given.settings_file,
        given.scenario_file,
        given.weather_file,
        given.replay_file,
        given.probe_texts,
        kept.request_file,
        kept.answer_file,
        kept.kept_state,
        kept.commissioning_record,
        kept.line_file,
        kept.status_file,
        kept.record_file,
    )
}
