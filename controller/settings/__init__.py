"""Settings: ``model`` says what can be set, ``file`` reads it, ``errors`` answers mistakes.

The rest serves those: ``toml`` and ``env`` are the two sources, ``lines`` finds the line of a key,
``places`` the field at a path, ``words`` says types and bounds plainly.
"""

from controller.settings.model import PREFIX, SETTINGS_VERSION, RoomProbe, Settings

__all__ = ["PREFIX", "SETTINGS_VERSION", "RoomProbe", "Settings"]
