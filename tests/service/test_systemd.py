"""The service under a real systemd: installed by its own command, killed, hung, refused, cut off from power.

There is no gpiochip in here, so the relay is simulated by a variable; the off step is the real one, run on a
line that does not exist. What systemd is to do in each case: systemd.service(5), systemd.unit(5).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.service.conftest import skip_loudly
from tests.service.machine import PYTHON, Machine, NoMachine

pytestmark = pytest.mark.process

ROOMS = ("larch", "hung", "looping", "refusing")
COMMON = """[Service]
Environment=HYGROHOLD_RELAY__KIND=simulated
RestartSec=300ms
ExecStopPost=+/bin/sh -c 'echo "$SERVICE_RESULT $EXIT_STATUS" >> /var/ends-%i'
"""
# The program itself, with a watchdog that need not be waited for a minute.
HASTY = (
    "import sys, controller.notify as n; n.SHORTEST_S = 2.0; n.MARGIN_S = 0.5; "
    "from controller.cli import main; "
    "sys.exit(main(['run', '--settings', '/etc/hygrohold/hung.toml', '--last-good']))"
)
# What a sandboxed program can ask of the clock (adjtimex(2), modes = 0), and can not do to the machine.
SANDBOXED = """
import ctypes, os, pathlib
c = ctypes.CDLL(None, use_errno=True)
said = [f'adjtimex {c.adjtimex(ctypes.create_string_buffer(512)) >= 0}']
for path in ('/etc/x', '/home/x', '/usr/x', '/dev/x'):
    try:
        pathlib.Path(path).touch(); said.append('wrote ' + path)
    except OSError:
        pass
