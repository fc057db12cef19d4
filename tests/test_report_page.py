"""The page of a report: whole by itself, legible, and nothing that a person wrote is more than text."""

from __future__ import annotations

import re
import tracemalloc
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from itertools import product
from pathlib import Path

import pytest

from controller.core.records import Answer, Instant, Message, Request, SurfaceHour
from controller.history import HistoryReader, SqliteHistory, read, store
from controller.ports import Sample
from controller.reporting import charts, page, plain, text
from controller.reporting.charts import Area, Band, Bar, Chart, Line, Point, draw, scale
from controller.reporting.gather import Asked, Report, Span, gather, piece_s
from controller.reporting.plots import plots
from controller.reporting.shown import Look
from controller.reporting.spells import Run
from controller.reporting.style import AREAS, DARK, LETTERS, LIGHT, LINES, MEANING, css

FIRST = date(2026, 3, 1)
FIRST_S = datetime(2026, 3, 1, tzinfo=UTC).timestamp()
EVIL = "<script>alert(1)</script>\u202e\x1b[31m'\"&"
NOW = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)


def at(since_s: float) -> Instant:
    return Instant(since_s, datetime.fromtimestamp(FIRST_S + since_s, UTC), True)


def record(days: float = 8.0, every_min: int = 1, evil: str = EVIL) -> SqliteHistory:
    history = SqliteHistory.in_memory()
    with history.together():
        for n in range(1, int(days * 1440) + 1, every_min):
            on = n % 60 < 20
            rh_pct = None if n % 997 == 0 else 55.0 + n % 30
            history.sample(
                Sample(
                    *(FIRST_S + 60.0 * n, n > 30, rh_pct, 23.0 + n % 20 / 10, None, None, None, None, 65.0),
                    *(480 <= n % 1440 < 1200, 60.0 if on else 0.0, 3.0, 5.0, "" if on else "enough"),
                )
            )
            if n % 60 in (0, 20):
                history.switched(at(60.0 * n), n % 60 == 0, "demand" if n % 60 == 0 else "enough")
            if n % 60 == 0:
                history.surface(
                    at(60.0 * n), SurfaceHour(16.0 + n % 7, 70.0 + n % 9, n % 2 == 0, None, 0.001 * n / 60)
                )
        for kind, more in (
            ("refilled", {}),
            ("shed", {"animal": evil, "outcome": "whole"}),
            ("shed", {"animal": evil, "outcome": "pieces"}),
            ("remark", {"remark": evil}),
            ("acknowledge", {}),
        ):
            history.note(at(86400.0), Answer(Request(kind, by=evil, id=kind, **more), True, "noted"))
        history.message(at(90000.0), "alarm", Message("no_mist", at(80000.0).wall), True)
        history.message(at(95000.0), "alarm", Message("no_mist", at(80000.0).wall), False)
        history.message(at(96000.0), "alarm", Message("record_broken", at(96000.0).wall, detail=evil), True)
        history.message(at(97000.0), "notice", Message("a_code_of_later", at(97000.0).wall), True)
    return history


def asked(span: Span, **more: object) -> Asked:
    wanted = Asked("larch", span, UTC, (60.0, 78.0), 0.4, 100_000, True)
    return wanted._replace(**more)


@pytest.fixture(scope="module")
def week() -> Report:
    return gather(record().reader(), asked(Span(FIRST, FIRST + timedelta(days=6))))


@pytest.fixture(scope="module")
def html(week: Report) -> str:
    return page.as_html(week, Look(), NOW)


