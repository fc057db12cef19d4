"""What a keeper reads about a mistake."""

from __future__ import annotations

import pytest
from annotated_types import Ge, Le

from controller.settings.words import Kind, allowed


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "[target]\nday_rh_pct = 180",
            "room.toml:3: target.day_rh_pct: found 180; allowed: a number from 0 to 100 "
            "(% relative humidity). Held by day.",
        ),
        (
            "[target]\nrun_s_max = 5",
            "room.toml:3: target.run_s_max: found 5; allowed: a whole number from 10 to 3600 (seconds).",
        ),
        (
            "[[probe]]\nkind = 'hwmom'",
            'room.toml:3: probe #1.kind: found "hwmom"; allowed: one of hwmon, iio, replay. Did you mean',
        ),
        (
            "target.day_from = '7.30'",
            'room.toml:2: target.day_from: found "7.30"; allowed: a time of day like "07:30". '
            "When the day begins.",
        ),
        ("active = 1", "room.toml:2: active: found 1; allowed: true or false. False holds the relay off."),
        ("active = 'true'", 'room.toml:2: active: found "true"; allowed: true or false. Write it without'),
        (
            "target = { lag_s = 60 }",
            "room.toml:2: target.lag_s: found 60; allowed: a number above 0 and below 60 (seconds).",
        ),
        (  # a number or a word: both are named, once
            "[target]\nceiling_rh_pct = 'nome'",
            'room.toml:3: target.ceiling_rh_pct: found "nome"; allowed: only none, or a number from 0 to 100 '
            "(% relative humidity). Did you mean none?",
        ),
        ("[keys]", "room.toml:2: keys.pin: missing; allowed: a whole number from 0 to 27. GPIO number."),
        ("[keys]\npin = 4\nlabel = '?'", 'room.toml:4: keys.label: found "?"; letters only.'),
        (
            "[[probe]]\nbus = '123456789'",
            'room.toml:3: probe #1.bus: found "123456789"; allowed: text in quotes, at',
        ),
        (
            "[[probe]]\nbus = 44",
            "room.toml:3: probe #1.bus: found 44; allowed: text in quotes, at most 8 characters",
        ),
        (
            "probe = []",
            "room.toml:2: probe: found an empty list; allowed: 1 to 2 tables, each under its own [[probe]]",
        ),
        (
            "[probe]\nkind = 'iio'",
            "room.toml:2: probe: found a table; allowed: 1 to 2 tables, each under its own [[",
        ),
        (
            "[[target]]",
            "room.toml:2: target: found a list of 1; allowed: a table of settings (day_rh_pct, night",
        ),
        ("target = 5", "room.toml:2: target: found 5; allowed: a table of settings (day_rh_pct, "),
    ],
)
def test_one_mistake_one_paragraph(refused, text, said):
    (line,) = refused(text)
    assert line.startswith(said)


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ("nan", "found nan;"),
        ("inf", "found inf (no end"),
        ("-inf", "found -inf (no end"),
        ("1e999", "found inf (no end, or too large for a number);"),
        ("true", "found true; allowed: a number from 0 to 100"),
        (
            '"50"',
            'found "50"; allowed: a number from 0 to 100 (% relative humidity). Write it without the quotes.',
        ),
        (
            '"50,5"',
            'found "50,5"; allowed: a number from 0 to 100 (% relative humidity). The decimal sign is a',
        ),
        ('"fifty"', 'found "fifty"; allowed: a number from 0 to 100 (% relative humidity). Held'),
        ("[50]", "found a list of 1;"),
        ("{ a = 1 }", "found a table;"),
        ("07:30:00", "found 07:30:00;"),
        ("0x" + "f" * 300, "found a very long number;"),
    ],
)
def test_what_is_not_a_number(refused, value, found):
    (line,) = refused(f"[target]\nday_rh_pct = {value}\n")
    assert line.startswith(f"room.toml:3: target.day_rh_pct: {found}")


@pytest.mark.parametrize(
    ("value", "hint"),
    [
        ("730", 'A time needs quotes and a colon: "07:30".'),  # the library would read 730 s after midnight
        ("7.5", 'A time needs quotes and a colon: "07:30".'),
        ('"07:30Z"', "Leave the time zone out"),
        ('"07:30+02:00"', "Leave the time zone out"),
        ("true", ""),
        ("2024-03-01T07:30:00", ""),
        ('"24:30"', ""),
    ],
)
def test_what_is_not_a_time_of_day(refused, value, hint):
    (line,) = refused(f"[target]\nday_from = {value}\n")
    assert 'allowed: a time of day like "07:30".' in line
    assert hint in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[target]\nday_rh = 5", "room.toml:3: target.day_rh: no such setting; did you mean day_rh_pct?"),
        (
            "[target]\nDay-RH-pct = 5",
            "room.toml:3: target.Day-RH-pct: no such setting; did you mean day_rh_pct?",
        ),
        (
            "[[probe]]\n[[probe]]\nzzz = 1",
            "room.toml:4: probe #2.zzz: no such setting; known here: kind, bus.",
        ),
        ("[Target]\nday_rh_pct = 5", "room.toml:2: Target: no such setting; did you mean target?"),
        (
            "[loop]\nday_rh_pct = 5",
            "room.toml:3: loop.day_rh_pct: no such setting here; day_rh_pct belongs in [target].",
        ),
        (
            "[loop]\nactive = true",
            "room.toml:3: loop.active: no such setting here; active belongs at the top of the",
        ),
        ("tick_s = 4", "room.toml:2: tick_s: no such setting here; tick_s belongs in [loop]."),
        (
            '"a\\nb" = 4',
            "room.toml:2: a\\nb: no such setting; known here: active, target, probe, keys, loop.",
        ),
        (
            "loop.tick_s.x = 4",
            "room.toml:2: loop.tick_s: found a table; allowed: a number from 1 to 300 (seconds).",
        ),
        (
            "[loop]\nsettings_version = 1",
            "room.toml:3: loop.settings_version: no such setting here; settings_version belongs at the top",
        ),
    ],
)
def test_unknown_keys_name_the_nearest_known_one(refused, text, said):
    (line,) = refused(text)
    assert line.startswith(said)


