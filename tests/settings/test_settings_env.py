"""No variable with our prefix is passed over."""

from __future__ import annotations

import pytest

from controller.errors import SettingsError
from controller.settings.file import load_settings


def trouble(toy, **environ: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load_settings(toy, None, environ)
    return str(caught.value).split("\n")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("HYGROHOLD_TARGET_DAY_RH_PCT", "did you mean HYGROHOLD_TARGET__DAY_RH_PCT?"),  # one _ for two
        ("HYGROHOLD_LOOP_TICK_S", "did you mean HYGROHOLD_LOOP__TICK_S?"),
        ("HYGROHOLD__ACTIVE", "did you mean HYGROHOLD_ACTIVE?"),
        ("HYGROHOLD_TARGET__DAY_RH", "did you mean HYGROHOLD_TARGET__DAY_RH_PCT?"),
        ("hygrohold_activ", "did you mean HYGROHOLD_ACTIVE?"),
        ("HYGROHOLD_LOOP__TICK_S__X", "did you mean HYGROHOLD_LOOP__TICK_S?"),
        ("HYGROHOLD_PROBE__0__KIND", "HYGROHOLD_PROBE takes the whole list at once, as JSON."),
        ("HYGROHOLD_QQQQ", "names look like HYGROHOLD_TARGET__DAY_RH_PCT."),
        ("HYGROHOLD_", "names look like"),
        ("HYGROHOLD_SETTINGS_VERSION", "belongs in the settings file"),
    ],
)
def test_unknown_names(toy, name, said):
    (line,) = trouble(toy, **{name: "1"})
    assert line.startswith(f"{name} (environment): ")
    assert said in line


def test_names_that_are_no_settings_or_not_ours(toy):
    environ = {"HYGROHOLD_SETTINGS": "/etc/room.toml", "HYGROHOLDER": "1", "PATH": "", "ACTIVE": "x"}
    assert load_settings(toy, None, environ) == toy()


@pytest.mark.parametrize(
    "name", ["HYGROHOLD_ACTIVE", "HYGROHOLD_TARGET", "HYGROHOLD_PROBE", "HYGROHOLD_KEYS__LABEL"]
)
@pytest.mark.parametrize("value", ["", "  "])
def test_empty_values(toy, name, value):
    assert trouble(toy, **{name: value}) == [f"{name} (environment): is empty; give it a value, or unset it."]


def test_the_same_setting_in_two_spellings(toy):
    (line,) = trouble(toy, HYGROHOLD_ACTIVE="1", hygrohold_active="0")
    assert "is the same setting as HYGROHOLD_ACTIVE" in line


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("HYGROHOLD_PROBE", "hwmon", 'not readable as JSON; write the whole list as [{"kind": ...}] or'),
        ("HYGROHOLD_PROBE", "[{]", "not readable as JSON"),
        ("HYGROHOLD_PROBE", "[" * 20_000, "not readable as JSON"),
        ("HYGROHOLD_PROBE", '{"kind": "iio"}', "does not hold what it should; write the whole list"),
        ("HYGROHOLD_PROBE", "null", "does not hold what it should"),
        ("HYGROHOLD_PROBE", '[{"bus": "a", "bus": "b"}]', "sets the key bus twice."),
        ("HYGROHOLD_PROBE", "[]", "probe: found an empty list; allowed: 1 to 2 tables"),
        (
            "HYGROHOLD_PROBE",
            '[{"kind": "x"}]',
            'probe #1.kind: found "x"; allowed: one of hwmon, iio, replay.',
        ),
        ("HYGROHOLD_PROBE", '[{"kin": "x"}]', "probe #1.kin: no such setting; did you mean kind?"),
        ("HYGROHOLD_TARGET", "5", 'write the table as {"day_rh_pct": ...}.'),
        ("HYGROHOLD_TARGET", "null", 'write the table as {"day_rh_pct": ...}.'),
        ("HYGROHOLD_TARGET", '{"day_from": 730}', "target.day_from: found 730"),
        ("HYGROHOLD_TARGET", '{"day_rh_pct": NaN}', "target.day_rh_pct: found nan"),
        (
            "HYGROHOLD_TARGET",
            '{"day_rh_pct": "50"}',
            'found "50"; allowed: a number from 0 to 100 (% relative ',
        ),
        (
            "HYGROHOLD_TARGET__DAY_RH_PCT",
            "180",
            "target.day_rh_pct: found 180; allowed: a number from 0 to 100 (% rel",
        ),
        ("HYGROHOLD_TARGET__DAY_RH_PCT", "true", 'target.day_rh_pct: found "true"; allowed: a number'),
        ("HYGROHOLD_TARGET__DAY_RH_PCT", "inf", 'target.day_rh_pct: found "inf"; allowed: a number'),
        ("HYGROHOLD_TARGET__DAY_FROM", "07:30Z", "Leave the time zone out"),
        ("HYGROHOLD_TARGET__DAY_FROM", "730", "target.day_from: found 730; allowed: a time of day"),
        (
            "HYGROHOLD_KEYS__LABEL",
            "x\udce4\x07",
            'found "x\\udce4\\u0007"; letters only.',
        ),  # undecodable bytes
    ],
)
def test_bad_values_blame_the_variable(toy, name, value, said):
    environ = {name: value} | ({"HYGROHOLD_KEYS__PIN": "4"} if "KEYS" in name else {})
    (line,) = trouble(toy, **environ)
    assert line.startswith(f"{name} (environment): ")
    assert said in line


def test_a_mistake_in_the_file_is_not_blamed_on_a_variable_of_the_same_table(refused):
    text = "[target]\nday_rh_pct = 180\n"
    (line,) = refused(text, HYGROHOLD_TARGET='{"lag_s": 1}')
    assert line.startswith("room.toml:3: target.day_rh_pct: found 180;")


def test_a_variable_hides_a_mistake_of_the_file(load):
    assert load("[target]\nday_rh_pct = '50'\n", HYGROHOLD_TARGET__DAY_RH_PCT="50").target.day_rh_pct == 50


def test_numbers_and_truths_as_text(load):
    settings = load("", HYGROHOLD_ACTIVE="false", HYGROHOLD_TARGET__CEILING_RH_PCT="80")
    assert settings.active is False
    assert settings.target.ceiling_rh_pct == 80


def test_a_key_counts_over_the_table_around_it(load, refused):
    table = {"HYGROHOLD_LOOP__PACE": '{"save_s": 7, "sync_s": 8}'}
    pace = load("", HYGROHOLD_LOOP__PACE__SYNC_S="9", **table).loop.pace
    assert (pace.save_s, pace.sync_s) == (7, 9)
    (line,) = refused("", HYGROHOLD_LOOP__PACE__SYNC_S="0", **table)
    assert line.startswith("HYGROHOLD_LOOP__PACE__SYNC_S (environment): loop.pace.sync_s: found 0;")
    (line,) = refused("", HYGROHOLD_LOOP__PACE='{"save_s": 0}', HYGROHOLD_LOOP__PACE__SYNC_S="9")
    assert line.startswith("HYGROHOLD_LOOP__PACE (environment): loop.pace.save_s: found 0;")
