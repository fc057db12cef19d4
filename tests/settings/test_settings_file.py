"""Where values come from, what a file must be, versions."""

from __future__ import annotations

import os
from datetime import time
from pathlib import Path
from typing import Any

import pytest

from controller.errors import SettingsError
from controller.settings.file import load_settings

V1 = "settings_version = 1\n"


def test_nothing_given_is_the_default(toy, load):
    assert load_settings(toy, None, {}) == toy()
    assert load("") == toy()
    assert type(load("")) is toy


def test_environment_over_file_over_default(load):
    settings = load(
        "[target]\nday_rh_pct = 50\nnight_rh_pct = 55\n[loop]\ntick_s = 20\n",
        HYGROHOLD_TARGET__DAY_RH_PCT="52.5",
        hygrohold_target__day_from="06:45",
    )
    assert settings.target.day_rh_pct == 52.5  # both set it
    assert settings.target.night_rh_pct == 55  # the file alone
    assert settings.target.day_from == time(6, 45)  # the environment alone
    assert settings.target.run_s_max == 600  # neither
    assert settings.loop.tick_s == 20


def test_toml_time_and_text_time_mean_the_same(load):
    assert load("[target]\nday_from = 08:00:00") == load('[target]\nday_from = "08:00"')


def test_whole_tables_and_lists_as_json(load):
    settings = load(
        '[[probe]]\nkind = "iio"\n[[probe]]\n[target]\nrun_s_max = 60\nday_rh_pct = 41',
        HYGROHOLD_PROBE='[{"bus": "1-0044"}]',
        HYGROHOLD_TARGET='{"day_rh_pct": 42, "lag_s": 3}',
        HYGROHOLD_TARGET__LAG_S="4",
    )
    assert [(p.kind, p.bus) for p in settings.probe] == [("hwmon", "1-0044")]  # replaced as a whole
    assert (settings.target.day_rh_pct, settings.target.run_s_max) == (42, 60)  # merged key by key
    assert settings.target.lag_s == 4  # the narrower name wins


def test_only_the_given_environment_counts(toy, monkeypatch):
    monkeypatch.setenv("HYGROHOLD_LOOP__TICK_S", "44")
    assert load_settings(toy, None, {}).loop.tick_s == 10
    assert load_settings(toy, None, os.environ).loop.tick_s == 44


def test_no_dotenv_file_is_read(toy, tmp_path, monkeypatch):
    (tmp_path / ".env").write_text("HYGROHOLD_LOOP__TICK_S=44\n")
    monkeypatch.chdir(tmp_path)
    assert load_settings(toy, None, {}).loop.tick_s == 10


def test_own_prefix_and_delimiter(toy):
    assert load_settings(toy, None, {"ROOM2_LOOP--TICK_S": "33"}, "ROOM2_", "--").loop.tick_s == 33


def test_byte_order_mark_and_windows_line_ends_are_fine(toy, tmp_path):
    path = tmp_path / "room.toml"
    path.write_bytes(b"\xef\xbb\xbfsettings_version = 1\r\n[loop]\r\ntick_s = 12\r\n")
    assert load_settings(toy, path, {}).loop.tick_s == 12