class Reading(HTMLParser):
    """Checks that what is opened is closed, and collects tags and attributes."""

    VOID = ("meta", "br", "line", "rect", "polyline", "polygon", "link", "img")

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_it_needs_nothing_else(html: str) -> None:
    """No script, no network: nothing is loaded, and the policy would not let it."""
    found = Reading(html)
    assert not {"script", "link", "img", "iframe", "object", "embed", "base", "form", "foreignobject"} & set(
        found.tags
    )
    assert [
        value for _, name, value in found.attributes if name in ("src", "xlink:href", "action", "srcset")
    ] == []
    assert {value[:1] for _, name, value in found.attributes if name == "href"} == {"#"}
    assert not [name for _, name, _ in found.attributes if name.startswith("on")]
    assert not re.search(r"https?:|url\(|@import|@font-face", html)
    policy = [
        value for tag, name, value in found.attributes if tag == "meta" and value.startswith("default-src")
    ]
    assert policy == [page.POLICY]
    assert "default-src 'none'" in page.POLICY
    assert "script-src" not in page.POLICY


def test_it_fits_a_phone_and_paper(html: str) -> None:
    assert '<meta name="viewport" content="width=device-width, initial-scale=1">' in html
    assert "@media print" in html
    assert "break-inside:avoid" in html
    assert html.count('<div class="wide"') == html.count("<table")  # a wide table scrolls by itself
    assert "prefers-color-scheme:dark" in html


def test_each_drawing_says_what_it_shows(html: str) -> None:
    found = Reading(html)
    identities = [value for _, name, value in found.attributes if name == "id"]
    assert len(identities) == len(set(identities))
    named = [value.split() for tag, name, value in found.attributes if name == "aria-labelledby"]
    assert len(named) == 7  # band, humidity, air, run, water, surface, mould
    assert all(set(pair) <= set(identities) for pair in named)
    assert found.tags.count("desc") == 7
    targets = [value[1:] for _, name, value in found.attributes if name == "href"]
    assert set(targets) <= set(identities)
    assert html.count("<html lang=") == 1


def test_what_people_wrote_is_only_text(html: str, week: Report) -> None:
    assert "alert(1)" in "".join(Reading(html).words)
    assert "<script" not in html
    for written in (html, text.as_text(week, Look())):
        assert "\x1b" not in written
        assert "\u202e" not in written


def test_the_page_says_the_figures(week: Report, html: str) -> None:
    total = week.total
    assert total is not None
    assert f"{total.run_h:.1f} h" in html
    assert f"about {total.used_l:.2f} L of water" in html
    assert "<h1>1 to 7 March 2026</h1>" in html
    assert "Made by hygrohold on 2026-03-09 at 12:00; times are those of UTC." in html
    assert "For a part of the time the board could not tell whether its clock was right." in html
    assert "Alarms: 2." in html


def test_every_time_in_a_page_of_several_days_has_its_date(week: Report, html: str) -> None:
    look = Look(near=week.asked.span.last)
    last = datetime(2026, 3, 7, 9, 30)  # noqa: DTZ001
    assert look.when(last) == "7 Mar 09:30"
    assert look._replace(one_day=True).when(last) == "09:30"
    assert look._replace(one_day=True).when(last - timedelta(days=1)) == "6 Mar 09:30"
    listed = html[html.index("Each run") :]
    assert not re.search(r"<t[dh][^>]*>\d\d:\d\d<", listed)


def test_a_short_dry_time_is_said_in_minutes(week: Report) -> None:
    assert week.dry is not None
    short = week._replace(dry=week.dry._replace(minutes=2))
    assert "The longest time below it on end was 2 min" in page.as_html(short, Look(), NOW)


