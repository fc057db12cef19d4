"""The comparison of sheds in words: what differs, as association only, and where to go first.

In:    a Comparison of ``sheds.py``, the band, the room's time zone.
Out:   text.
Never: says that something caused a shed, or that nothing did.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime, tzinfo

from controller.core.words import reason_name
from controller.journal import LAST_S, one_line
from controller.sheds import DAYS, FEWEST, Beside, Comparison, Fortnight, Shed

FIRST = "An animal that is unwell, or a shed that stays on eyes or tail tip, goes to a veterinarian first.\n"
NO_PROOF = (
    "That goes together with this shed and is no proof of a cause. The figures hang together: several that "
    "differ may be one and the same dry week."
)
WHY = "(not recorded then, or thinned out since: history.keep_minutes_days)"
WIDTH = 100
TOP = 3
"""Reasons for no mist that are shown."""


def labels(low_rh_pct: float, high_rh_pct: float) -> dict[str, str]:
    """What each figure is called, with its unit."""
    below, above = f"below {low_rh_pct:g} %RH", f"above {high_rh_pct:g} %RH"
    return {
        "day_below_h": f"hours {below} by day",
        "day_in_h": "hours in the band by day",
        "day_above_h": f"hours {above} by day",
        "night_below_h": f"hours {below} by night",
        "night_in_h": "hours in the band by night",
        "night_above_h": f"hours {above} by night",
        "mean_rh_pct": "mean humidity, %RH",
        "lowest_rh_pct": "lowest humidity, %RH",
        "dry_spell_h": f"longest time {below} on end, hours",
        "mean_temp_c": "mean temperature, °C",
        "mean_vpd_kpa": "mean vapour pressure deficit, kPa",
    }


def as_text(found: Comparison, low_rh_pct: float, high_rh_pct: float, tz: tzinfo) -> str:
    """The comparison as a paragraph and a table of at most 100 columns."""
    named = labels(low_rh_pct, high_rh_pct)
    lines = [
        f"The {DAYS} days before: {shed_words(found.shed, tz)}",
        f"(hours out of {DAYS * 24}; where minutes are missing, the known ones stand for them)",
        "",
    ]
    if not found.own.enough:
        lines += [f"  {_recorded(found.own)}: too few to tell.", ""]
    elif found.too_few:
        lines += [*_alone(found.own, named), "", *_too_few(found), ""]
    else:
        lines += [*_table(found, named), "", *_differences(found, named), ""]
    if found.own.doubtful > 0.01:
        lines += [
            f"For {100 * found.own.doubtful:.0f} % of the time the board could not tell whether its clock "
            "was right.",
            "",
        ]
    return "\n".join(part for line in lines for part in _wrapped(line)) + "\n" + FIRST


def _wrapped(line: str) -> list[str]:
    return textwrap.wrap(line, WIDTH, subsequent_indent="    " if line.startswith("  ") else "") or [""]


def shed_words(shed: Shed, tz: tzinfo) -> str:
    """As in: Juno shed whole, 2026-01-14 12:00 (note 42)."""
    when = datetime.fromtimestamp(min(max(shed.at_s, 0.0), LAST_S), tz)
    number = "" if shed.number is None else f" (note {shed.number})"
    how = "whole" if shed.whole else "in pieces"
    return f"{one_line(shed.animal)} shed {how}, {when:%Y-%m-%d %H:%M}{number}"


def _recorded(own: Fortnight) -> str:
    if own.known <= 0.0:
        return f"No minute of them is on record {WHY}"
    return f"Only {own.known * DAYS:.1f} of the {DAYS} days are on record {WHY}"


def _alone(own: Fortnight, named: dict[str, str]) -> list[str]:
    """The figures without anything to put beside them."""
    pairs = [(label, getattr(own, name)) for name, label in named.items()]
    width = max(len(label) for label, _ in pairs)
    lines = [f"  {label:<{width}} {number(value):>7}" for label, value in pairs]
    return [*lines, f"  {top_reasons(own)}"]


def top_reasons(own: Fortnight) -> str:
    if not own.off_h:
        return "nothing kept the mist off"
    longest = [f"{reason_name(code)} {hours:.1f} h" for code, hours in own.off_h[:TOP]]
    return f"no mist because of: {', '.join(longest)}"


def _too_few(found: Comparison) -> list[str]:
    count = len(found.earlier)
    said = f"{count or 'no'} earlier whole shed{'' if count == 1 else 's'} with {DAYS} days on record"
    if found.left_out:
        said += f" ({found.left_out} more with too little)"
    return [f"Too few to tell what differs: {said}; it takes {FEWEST}."]


def _table(found: Comparison, named: dict[str, str]) -> list[str]:
    """Figures that are not zero everywhere; a star where one lies outside the range."""
    shown = [each for each in found.figures if each.value or each.high or each.low]
    names = [label_of(each, named) for each in shown]
    width = max(len(name) for name in names)
    count = len(found.earlier)
    head = [
        f"  {'':<{width}} {'this':>7}   before {count} earlier whole sheds",
        f"  {'':<{width}} {'':>7}   {'median':>7} {'lowest':>7} {'highest':>7}",
    ]
    rows = [
        f"  {name:<{width}} {number(each.value):>7}{' *' if each.differs else '  '} {number(each.median):>7} "
        f"{number(each.low):>7} {number(each.high):>7}"
        for each, name in zip(shown, names, strict=True)
    ]
    return [*head, *rows, f"  {top_reasons(found.own)}"]


def label_of(each: Beside, named: dict[str, str]) -> str:
    if each.name.startswith("off:"):
        return f"hours without mist: {reason_name(each.name.removeprefix('off:'))}"
    return named[each.name]


def _differences(found: Comparison, named: dict[str, str]) -> list[str]:
    count = len(found.earlier)
    differing = [each for each in found.figures if each.differs]
    odds = f"by chance alone about {100 * found.chance:.0f} of 100 figures lie outside a range of {count}."
    if not differing:
        return [f"* Nothing lies outside the range of the {count} earlier ones. That rules no cause out."]
    lines = [f"* Outside the range of the {count} earlier ones; {odds}"]
    lines += [f"  - {words_of(each, named)}" for each in differing]
    return [*lines, NO_PROOF]


def words_of(each: Beside, named: dict[str, str]) -> str:
    """As in: hours below 60 %RH by day: more than before any earlier whole shed (41.2; 0.0 to 8.1)."""
    more, less = ("higher", "lower") if each.name.startswith(("mean", "lowest")) else ("more", "less")
    way = more if each.value > each.high else less
    span = f"{number(each.low)} to {number(each.high)}"
    return f"{label_of(each, named)}: {way} than before any earlier whole shed ({number(each.value)}; {span})"


def number(value: float | None) -> str:
    """One decimal from ten on, two below; a dash for what is not known."""
    if value is None:
        return "-"
    return f"{value:.1f}" if abs(value) >= 10.0 or value == 0.0 else f"{value:.2f}"


def overview(rows: Sequence[tuple[Shed, Fortnight]], tz: tzinfo) -> list[str]:
    """An animal's sheds, a line each, oldest first."""
    lines = [f"  {'note':>6} {'shed':<16} {'how':<9} {'days':>5} {'rec. d':>6} {'<band h':>7} "
             f"{'mean %RH':>8} {'°C':>5} {'VPD kPa':>7}"]  # fmt: skip
    last_s: float | None = None
    for shed, own in rows:
        when = datetime.fromtimestamp(min(max(shed.at_s, 0.0), LAST_S), tz)
        since = "-" if last_s is None else f"{(shed.at_s - last_s) / 86400:.0f}"
        below = number(own.day_below_h + own.night_below_h) if own.enough else "-"
        figures = [
            number(each) if own.enough else "-"
            for each in (own.mean_rh_pct, own.mean_temp_c, own.mean_vpd_kpa)
        ]
        lines.append(
            f"  {shed.number or '':>6} {when:%Y-%m-%d %H:%M} {'whole' if shed.whole else 'in pieces':<9} "
            f"{since:>5} {own.known * DAYS:>6.1f} {below:>7} {figures[0]:>8} {figures[1]:>5} {figures[2]:>7}"
        )
        last_s = shed.at_s
    return lines
