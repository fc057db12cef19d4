"""The settings of messages to people outside: whom, by which way, and when a second one is told.

In:    values from the settings file or the environment.
Out:   a frozen, checked model; which files give its secrets away.
Never: shows an address: the token in it is as good as a password.
"""

from __future__ import annotations

import stat
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, NamedTuple, Self
from urllib.parse import urlsplit

from pydantic import Field, SecretStr, field_validator, model_validator
from pydantic_core import PydanticCustomError

from controller.core.alarms import NOTICES
from controller.core.limits import Limits

HIDDEN = SecretStr("")
Word = Annotated[str, Field(min_length=1, max_length=4096, pattern=r"^[^\x00]*$")]
Command = Annotated[tuple[Word, ...], Field(max_length=64)]
Services = Annotated[tuple[SecretStr, ...], Field(max_length=16)]


class Contact(NamedTuple):
    """One person, and every way to reach them; all ways that are set are used."""

    command: tuple[str, ...]
    webhook_url: str
    services: tuple[str, ...]

    @property
    def named(self) -> bool:
        return bool(self.command or self.webhook_url or self.services)


class NotifySettings(Limits):
    """All empty: nobody is told, and nothing leaves the board."""

    command: Command = Field((), description="program and arguments; no shell; the message on its input")
    webhook_url: SecretStr = Field(HIDDEN, description="an https:// or http:// address, sent JSON by POST")
    services: Services = Field((), description="addresses in the form of the apprise library")
    notices: tuple[str, ...] = Field(
        ("tank_low", "bypassed", "too_humid", "power_was_out"),
        max_length=32,
        description="the notices that are sent besides every fault alarm",
    )
    repeat_hours: float = Field(12.0, ge=1, le=168, description="an unacknowledged alarm is said again")
    second_command: Command = Field((), description="as command, for the second person")
    second_webhook_url: SecretStr = Field(HIDDEN, description="as webhook_url, for the second person")
    second_services: Services = Field((), description="as services, for the second person")
    second_after_minutes: float = Field(
        60.0, ge=5, le=1440, description="unacknowledged for so long, an alarm goes to the second person too"
    )
    heartbeat_url: SecretStr = Field(HIDDEN, description="an address asked for while all runs")
    heartbeat_minutes: float = Field(5.0, ge=1, le=1440, description="how often")

    @field_validator("notices")
    @classmethod
    def _are_notices(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        unknown = [code for code in value if code not in NOTICES]
        if unknown:
            raise PydanticCustomError(
                "notices",
                "no such notice: {unknown}; there are {known}; fault alarms are always sent",
                {"unknown": ", ".join(unknown), "known": ", ".join(sorted(NOTICES))},
            )
        return value

    @model_validator(mode="after")
    def _addresses_can_be_used(self) -> Self:
        """Checked here, and not at each field, so that no complaint quotes an address."""
        for key in ("webhook_url", "second_webhook_url", "heartbeat_url"):
            if trouble := web_trouble(getattr(self, key).get_secret_value()):
                raise PydanticCustomError("address", "{words}", {"words": f"{key} {trouble}"})
        for key in ("services", "second_services"):
            for number, url in enumerate(getattr(self, key), 1):
                if "://" not in url.get_secret_value():
                    words = f"{key}, entry {number}, is no address: it has the form service://..."
                    raise PydanticCustomError("address", "{words}", {"words": words})
        if self.second.named and not self.first.named:
            words = "there is a second person to be told and no first: name command, webhook_url or services"
            raise PydanticCustomError("address", "{words}", {"words": words})
        return self

    @property
    def first(self) -> Contact:
        return _contact(self.command, self.webhook_url, self.services)

    @property
    def second(self) -> Contact:
        return _contact(self.second_command, self.second_webhook_url, self.second_services)

    @property
    def heartbeat(self) -> str:
        """The address of the sign of life; "" for none."""
        return self.heartbeat_url.get_secret_value()

    @property
    def in_use(self) -> bool:
        return self.first.named or bool(self.heartbeat)

    @property
    def secret(self) -> bool:
        """Whether anything here lets a reader of the file send, or silence, messages."""
        both = (self.first, self.second)
        return bool(self.heartbeat) or any(contact.webhook_url or contact.services for contact in both)


def _contact(command: tuple[str, ...], url: SecretStr, services: tuple[SecretStr, ...]) -> Contact:
    return Contact(command, url.get_secret_value(), tuple(each.get_secret_value() for each in services))


def web_trouble(url: str) -> str:
    """What is wrong with a web address, without showing it; "" when nothing is, or there is none."""
    try:
        parts = urlsplit(url)
        fine = not url or (parts.scheme in ("https", "http") and bool(parts.hostname))
        _ = parts.port
    except ValueError:
        fine = False
    if not fine:
        return "is no address: it begins with https:// or http:// and names a machine"
    if any(not "!" <= letter <= "~" for letter in url):
        return "holds a space or another letter that an address cannot hold"
    return ""


def exposed(settings: NotifySettings, files: Iterable[Path]) -> str:
    """The warning that others on this machine can read the addresses; "" when they cannot."""
    if not settings.secret:
        return ""
    found = []
    for path in files:
        try:
            mode = path.stat().st_mode
        except OSError:
            continue
        if stat.S_ISREG(mode) and mode & stat.S_IROTH:
            found.append(str(path))
    if not found:
        return ""
    return (
        f"everybody on this machine can read {' and '.join(found)}, and with it the addresses in [notify]: "
        f"chmod o-r {' '.join(found)}"
    )