def refusal_of(toy: Any, path: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        load_settings(toy, path, {})
    return str(caught.value)


def test_a_file_that_is_not_there_or_no_file(toy, tmp_path):
    assert "room.toml: there is no such settings file" in refusal_of(toy, tmp_path / "room.toml")
    assert "is a folder" in refusal_of(toy, tmp_path)
    os.mkfifo(tmp_path / "pipe")
    assert "no ordinary file" in refusal_of(toy, tmp_path / "pipe")  # reading it would wait for ever
    (tmp_path / "file").touch()
    assert "cannot be read" in refusal_of(toy, tmp_path / "file" / "room.toml")
    assert "cannot be read" in refusal_of(toy, tmp_path / ("x" * 300))
    assert "cannot be read" in refusal_of(toy, Path("a\0b"))


def test_a_file_that_may_not_be_read(toy, tmp_path, monkeypatch):
    path = tmp_path / "room.toml"
    path.write_text(V1)

    def deny(*_: Any) -> None:  # as root, which tests may be, no mode denies reading
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", deny)
    assert "may not be read by this user" in refusal_of(toy, path)


def test_size_limit_is_one_mebibyte(toy, tmp_path):
    path = tmp_path / "room.toml"
    path.write_text(V1 + "#" * (1024 * 1024 - len(V1)))
    assert load_settings(toy, path, {}) == toy()
    path.write_text(V1 + "#" * (1024 * 1024 - len(V1) + 1))
    assert "larger than 1 MiB" in refusal_of(toy, path)


def test_not_utf8_names_the_line(toy, tmp_path):
    path = tmp_path / "room.toml"
    path.write_bytes(b"settings_version = 1\n# 21 \xb0C\n")
    assert "room.toml:2: is not UTF-8 text" in refusal_of(toy, path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[target]\nday_from = 07:30\n", 'room.toml:3: not readable as TOML at column 13:*quotes: "07:30"'),
        ("[loop]\ntick_s = 1,5\n", "room.toml:3: *the decimal sign is a point"),
        ("active = True\n", "room.toml:2: *true or false, in small letters"),
        ("[[probe]]\nkind = hwmon\n", "room.toml:3: *text needs quotes"),
        ("active =\n", "room.toml:2: *no value after the ="),
        ("[target]\nday_rh_pct: 50\n", "room.toml:3: *not a colon"),
        ("[target]\nday_rh_pct = 50 %\n", "room.toml:3: *without its unit"),
        ("[guards]\nlowest_temp_c = 61 °F\n", 'room.toml:3: *in quotes: lowest_temp_c = "61 °F"'),
        ("[guards]\nlowest_temp_c = 61F # cold\n", 'room.toml:3: *in quotes: lowest_temp_c = "61 F"'),
        ("[tank]\ntank_l = 1 gal\n", 'room.toml:3: *in quotes: tank_l = "1 gal"'),
        ("[tank]\noutput_l_per_h = 300 ml/h\n", 'room.toml:3: *in quotes: output_l_per_h = "300 ml/h"'),
        ("[tank]\nfull_tank_lasts_h = 10 h\n", "room.toml:3: *full_tank_lasts_h = 10 is 10 hours"),
        ('[[probe]]\nbus = "1-0044\n', "room.toml:3: *closing quote is missing"),
        ("[[probe\n", "room.toml:2: not readable"),
        ("x = [1,\n2", "room.toml:3: not readable"),
        ("x = " + "[" * 20_000, "room.toml: *nested too deeply"),
        ("\nx = " + "1" * 5000, "room.toml:3: a number has too many digits"),
    ],
)
def test_bad_toml_names_line_and_likely_cause(refused, text, said):
    (line,) = refused(text)
    for part in said.split("*"):
        assert part in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "active = true\n\nactive = false\n",
            "room.toml:4: active is set twice; it stands on line 2 already",
        ),
        ("[loop]\ntick_s = 2\ntick_s = 2\n", "room.toml:4: loop.tick_s is set twice; it stands on line 3"),
        ("[loop]\n[target]\n[loop]\n", "room.toml:4: loop is set twice; it stands on line 2 already"),
        (
            "[[probe]]\n[[probe]]\nbus='a'\nbus='b'\n",
            "room.toml:5: probe #2.bus is set twice; it stands on line 4",
        ),
        ("loop = {tick_s = 2}\n[loop]\n", "room.toml:3: loop is set twice; it stands on line 2"),
        ("loop.tick_s = 2\nloop.tick_s = 3\n", "room.toml:3: loop.tick_s is set twice; it stands on line 2"),
    ],
)
def test_a_key_set_twice_names_both_lines(refused, text, said):
    assert refused(text)[0].startswith(said)


class TestVersion:
    @staticmethod
    def load(toy: Any, tmp_path: Path, text: str, **more: Any) -> Any:
        path = tmp_path / "room.toml"
        path.write_text(text)
        return load_settings(toy, path, {}, **more)

    def test_missing_version_is_answered_with_the_line_to_add(self, toy, tmp_path):
        with pytest.raises(SettingsError, match="Add as the first line: settings_version = 1") as caught:
            self.load(toy, tmp_path, "[loop]\ntick_s = 999\n")
        assert len(str(caught.value).split("\n")) == 2  # the other mistake is said as well

    def test_newer_version_says_to_upgrade(self, toy, tmp_path):
        words = (
            r"room.toml:2: .*found 9: written for a newer hygrohold; this one knows versions up to 1: upgrade"
        )
        with pytest.raises(SettingsError, match=words):
            self.load(toy, tmp_path, "#\nsettings_version = 9\n[surprise]\n")

    @pytest.mark.parametrize("version", ["0", "-1", "1.0", '"1"', "true", "[]"])
    def test_a_version_that_is_none(self, toy, tmp_path, version):
        with pytest.raises(
            SettingsError, match=r"room.toml:1: settings_version: found .*; allowed: only 1\."
        ):
            self.load(toy, tmp_path, f"settings_version = {version}\n")

    def test_older_versions_go_through_every_migration(self, toy, tmp_path):
        def renamed(tables: dict[str, Any]) -> dict[str, Any]:
            return {"loop": {"tick_s": tables.pop("interval")}, **tables}

        def in_seconds(tables: dict[str, Any]) -> dict[str, Any]:
            return {**tables, "loop": {"tick_s": tables["loop"]["tick_s"] * 60}}

        both = {1: renamed, 2: in_seconds}
        for version, text in ((1, "interval = 2"), (2, "loop.tick_s = 2"), (3, "loop.tick_s = 120")):
            settings = self.load(toy, tmp_path, f"settings_version = {version}\n{text}\n", migrations=both)
            assert settings.loop.tick_s == 120

    def test_a_mistake_in_an_older_file_says_which_version_it_was_read_as(self, toy, tmp_path):
        with pytest.raises(SettingsError) as caught:
            self.load(toy, tmp_path, V1 + "[loop]\ntick_s = 0\n", migrations={1: dict})
        assert "room.toml:3: loop.tick_s: found 0" in str(caught.value)
        assert "is written for version 1 and was read as version 2" in str(caught.value)

    def test_a_migration_that_stumbles_or_is_missing(self, toy, tmp_path):
        with pytest.raises(SettingsError, match="cannot be brought to version 2"):
            self.load(toy, tmp_path, V1, migrations={1: lambda tables: tables["gone"]})
        with pytest.raises(SettingsError, match="no way from version 1 to version 2"):
            self.load(toy, tmp_path, V1, migrations={2: dict})