def test_every_mistake_is_named_in_the_order_of_lines_and_the_environment_last(refused):
    text = "[[probe]]\nkin = 1\n[loop]\ntick_s = 0\n[target]\nday_rh_pct = 180\nnight_rh_pct = 'x'\nrun = 1\n"
    lines = refused(text, HYGROHOLD_ACTIVE="maybe", HYGROHOLD_TYPO="1")
    assert [line.split(": ")[0] for line in lines] == [
        "room.toml:3", "room.toml:5", "room.toml:7", "room.toml:8", "room.toml:9",
        "HYGROHOLD_ACTIVE (environment)", "HYGROHOLD_TYPO (environment)",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("day_rh_pct", "% relative humidity"),
        ("jump_rh_pct_per_min", "% relative humidity per minute"),
        ("output_l_per_h", "litres per hour"),
        ("heat_loss_w_per_k", "watts per K"),
        ("air_changes_per_h", "per hour"),
        ("longest_run_minutes", "minutes"),
        ("highest_temp_c", "°C"),
        ("volume_m3", "cubic metres"),
        ("duty_pct", "%"),
        ("run_s_max", "seconds"),
        ("good_samples", ""),
    ],
)
def test_the_unit_is_read_off_the_name(name, unit):
    bounds = [Ge(0), Le(9)]
    expected = "a number from 0 to 9" + (f" ({unit})" if unit else "")
    assert allowed([Kind(float, tuple(bounds))], name) == expected


class TestChecksBesideTheModels:
    def test_keys_are_listed_with_values_and_lines(self, refused):
        (line,) = refused("[target]\nnight_rh_pct = 55\n\nday_rh_pct = 65\n")
        assert line == (
            "room.toml:2: target: the day is damper than the night. "
            "See target.day_rh_pct = 65 (line 5), target.night_rh_pct = 55 (line 3)."
        )

    def test_a_key_left_at_its_default_is_said_to_be_so(self, refused):
        (line,) = refused("[target]\nday_rh_pct = 71\n")
        assert line.endswith("See target.day_rh_pct = 71 (line 3), target.night_rh_pct = 70 (not set).")

    def test_a_key_from_the_environment_is_named_by_its_variable(self, refused):
        (line,) = refused("[target]\nday_rh_pct = 65\n", HYGROHOLD_TARGET__NIGHT_RH_PCT="55")
        assert line.startswith("room.toml:2: target: the day is damper")
        assert "target.night_rh_pct = 55 (HYGROHOLD_TARGET__NIGHT_RH_PCT)" in line

    def test_plain_words_of_a_check_stand_at_their_table(self, refused):
        (line,) = refused("active = true\n[target]\nday_from = '21:00'\n")
        assert line == "room.toml:3: target: the day begins after the night."

    def test_plain_words_mention_what_the_environment_sets(self, refused):
        (line,) = refused("[target]\n", HYGROHOLD_TARGET__DAY_FROM="21:00")
        assert line.endswith("HYGROHOLD_TARGET__DAY_FROM is set in the environment.")

    def test_a_check_of_the_whole_stands_at_its_first_key(self, refused):
        (line,) = refused("[target]\nrun_s_max = 20\n[loop]\ntick_s = 30\n")
        assert line == (
            "room.toml:3: a tick is longer than the longest run. "
            "See loop.tick_s = 30 (line 5), target.run_s_max = 20 (line 3)."
        )

    def test_a_check_of_a_converted_value_is_not_shown(self, refused):
        # "71" would pass as 71 and then be damper than the night: a consequence, not a second mistake.
        (line,) = refused("[target]\nday_rh_pct = '71'\n")
        assert line.startswith('room.toml:3: target.day_rh_pct: found "71";')

    def test_a_time_zone_does_not_break_a_check(self, refused):
        # Comparing a time of day with and without a zone raises TypeError in Python.
        (line,) = refused("[target]\nday_from = '07:30Z'\n")
        assert line.startswith('room.toml:3: target.day_from: found "07:30Z"')


@pytest.mark.parametrize(
    "text",
    [
        "active = 3\n[target]\nday_rh_pct = 'x'\nday_from = 5\nrun_s_max = 1.5\nlag_s = []",
        "[target]\nceiling_rh_pct = 'x'",
        "probe = 4\ntarget = 4\nloop = []\nkeys = {label = 3}",
        "[[probe]]\nkind = 4\nbus = 5\nx = 6\n[[probe]]\n[[probe]]",
        "[keys]\nlabel = '4'\npin = 99",
        "[target]\nday_from = '21:00'",
    ],
)
def test_no_jargon_and_no_links(refused, text):
    words = " ".join(refused(text)).lower()
    for jargon in (
        "pydantic", "http", "input", "valid", "literal", "union", "float", "integer", "string", "dict",
        "tuple", "value error", "assertion", "type=", "field", "nonetype", "extra", "class", "boolean",
        "instance",
    ):  # fmt: skip
        assert jargon not in words
