"""The page as a service: its unit's text, and the steps that put it there and take it away.

In:    where the program is.
Out:   a unit file as text; steps, each in words.
Never: lets the page near a device: its sandbox has none, so that no fault in it can reach the relay.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from importlib.util import find_spec
from pathlib import Path

from controller.service.folders import PAGE, SETTINGS, STATE, UNITS, USER, Folders
from controller.service.install import Run, Step, run_command, write_public
from controller.service.unit import SANDBOX, Program, quoted

PAGE_UNIT = f"{USER}-page.service"
LIBRARIES = ("bottle", "waitress")


def page_unit(program: Program) -> str:
    """One page over all rooms of the service."""
    return f"""\
# hygrohold: the keeper's page. `hygrohold service install --page` wrote this and writes it anew; other
# options belong into `systemctl edit {PAGE_UNIT}`, as Environment="PAGE_OPTIONS=--listen 0.0.0.0".

[Unit]
Description=hygrohold, the keeper's page
After=network.target

[Service]
Type=exec
ExecStart={quoted(program.python)} -I -m controller page --keys {PAGE}/keys.json $PAGE_OPTIONS
Environment=PAGE_OPTIONS=
SyslogIdentifier=hygrohold-page
Restart=on-failure
RestartSec=10s
# Refused (no password, say): trying again changes nothing.
RestartPreventExitStatus=2 3

User={USER}
Group={USER}
UMask=0007
StateDirectory={PAGE.name}
StateDirectoryMode=0700
# Where the rooms' folders are is found as a keeper's command finds it, not by this unit's own.
UnsetEnvironment=STATE_DIRECTORY

# The rooms go first: in time, in memory, and when memory runs out.
CPUWeight=20
MemoryMax=192M
TasksMax=32
LimitCORE=0
OOMScoreAdjust=500

# No device at all: whatever goes wrong in it, the relay's line is not there.
PrivateDevices=yes
DevicePolicy=closed
ProtectSystem=strict
# It leaves requests in the rooms' folders; {SETTINGS} is only read.
ReadWritePaths={STATE}
ProtectHome=yes
PrivateTmp=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
{SANDBOX}ProtectClock=yes
# Not without @resources: it makes itself nicer than the rooms.
SystemCallFilter=~@privileged

[Install]
WantedBy=multi-user.target
"""


def missing() -> str:
    """Why the page cannot be served, in words; "" when it can."""
    lacking = [name for name in LIBRARIES if find_spec(name) is None]
    if not lacking:
        return ""
    return f"the page needs {' and '.join(lacking)}: pip install '.[page]' in the program's folder"


def install_page(program: Program, where: Folders, start: bool, run: Run = run_command) -> Iterable[Step]:
    """In order; each is done when its turn comes."""
    unit = where.units / PAGE_UNIT
    yield Step(f"Write the unit {unit}", lambda: write_public(unit, page_unit(program)))
    if where.root is not None:
        yield Step(f"Have {PAGE_UNIT} started with the machine", lambda: _link(where))
        return
    calls = [["systemctl", "daemon-reload"], ["systemctl", "enable", PAGE_UNIT]]
    calls += [["systemctl", "restart", PAGE_UNIT]] if start else []
    yield from (Step(f"Run {' '.join(words)}", _doing(run, words)) for words in calls)


def remove_page(where: Folders, run: Run = run_command) -> Iterable[Step]:
    """None where there is no page. The password stays, for a page that comes back."""
    unit = where.units / PAGE_UNIT
    if not unit.exists():
        return
    words = ["systemctl", "disable", "--now", PAGE_UNIT]
    if where.root is None:
        yield Step(f"Stop the page: {' '.join(words)}", _doing(run, words))
    yield Step(f"Remove {unit}", lambda: _unlink(unit, where))


def _doing(run: Run, words: Sequence[str]) -> Callable[[], str]:
    def do() -> str:
        run(words)
        return ""

    return do


def _link(where: Folders) -> str:
    link = where.units / "multi-user.target.wants" / PAGE_UNIT
    link.parent.mkdir(parents=True, exist_ok=True)
    link.unlink(missing_ok=True)
    link.symlink_to(UNITS / PAGE_UNIT)
    return ""


def _unlink(unit: Path, where: Folders) -> str:
    for path in (unit, where.units / "multi-user.target.wants" / PAGE_UNIT):
        path.unlink(missing_ok=True)
    return ""
