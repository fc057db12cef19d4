"""The day figures of samples, for tests that make a few by hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, tzinfo

from controller.ports import Sample
from controller.reporting.figures import DayFigures, NoteRow, SwitchingRow, figures_of
from controller.tally import Days, Tally, row_of


def day_figures(
    samples: Iterable[Sample],
    switchings: Iterable[SwitchingRow],
    notes: Iterable[NoteRow],
    band_low_rh_pct: float,
    band_high_rh_pct: float,
    tz: tzinfo,
    output_l_per_h: float | None = None,
    thinned: Mapping[date, Tally] | None = None,
) -> list[DayFigures]:
    """``figures_of`` the samples, taken one at a time. ``thinned``: days begun by minutes that are gone."""
    days = Days(tz, thinned)
    for row in samples:
        days.add_rows((row_of(row),))
    return figures_of(days, switchings, notes, (band_low_rh_pct, band_high_rh_pct), tz, output_l_per_h)