def test_without_the_library_there_are_tables_and_a_hint(
    week: Report, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(charts, "find_spec", lambda name: None)
    html = page.as_html(week, Look(), NOW)
    assert "<svg" not in html
    assert "<table" in html
    assert charts.MISSING in html.replace("&#x27;", "'")
    Reading(html)


def test_nothing_recorded() -> None:
    empty = gather(SqliteHistory.in_memory().reader(), asked(Span(FIRST, FIRST)))
    html = page.as_html(empty, Look(), NOW)
    assert "Nothing was recorded in that time." in html
    assert "<svg" not in html
    Reading(html)
    assert "No minute is recorded in that time." in text.as_text(empty, Look())
    assert '"days": []' in plain.as_json(empty)


@pytest.mark.parametrize(
    ("span", "title"),
    [
        (Span(date(2026, 1, 14), date(2026, 1, 14)), "Wednesday 14 January 2026"),
        (Span(date(2026, 1, 12), date(2026, 1, 18)), "12 to 18 January 2026"),
        (Span(date(2026, 2, 1), date(2026, 2, 28)), "February 2026"),
        (Span(date(2026, 1, 26), date(2026, 2, 1)), "26 January to 1 February 2026"),
        (Span(date(2025, 12, 29), date(2026, 1, 4)), "29 December 2025 to 4 January 2026"),
        (Span(date(2026, 1, 1), date(2026, 12, 31), True), "2026"),
    ],
)
def test_titles(span: Span, title: str) -> None:
    assert page.title_of(span) == title


@pytest.mark.parametrize("days", [1, 2, 7, 30, 90, 366, 800, 3000, 36600])
def test_a_span_of_any_length_is_drawn_with_few_words_below(days: int) -> None:
    span = Span(FIRST - timedelta(days=days // 2), FIRST + timedelta(days=(days - 1) // 2), days > 300)
    report = gather(record(3.0, every_min=5).reader(), asked(span))
    html = page.as_html(report, Look("us", days > 300), NOW)
    Reading(html)
    drawn = plots(report, Look())
    assert drawn
    for plot in drawn.values():
        assert 1 <= len(plot.chart.ticks) <= 16
        assert all(0.0 <= share < 1.0 for share, _ in plot.chart.ticks)
    assert days * 86400.0 / piece_s(days) <= 1500 or days > 366
    assert len(html) < 400_000


def test_a_longer_span_takes_no_more_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Days are summed up while they go by; what stays is a day's sums and its switchings."""
    monkeypatch.setattr(read, "_ROWS_AT_ONCE", 50)
    monkeypatch.setattr(store, "SAMPLES_PER_BATCH", 1000)
    history = SqliteHistory.open(tmp_path / "history.sqlite")
    for n in range(1, 6 * 1440):
        on = (
            *(FIRST_S + 60.0 * n, True, 60.0, 24.0, None, None, None, None, 65.0),
            True,
            0.0,
            None,
            None,
            "enough",
        )
        history.sample(Sample(*on))
    history.close()

    def peak_bytes(days: int) -> int:
        tracemalloc.start()
        gather(
            HistoryReader(tmp_path / "history.sqlite"), asked(Span(FIRST, FIRST + timedelta(days=days - 1)))
        )
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    peak_bytes(1)
    # 5 days are 7200 minutes: as rows they would be more than two million bytes.
    assert peak_bytes(6) < peak_bytes(1) + 300_000


def test_thinned_days_are_drawn_by_their_means() -> None:
    week = gather(record(2.0, every_min=10).reader(), asked(Span(FIRST, FIRST + timedelta(days=6))))
    gone = week._replace(stretches=[], thinned=tuple(day.date for day in week.days))
    drawn = plots(gone, Look())
    (line,) = [
        part for part in drawn["humidity"].chart.parts if isinstance(part, Line) and part.style == "rh"
    ]
    assert [point.value for point in line.points] == [day.mean_rh_pct for day in week.days]
    assert "Not known for" in page.as_html(gone, Look(), NOW)
    unknown = gone._replace(days=[day._replace(mean_rh_pct=None) for day in gone.days])
    assert "humidity" not in plots(unknown, Look())


def test_a_day_shows_in_which_hours_it_ran() -> None:
    """Of each hour the first 20 minutes."""
    day = gather(record(1.0).reader(), asked(Span(FIRST, FIRST)))
    drawn = plots(day, Look())
    assert set(drawn) == {"humidity", "air", "running", "surface", "mould"}
    bars = [part for part in drawn["running"].chart.parts if isinstance(part, Bar)]
    assert len(bars) == 23  # the first minute of the record is within a run already
    assert {value for bar in bars for value, _ in bar.parts} == {20.0}
    assert (bars[0].from_, bars[-1].to) == pytest.approx((1.1 / 24, 23.9 / 24))
    never = day._replace(runs=[run._replace(to_s=None) for run in day.runs or ()])
    assert "running" not in plots(never, Look())


def test_a_run_over_an_hour_s_end_is_shared_out() -> None:
    day = gather(record(1.0).reader(), asked(Span(FIRST, FIRST)))
    run = Run(FIRST_S + 3000.0, FIRST_S + 7500.0, "demand", "enough")
    bars = plots(day._replace(runs=[run]), Look())["running"].chart.parts
    assert [value for bar in bars if isinstance(bar, Bar) for value, _ in bar.parts] == [10.0, 60.0, 5.0]


def test_a_line_never_bridges_a_hole() -> None:
    points = [Point(0.0, 1.0), Point(0.1, 2.0), Point(0.5, 3.0), Point(0.6, 4.0), Point(0.9, 5.0)]
    svg = draw(Chart("x", "", "", (), [Line(points, "rh", 0.15), Area(points, points, "spread", 0.15)]))
    assert svg.count("<polyline") == 3
    assert svg.count("<polygon") == 3


def test_a_level_that_stands_still_is_two_points() -> None:
    points = [Point(n / 100, 60.0 if n < 50 else 65.0) for n in range(100)]
    svg = draw(Chart("x", "", "", (), [Line(points, "target", 0.5, steps=True)]))
    (drawn,) = re.findall(r'<polyline[^>]*points="([^"]*)"', svg)
    assert len(drawn.split()) == 2 * 4


def test_bars_stand_on_each_other() -> None:
    svg = draw(
        Chart("x", "", "", (), [Bar(0.0, 0.5, [(6.0, "below"), (0.0, "within"), (18.0, "above")])], unit="h")
    )
    tops = [
        (float(y), float(height))
        for y, height in re.findall(r'<rect[^>]* y="([\d.]+)"[^>]* height="([\d.]+)"', svg)
    ]
    assert len(tops) == 2
    assert tops[1][0] + tops[1][1] == pytest.approx(tops[0][0])
    assert tops[1][1] == pytest.approx(3 * tops[0][1], abs=0.2)


@pytest.mark.parametrize(
    ("values", "hours", "ends"),
    [
        ([0.0, 24.0], True, (0.0, 24.0)),
        ([40.0, 73.0], False, (40.0, 80.0)),
        ([0.0, 0.0], False, (0.0, 1.0)),
        ([], False, (0.0, 1.0)),
        ([-7.3, 31.0], False, (-10.0, 40.0)),
        ([0.0, 0.013], False, (0.0, 0.015)),
    ],
)
def test_scales_end_at_round_figures(values: list[float], hours: bool, ends: tuple[float, float]) -> None:
    low, high, ticks = scale(values, hours)
    assert (low, high) == pytest.approx(ends)
    assert ticks[0] == low
    assert ticks[-1] == high
    assert 3 <= len(ticks) <= 7
    assert all(low <= value <= high for value in values)


def luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (
        each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_reckoned_right() -> None:
    """WCAG 2.2: black on white is 21 to 1, a colour on itself 1 to 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == 1.0


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_letters_and_lines_can_be_read(colours: dict[str, str]) -> None:
    grounds = [colours["paper"]]
    for name, ground in product(LETTERS, grounds):
        assert contrast(colours[name], ground) >= 4.5, name
    for name, ground in product(MEANING, grounds):
        assert contrast(colours[name], ground) >= 3.0, name
    for name in ("rh", "target"):  # they lie upon the band
        assert contrast(colours[name], colours["band"]) >= 3.0, name
    assert set(LIGHT) == set(DARK)


def test_every_style_has_a_colour() -> None:
    assert {*LINES, *AREAS} <= set(LIGHT)
    assert all(f"--{name}:" in css() for name in LIGHT)


def test_the_edges_of_a_band() -> None:
    svg = draw(
        Chart("x", "", "", (), [Band(60.0, 80.0, "band"), Line([Point(0.5, 40.0)], "rh", 0.1)], unit="%RH")
    )
    assert re.search(r'<rect class="band" x="0" y="0.0" width="1000" height="80.0"', svg)
    assert "%RH</text>" in svg
