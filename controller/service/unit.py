"""The text of the two systemd units: one for a room, one that tells when a room has given up.

In:    where the program is, and which groups own the lines of this machine.
Out:   unit files as text; each choice says why, beside it.
Never: touches the machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from controller.service.folders import RUNTIME, SETTINGS, STATE, USER

ROOM_UNIT = f"{USER}@.service"
FAILED_UNIT = f"{USER}-failed@.service"
REFUSED_STATUS = 3
"""Exit code of ``hygrohold run`` where it was asked to do what it will not: trying again changes nothing."""

SANDBOX = """\
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectProc=invisible
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
RemoveIPC=yes
SystemCallArchitectures=native
SystemCallErrorNumber=EPERM
SystemCallFilter=@system-service
"""
"""What neither a room's program nor the page ever needs; what a unit allows or bars besides comes after."""


class Program(NamedTuple):
    """The installed program: its Python, and the folder of the package ``controller``."""

    python: Path
    package: Path

    def script(self, name: str) -> str:
        """A script that needs the standard library only: quick to start, and deaf to anybody's packages."""
        return f"{quoted(self.python)} -I -S {quoted(self.package / name)}"


def quoted(path: Path) -> str:
    """A path as a unit file takes it: systemd.service(5), "Command lines"; systemd.unit(5), "Specifiers"."""
    text = str(path).replace("%", "%%").replace("$", "$$").replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"' if set(text) & set(" \t;'\"\\") else text


def unit_of(room: str) -> str:
    """The unit of one room. A room's name needs no escaping: small letters, digits, hyphens."""
    return f"{USER}@{room}.service"


def room_unit(program: Program, groups: Sequence[str] = ()) -> str:
    """The template; the part of its name behind the @ is the room."""
    runtime, state = f"{RUNTIME}/%i", f"{STATE}/%i"
    off = f"-+{program.script('force_off.py')} {runtime} {state}"
    line_groups = f"SupplementaryGroups={' '.join(groups)}\n" if groups else ""
    return f"""\
# hygrohold: one room an instance, so that rooms fail apart. `hygrohold service install` wrote this and
# writes it anew; what you want otherwise belongs into `systemctl edit {USER}@ROOM`.

[Unit]
Description=hygrohold, the humidity of the room %i
After=time-set.target
# A loop of crashes must not end with nobody in control: no limit on starts.
StartLimitIntervalSec=0
OnFailure={USER}-failed@%i.service

[Service]
Type=notify
NotifyAccess=main
# Off before the program is even loaded, and off after it whatever its end: as root and outside the sandbox.
ExecStartPre={off}
ExecStart={quoted(program.python)} -I -m controller run --settings {SETTINGS}/%i.toml --last-good
ExecStopPost={off}
ExecStopPost=-+{program.script("service/notice.py")} ended %i {runtime} {state}
SyslogIdentifier=hygrohold-%i
Restart=always
RestartSec=5s
# Refused (not commissioned, say): trying again changes nothing, so it fails, and OnFailure= tells.
RestartPreventExitStatus={REFUSED_STATUS}
# The longest that any room asks for; at its first cycle the program sets its own, by its tick.
WatchdogSec=16min
TimeoutStartSec=3min
TimeoutStopSec=10s

User={USER}
Group={USER}
{line_groups}UMask=0007
StateDirectory=hygrohold/%i
StateDirectoryMode=2770
RuntimeDirectory=hygrohold/%i
RuntimeDirectoryMode=2770
# Kept over a restart: the line to force off is noted there.
RuntimeDirectoryPreserve=yes
# lgpio makes a named pipe where it runs.
WorkingDirectory={runtime}
Environment=LG_WD={runtime}

MemoryMax=256M
TasksMax=64
LimitCORE=0
OOMScoreAdjust=-200

# Only the lines of the gpiochips, of all devices. (PrivateDevices= would hide them.)
DevicePolicy=closed
DeviceAllow=char-gpiochip rw
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
# The network, for messages to people ([notify] in the settings); nothing listens.
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
{SANDBOX}SystemCallFilter=~@privileged @resources
# Reading whether the clock is synchronised needs this call; setting it needs a capability that is not there.
# ProtectClock= would bar the call itself, and with it the answer.
SystemCallFilter=adjtimex clock_adjtime clock_adjtime64

[Install]
WantedBy=multi-user.target
"""


def failed_unit(program: Program) -> str:
    """Started by OnFailure=: a room is at an end and will not be started again by itself."""
    return f"""\
# hygrohold: tells that a room has given up. `hygrohold service install` wrote this.

[Unit]
Description=Tell that hygrohold has given up on the room %i

[Service]
Type=oneshot
SyslogIdentifier=hygrohold-%i
# As root: it writes to the terminals of those who are logged in.
ExecStart={program.script("service/notice.py")} gave-up %i {RUNTIME}/%i {STATE}/%i
TimeoutStartSec=30s
ProtectSystem=strict
ReadWritePaths=-{RUNTIME} -{STATE}
ProtectHome=yes
PrivateTmp=yes
PrivateNetwork=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectClock=yes
DevicePolicy=closed
NoNewPrivileges=yes
CapabilityBoundingSet=CAP_DAC_OVERRIDE
RestrictAddressFamilies=AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
"""


def sysusers() -> str:
    """For an image: sysusers.d(5) makes user and group at its first start."""
    return f'u {USER} - "hygrohold, humidity of rooms" {STATE} /usr/sbin/nologin\n'
