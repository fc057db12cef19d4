"""[notify]: what it takes, and that no complaint shows an address."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.errors import SettingsError
from controller.notifier.settings import NotifySettings, exposed, web_trouble
from controller.settings import Settings
from tests.notifier.helpers import SECRET

HOOK = f"https://hooks.example.org/{SECRET}"


def load(folder: Path, *lines: str, environ: dict[str, str] | None = None) -> Settings:
    path = folder / "larch.toml"
    path.write_text("settings_version = 1\n[notify]\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return Settings.load(path, environ or {})


def test_as_given_nobody_is_told() -> None:
    settings = NotifySettings()
    assert not settings.in_use
    assert not settings.secret
    assert not settings.first.named
    assert not settings.second.named


def test_what_is_set_is_used(tmp_path: Path) -> None:
    notify = load(
        tmp_path, 'command = ["say", "it"]', f'second_webhook_url = "{HOOK}"', f'services = ["json://h/{SECRET}"]',
        f'heartbeat_url = "{HOOK}"',
    ).notify  # fmt: skip
    assert notify.first.command == ("say", "it")
    assert notify.first.services == (f"json://h/{SECRET}",)
    assert notify.second.webhook_url == HOOK
    assert notify.heartbeat == HOOK
    assert notify.in_use
    assert notify.secret
    assert SECRET not in repr(notify)


def test_a_command_alone_is_no_secret() -> None:
    assert not NotifySettings(command=("say",)).secret
    assert NotifySettings(command=("say",)).in_use


@pytest.mark.parametrize(
    "line",
    [
        f'webhook_url = "htps://h/{SECRET}"',
        f'webhook_url = "https:///{SECRET}"',
        f'webhook_url = "https://h:port/{SECRET}"',
        f'webhook_url = "https://h/{SECRET} x"',
        f'webhook_url = "https://[h/{SECRET}"',
        f'heartbeat_url = "file:///{SECRET}"',
        f'services = "{HOOK}"',
        f'services = ["{SECRET}"]',
        f'services = ["json://h", "{SECRET}"]',
        f'second_webhook_url = "{HOOK}"',
        f'webhook_url = ["{HOOK}"]',
        f'webhook_url = "{HOOK}"\nsecond_after_minutes = 0',
        f'webhook_url = "{HOOK}"\nnotices = ["tank_lo"]',
        f'webhok_url = "{HOOK}"',
        f'webhook_url = "{HOOK}',
        f'command = [""]\nwebhook_url = "{HOOK}"',
    ],
)
def test_no_complaint_shows_an_address(tmp_path: Path, line: str) -> None:
    with pytest.raises(SettingsError) as refused:
        load(tmp_path, line)
    assert SECRET not in str(refused.value)
    assert "larch.toml:" in str(refused.value)


def test_nor_does_one_about_a_variable(tmp_path: Path) -> None:
    for name, value in (("SERVICES", f'"{SECRET}"'), ("WEBHOOK_URL", SECRET), ("SERVICES", f'["{SECRET}"]')):
        with pytest.raises(SettingsError) as refused:
            load(tmp_path, environ={f"HYGROHOLD_NOTIFY__{name}": value})
        assert SECRET not in str(refused.value)
        assert f"HYGROHOLD_NOTIFY__{name}" in str(refused.value)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (
            'webhook_url = "hooks.example.org"',
            "webhook_url is no address: it begins with https:// or http://",
        ),
        ('services = ["mail"]', "services, entry 1, is no address: it has the form service://"),
        ('second_command = ["say"]', "there is a second person to be told and no first"),
        ('notices = ["tank_lo"]', "no such notice: tank_lo; there are bypassed, "),
        ("webhook_url = 5", "webhook_url: found 5; allowed: text in quotes"),
        ('services = "json://h"', "services: found a text that is not shown here; allowed: a list of "),
    ],
)
def test_the_complaint_says_what_to_do(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words.replace("(", r"\(")):
        load(tmp_path, line)


def test_every_notice_may_be_named_and_no_alarm() -> None:
    assert NotifySettings(notices=("cleaning_due", "cap_reached")).notices == ("cleaning_due", "cap_reached")
    assert NotifySettings(notices=()).notices == ()
    with pytest.raises(ValueError, match="no such notice: probe_lost"):
        NotifySettings(notices=("probe_lost",))


def test_an_address_is_plain_ascii() -> None:
    assert web_trouble("") == ""
    assert web_trouble("http://192.0.2.7:8080/x?y=1") == ""
    assert "cannot hold" in web_trouble("https://h/\u00e9")
    assert "cannot hold" in web_trouble("https://h/a\x7f")


def test_a_file_that_others_can_read_is_warned_of(tmp_path: Path) -> None:
    path = tmp_path / "larch.toml"
    path.write_text("")
    secret = NotifySettings(webhook_url=HOOK)
    path.chmod(0o644)
    assert f"chmod o-r {path}" in exposed(secret, [path, tmp_path / "none"])
    assert SECRET not in exposed(secret, [path])
    assert exposed(NotifySettings(command=("say",)), [path]) == ""
    path.chmod(0o640)
    assert exposed(secret, [path, tmp_path]) == ""
