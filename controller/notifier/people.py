"""PEOPLE: the ways to each person, as the settings name them."""

from __future__ import annotations

from controller.notifier.by_command import command_way
from controller.notifier.by_service import service_way
from controller.notifier.by_web import webhook_way
from controller.notifier.settings import Contact
from controller.notifier.ways import Way


def ways_to(contact: Contact) -> list[Way]:
    """Every way that is set; a letter goes by all of them."""
    ways = [command_way(contact.command)] if contact.command else []
    ways += [webhook_way(contact.webhook_url)] if contact.webhook_url else []
    return [*ways, *(service_way(number, url) for number, url in enumerate(contact.services, 1))]