said.append(f'uid0 {os.getuid() == 0}')
pathlib.Path('/run/hygrohold/larch/sandbox').write_text(chr(10).join(said))
"""


def room_toml(name: str, more: str = "") -> str:
    return (
        f'settings_version = 1\n[room]\nname = "{name}"\n[[probe]]\nkind = "replay"\n'
        'file = "/opt/room/replay.csv"\n[relay]\nkind = "gpiozero"\npin = 17\n[loop]\ntick_s = 1\n'
        f"[guards]\nshortest_off_s = 0\n{more}"
    )


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """One machine with four rooms, each installed by the command itself."""
    try:
        machine = Machine(tmp_path_factory.mktemp("systemd"))
    except NoMachine as why:
        skip_loudly(f"the service was not tried under a real systemd: {why}")
    rooms = machine.up / "opt/room"
    rooms.mkdir(parents=True)
    rows = "".join(f"{second},{50 + second % 5 / 10},24.0\n" for second in range(3600))
    (rooms / "replay.csv").write_text(f"time,rh_pct,temp_c\n{rows}")
    for room in ROOMS:
        (rooms / f"{room}.toml").write_text(room_toml(room))
    put_in(machine, "hygrohold@", COMMON)
    put_in(machine, "hygrohold@hung", f'[Service]\nExecStart=\nExecStart={PYTHON} -I -c "{HASTY}"\n')
    put_in(machine, "hygrohold@looping", "[Service]\nExecStart=\nExecStart=/bin/sh -c 'kill -SEGV $$$$'\n")
    put_in(machine, "hygrohold@refusing", "[Service]\nExecStart=\nExecStart=/bin/sh -c 'exit 3'\n")
    (rooms / "sandbox.py").write_text(SANDBOXED)
    put_in(machine, "hygrohold@larch", f"[Service]\nExecStartPre={PYTHON} -I -S /opt/room/sandbox.py\n")
    try:
        try:
            machine.power_on()
        except NoMachine as why:
            skip_loudly(f"the service was not tried under a real systemd: {why}")
        for user in ("ann", "bob"):
            machine.said("useradd", "--create-home", user)
        home = machine.said("sh", "-c", "echo ~ann")
        by_hand = f"{home}/.local/state/hygrohold/larch"
        machine.said("mkdir", "-p", by_hand)
        machine.said("sh", "-c", f"echo from Ann > {by_hand}/kept-by-hand; chown -R ann {home}")
        install(machine, "larch")
        machine.said("usermod", "-aG", "hygrohold", "ann")
        for room in ROOMS[1:]:
            install(machine, room, "--no-start")
        # These take their time; what became of them is looked at further down.
        machine.said("systemctl", "start", "--no-block", *(f"hygrohold@{room}" for room in ROOMS[1:]))
        yield machine
    finally:
        machine.power_cut()


def put_in(machine: Machine, unit: str, text: str) -> None:
    """A drop-in for a unit: what a keeper does with `systemctl edit`."""
    folder = machine.up / f"etc/systemd/system/{unit}.service.d"
    folder.mkdir(parents=True)
    (folder / f"{unit}.conf").write_text(text)  # of two with one name only one would be read


def install(machine: Machine, room: str, *more: str) -> str:
    command = ("hygrohold", "service", "install", "--settings", f"/opt/room/{room}.toml", *more)
    done = machine.run("env", "SUDO_USER=ann", *command)
    assert done.returncode == 0, done.stderr + machine.journal(f"hygrohold@{room}")
    return done.stdout


def status(machine: Machine, room: str = "larch") -> dict[str, Any]:
    done = machine.run(
        "hygrohold", "status", "--json", "--settings", f"/etc/hygrohold/{room}.toml", user="ann"
    )
    return dict(json.loads(done.stdout)) if done.stdout.startswith("{") else {}


def ends(machine: Machine, room: str) -> list[str]:
    """$SERVICE_RESULT and $EXIT_STATUS at each end: ExecStopPost= was run."""
    path = machine.inside(f"/var/ends-{room}")
    return path.read_text().splitlines() if path.exists() else []


def active(machine: Machine, room: str) -> bool:
    return machine.shown(f"hygrohold@{room}", "ActiveState") == "active"


def test_installed_and_running(machine: Machine) -> None:
    unit = "hygrohold@larch"
    assert active(machine, "larch")  # Type=notify: the first cycle is complete
    assert machine.shown(unit, "UnitFileState") == "enabled"
    assert machine.shown(unit, "WatchdogUSec") == "1min"  # the room's own, by its tick of 1 s
    assert machine.shown(unit, "User") == "hygrohold"
    machine.until(lambda: status(machine).get("relay_on"), "on: the room is dry")
    machine.until(lambda: machine.shown(unit, "StatusText").startswith("On: "), "the status in words")
    # taken over from the user behind sudo, and given to the service
    listed = machine.said("stat", "-c", "%U:%G %a", "/var/lib/hygrohold/larch/kept-by-hand")
    assert listed == "hygrohold:hygrohold 660"
    assert machine.said("stat", "-c", "%U:%G %a", "/var/lib/hygrohold/larch") == "hygrohold:hygrohold 2770"


def test_the_sandbox_lets_it_ask_whether_the_clock_is_right(machine: Machine) -> None:
    assert machine.inside("/run/hygrohold/larch/sandbox").read_text().splitlines() == [
        "adjtimex True",
        "uid0 False",
    ]


def test_a_keeper_of_the_group_asks_and_a_stranger_does_not(machine: Machine) -> None:
    larch = ("--settings", "/etc/hygrohold/larch.toml")
    assert machine.said("hygrohold", "note", "refilled", *larch, user="ann").startswith("Done: ")
    assert "re- off" in machine.said("hygrohold", "report", *larch, user="ann")
    stranger = machine.run("hygrohold", "status", *larch, user="bob")
    assert stranger.returncode == 1
    assert "usermod -aG hygrohold" in stranger.stderr


# netdevice(7): the loopback of a network of its own is down at first. SIOCSIFFLAGS: IFF_UP, IFF_RUNNING.
LOOPBACK_UP = (
    "import fcntl, socket, struct; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); "
    "fcntl.ioctl(s, 0x8914, struct.pack('16sh14x', b'lo', 0x41))"
)
ASKS = """
import re, sys
from http.cookiejar import CookieJar
from urllib.parse import urlencode
from urllib.request import HTTPCookieProcessor, build_opener
opener = build_opener(HTTPCookieProcessor(CookieJar()))
room = "http://127.0.0.1:8321/room/larch"
page = opener.open(room, timeout=10).read().decode()
seal = re.search(r'name="seal" value="(\\w+)"', page)[1]
asked = opener.open(room + "/ask/filled", urlencode({"seal": seal}).encode(), timeout=10)
print(asked.url.partition("asked=")[2])
"""


def test_the_page_shows_the_room_and_its_note_is_answered(machine: Machine) -> None:
    """As the service's user, from its sandbox; the loop answers. This machine has no folder of devices that
    could be hidden from it, so that PrivateDevices= alone is not tried here.
    """
    put_in(machine, "hygrohold-page", "[Service]\nPrivateDevices=no\n")
    install(machine, "larch", "--page", "--no-start")
    started = machine.run("systemctl", "start", "hygrohold-page")
    assert started.returncode == 0, machine.journal("hygrohold-page")
    (machine.up / "opt/room/asks.py").write_text(ASKS)
    machine.said(PYTHON, "-c", LOOPBACK_UP)
    machine.until(lambda: "The page of" in machine.journal("hygrohold-page"), "the page listens")
    asked = machine.said(PYTHON, "-I", "/opt/room/asks.py").strip()
    answer = machine.inside(f"/var/lib/hygrohold/larch/requests/answered/{asked}.json")
    machine.until(answer.exists, "the loop's answer")
    assert json.loads(answer.read_text())["done"] is True
    machine.said("hygrohold", "service", "remove", "--page", "--settings", "/etc/hygrohold/larch.toml")
    assert not machine.inside("/etc/systemd/system/hygrohold-page.service").exists()


def test_killed_it_is_off_and_started_again(machine: Machine) -> None:
    machine.said("systemctl", "kill", "--kill-whom=main", "-s", "KILL", "hygrohold@larch")
    machine.until(lambda: ends(machine, "larch"), "ExecStopPost=")
    assert ends(machine, "larch") == ["signal KILL"]
    machine.until(lambda: active(machine, "larch"), "running again")
    assert machine.shown("hygrohold@larch", "NRestarts") == "1"
    ended = status(machine)["service_ended"]
    assert (ended["result"], ended["times"], ended["gave_up"]) == ("signal", 1, False)
    assert "it was killed (KILL)" in machine.journal("hygrohold@larch", "-p", "alert")
    off = machine.journal("hygrohold@larch")
    assert "no line file" in off  # the real off step; a simulated relay has no line


def test_a_refusal_is_not_tried_again_and_told(machine: Machine) -> None:
    """Exit status 3, RestartPreventExitStatus=: failed, and OnFailure= was started."""
    machine.until(
        lambda: machine.shown("hygrohold@refusing", "ActiveState") == "failed", "the refusing room has failed"
    )
    assert machine.shown("hygrohold@refusing", "NRestarts") == "0"
    assert ends(machine, "refusing") == ["exit-code 3"]
    machine.until(
        lambda: "will not be started again" in machine.journal("hygrohold-failed@refusing", "-p", "alert"),
        "OnFailure=",
    )
    assert machine.shown("hygrohold-failed@refusing", "Result") == "success"
    ended = status(machine, "refusing")["service_ended"]
    assert (ended["exit_status"], ended["gave_up"], ended["times"]) == ("3", True, 1)


def test_the_off_step_says_when_it_could_not(machine: Machine) -> None:
    """The real one, on the line of a chip that is not there."""
    line = '{"chip": "/dev/gpiochip9", "line": 17, "off_level": 0}'
    machine.inside("/var/lib/hygrohold/refusing/relay-line.json").write_text(line)
    machine.run("systemctl", "start", "hygrohold@refusing")
    said = machine.until(
        lambda: machine.journal("hygrohold@refusing") if len(ends(machine, "refusing")) > 1 else "", "an end"
    )
    assert (
        said.count("NOT driven off: there is no /dev/gpiochip9") == 2
    )  # before the start, and after the end


def test_a_loop_of_crashes_goes_on(machine: Machine) -> None:
    """The usual limit is five starts in ten seconds (systemd-system.conf(5)); nobody would be in control."""
    machine.until(lambda: int(machine.shown("hygrohold@looping", "NRestarts")) >= 8, "eight starts again")
    assert machine.shown("hygrohold@looping", "ActiveState") in ("activating", "deactivating")
    assert len(ends(machine, "looping")) >= 8
    assert all(result.startswith(("core-dump SEGV", "signal SEGV")) for result in ends(machine, "looping"))
    # OnFailure= is not for this: with Restart= a unit fails only at its limit, and there is none.
    assert machine.shown("hygrohold-failed@looping", "ExecMainStartTimestampMonotonic") == "0"
    # So the end itself tells: once an hour, and not each time.
    assert machine.journal("hygrohold@looping", "-p", "alert").count("room looping: it") == 1
    ended = status(machine, "looping")["service_ended"]
    assert ended["times"] >= 8
    machine.said("systemctl", "stop", "hygrohold@looping")


def test_hung_the_watchdog_ends_it(machine: Machine) -> None:
    machine.until(lambda: active(machine, "hung"), "the room that is to hang runs")
    before = machine.shown("hygrohold@hung", "MainPID")
    machine.said("systemctl", "kill", "--kill-whom=main", "-s", "STOP", "hygrohold@hung")
    machine.until(lambda: ends(machine, "hung"), "ExecStopPost= after the watchdog")
    assert ends(machine, "hung")[0].startswith("watchdog ")
    machine.until(lambda: active(machine, "hung"), "running again")
    assert machine.shown("hygrohold@hung", "MainPID") != before
    assert status(machine, "hung")["service_ended"]["result"] == "watchdog"
    machine.said("systemctl", "stop", "hygrohold@hung")


def test_stopped_it_is_off_and_clean(machine: Machine) -> None:
    before = len(ends(machine, "larch"))
    machine.said("systemctl", "stop", "hygrohold@larch")
    assert machine.shown("hygrohold@larch", "Result") == "success"
    assert ends(machine, "larch")[before:] == ["success 0"]
    assert "the relay is off, the state is kept" in machine.journal("hygrohold@larch")
    assert status(machine)["running"] is False
    assert "rec. day" in machine.said(
        "hygrohold", "report", "--settings", "/etc/hygrohold/larch.toml", user="ann"
    )
    machine.said("systemctl", "start", "hygrohold@larch")  # although the keeper's reading left files there
    assert "record_broken" not in str(status(machine))


def test_spoilt_settings_leave_it_running_on_the_last_good_copy(machine: Machine) -> None:
    """An edit, or an upgrade whose new version refuses the file."""
    path = machine.inside("/etc/hygrohold/larch.toml")
    path.write_text(room_toml("larch", "[target]\nday_rh_pct = 1000\n"))
    machine.said("systemctl", "restart", "hygrohold@larch")
    alarms = machine.until(lambda: status(machine).get("alarms"), "an alarm")
    assert "settings_refused" in {alarm["code"] for alarm in alarms}
    said = machine.run("hygrohold", "status", "--settings", "/etc/hygrohold/larch.toml", user="ann")
    assert said.returncode == 0
    assert "larch.toml:" in said.stderr  # the mistake and its line
    assert active(machine, "larch")


def test_a_new_install_mends_it_and_loses_nothing(machine: Machine) -> None:
    said = install(machine, "larch")
    assert "the older one is now larch.toml.older-" in said
    assert "Take over" not in said

    def mended() -> bool:
        plain = status(machine)
        return plain.get("running") is True and "settings_refused" not in str(plain["alarms"])

    machine.until(mended, "that alarm is over")


def test_a_power_cut_keeps_the_state(machine: Machine) -> None:
    machine.until(lambda: status(machine).get("relay_on"), "on")
    before = status(machine)
    assert before["tank_l"] is not None  # from the note further up
    machine.power_cut()
    machine.power_on()
    machine.until(lambda: active(machine, "larch"), "started with the machine")
    after = machine.until(lambda: status(machine), "a status")
    assert after["tank_l"] == pytest.approx(before["tank_l"], abs=0.1)
    assert "state_lost" not in str(after)
    assert machine.said("cat", "/var/lib/hygrohold/larch/kept-by-hand") == "from Ann"


def test_removed_the_record_stays(machine: Machine) -> None:
    said = machine.said("hygrohold", "service", "remove", "--settings", "/etc/hygrohold/larch.toml")
    assert "stay in /var/lib/hygrohold/larch" in said
    assert machine.run("systemctl", "is-enabled", "hygrohold@larch").stdout.strip() != "enabled"
    assert not active(machine, "larch")
    assert machine.inside("/var/lib/hygrohold/larch/history.sqlite").exists()
    assert machine.inside("/etc/systemd/system/hygrohold@.service").exists()  # of three other rooms
