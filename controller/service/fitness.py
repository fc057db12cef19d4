"""FITNESS: whether a room, this program and this machine are fit for the service.

In:    checked settings, where the program lies, the machine's folders and devices.
Out:   refusals and cautions in words, each with what to do; the groups that own the lines.
Never: changes anything.
"""

from __future__ import annotations

import grp
import pwd
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from controller.service import folders
from controller.service.folders import Folders
from controller.service.unit import Program
from controller.settings import Settings

HIDDEN = tuple(Path(path) for path in ("/home", "/root", "/run/user", "/tmp", "/var/tmp"))
"""What the service cannot see: systemd.exec(5), ProtectHome= and PrivateTmp=."""
BOOTED = Path("/run/systemd/system")
"""There when systemd runs the machine: sd_booted(3)."""
RECOMMENDED = "/opt/hygrohold"
DEVICES = Path("/dev")


def this_program() -> Program:
    """The program that is running now."""
    return Program(Path(sys.executable), Path(__file__).resolve().parents[1])


def refusals(settings: Settings, program: Program, where: Folders) -> list[str]:
    """Why this room cannot be put into the service's hands; each with what to do."""
    room = settings.room
    found = []
    if settings.relay.kind == "simulated":
        found.append(
            'relay.kind = "simulated": nothing would be switched. Name the real relay; to watch without '
            "switching, `hygrohold run` by hand is enough."
        )
    if any(probe.kind == "simulated" for probe in settings.probe):
        found.append(
            'probe.kind = "simulated": a room has no such probe. `hygrohold check` lists the real ones.'
        )
    if room.state_dir:
        found.append(
            f"room.state_dir is set: take it out. The service keeps state and record in "
            f"{folders.STATE / room.name}."
        )
    for probe in settings.probe:
        if probe.kind == "replay" and (not Path(probe.file).is_absolute() or _is_hidden(Path(probe.file))):
            found.append(
                f'probe.file = "{probe.file}" cannot be seen by the service: it needs a whole path, '
                f"outside of {_listed(HIDDEN)}."
            )
    if where.root is None:
        found += hidden_program(program)
        if not BOOTED.is_dir():
            found.append(
                "this machine is not run by systemd: start `hygrohold run` by whatever starts its services."
            )
    return found


def hidden_program(program: Program) -> list[str]:
    """The program, its Python behind a link, and its packages: all must be where the service can see them."""
    parts = (program.python, program.python.resolve(), program.package, Path(sys.base_prefix))
    hidden = sorted({str(path) for path in parts if _is_hidden(path)})
    if not hidden:
        return []
    return [
        f"the program lies where a service cannot see it ({_listed(hidden)}). Put it into {RECOMMENDED}: "
        f"`sudo python3 -m venv {RECOMMENDED}` with the system's own Python, then "
        f"`sudo {RECOMMENDED}/bin/pip install '.[board]'` in the folder with hygrohold's files (a board "
        "other than a Raspberry Pi: '.[libgpiod]'), and give this command as "
        f"`sudo {RECOMMENDED}/bin/hygrohold service install ...`."
    ]


def cautions(program: Program) -> list[str]:
    """What does not stop an installation, but should be known."""
    found = []
    for path in (program.python.parent, program.package):
        with suppress(OSError, KeyError):
            uid = path.stat().st_uid
            if uid != 0:
                found.append(
                    f"{path} belongs to {pwd.getpwuid(uid).pw_name}: two small scripts of it are run as "
                    f"root, so that user could do anything here. `sudo chown -R root: {path}` makes it safe."
                )
    return found


def line_groups(where: Folders) -> list[str]:
    """The groups, other than root, that own the lines of this machine's gpiochips."""
    if where.root is not None:
        with suppress(OSError):
            names = (where.root / "etc/group").read_text(encoding="utf-8").splitlines()
            return ["gpio"] if any(line.startswith("gpio:") for line in names) else []
        return []
    found = set()
    for path in DEVICES.glob("gpiochip*"):
        with suppress(OSError, KeyError):
            group = path.stat().st_gid
            if group != 0:
                found.add(grp.getgrgid(group).gr_name)
    return sorted(found)


def _is_hidden(path: Path) -> bool:
    return any(path.is_relative_to(hidden) for hidden in HIDDEN)


def _listed(items: Iterable[object]) -> str:
    return ", ".join(str(item) for item in items)
