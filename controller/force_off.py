"""FORCE OFF: drives the relay's line off with nothing but the kernel, before or after the program itself.

In:    a folder with the line file (chip, line, electrical level that is off).
Out:   the line as an output at its off level, and one sentence about it.
Never: drives on; imports anything but the standard library, so that it also runs as a script in
       milliseconds: ``python3 -I -S force_off.py FOLDER ...`` (without a folder: the service's).

What it uses of the kernel is ``include/uapi/linux/gpio.h``, the GPIO character device's second
interface (Linux 5.10). When the script ends the line is released, and what a released line does is
the kernel's and the board's affair (gpioset(1): not guaranteed): only a resistor keeps it off.

Records here are plain tuples, and the line file is read without a parser: those imports would
double the time of a script that may have to run on a slow board with its program dead.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
import sys
import time

FILE = "relay-line.json"
"""Written beside the kept state and in the runtime folder once the relay has been claimed."""
WAIT_S = 2.0
"""How long the script waits for a line that a dying program still holds."""

# _IOWR(0xB4, number, struct): 3 << 30 | size of the struct << 16 | 0xB4 << 8 | number
GET_LINE = 0xC250B407  # struct gpio_v2_line_request, 592 bytes
GET_LINE_INFO = 0xC100B405  # struct gpio_v2_line_info, 256 bytes
REQUEST_BYTES, INFO_BYTES = 592, 256
OFFSETS_AT, CONSUMER_AT, CONFIG_AT, NUM_LINES_AT, FD_AT = 0, 256, 288, 560, 588
INFO_CONSUMER_AT, INFO_OFFSET_AT, INFO_FLAGS_AT = 32, 64, 72
NAME_BYTES = 32
FLAG_USED, FLAG_OUTPUT = 1 << 0, 1 << 3
ATTR_OUTPUT_VALUES = 2

MOST_DIGITS = 9
"""Of a line's number, which is 32 bits wide for the kernel."""
_CHIP = "/dev/gpiochip"
_STEP_S = 0.05


class NotDriven(Exception):
    """Why a line could not be driven off, in one sentence."""


def write_line_file(folder: str | os.PathLike[str], chip: str, line: int, off_level: int) -> None:
    """Says for later which line the relay is on. ``off_level`` is electrical, 0 or 1. Raises OSError."""
    path = os.path.join(folder, FILE)  # noqa: PTH118 - pathlib costs more than all of this
    beside = f"{path}.part"
    text = f'{{"chip": "{chip}", "line": {line:d}, "off_level": {off_level:d}}}\n'
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    try:
        os.write(descriptor, text.encode())
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    os.replace(beside, path)  # noqa: PTH105


def remove_line_file(folder: str | os.PathLike[str]) -> None:
    """No relay, so no line. Raises OSError where it is there and cannot be removed."""
    try:
        os.unlink(os.path.join(folder, FILE))  # noqa: PTH108, PTH118
    except FileNotFoundError:
        return


def read_line_file(folder: str | os.PathLike[str]) -> tuple[str, int, int] | None:
    """(chip, line, off level), or None where there is no such file. Raises OSError, ValueError."""
    try:
        # O_NONBLOCK: a pipe of that name, left by whoever owns the folder, must not hold up whoever reads.
        # O_NOFOLLOW: the reader may be root, and opening is an act by itself (a link to /dev/watchdog).
        descriptor = os.open(os.path.join(folder, FILE), os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)  # noqa: PTH118
    except (FileNotFoundError, NotADirectoryError):
        return None
    try:
        text = os.read(descriptor, 4096).decode()
    finally:
        os.close(descriptor)
    said: dict[str, str] = {}
    for pair in text.strip().strip("{}").split(","):
        key, _, value = pair.partition(":")
        said[key.strip().strip('"')] = value.strip()
    chip, line, off = (said.get(key, "") for key in ("chip", "line", "off_level"))
    chip = chip.strip('"')
    # The file may be read by root and was written by a lesser user: nothing but a gpiochip is opened.
    number = chip.removeprefix(_CHIP)
    if chip == number or not (number + line).isascii() or not number.isdigit() or not line.isdigit():
        raise ValueError(f"{FILE} does not name a chip and a line")
    if len(line) > MOST_DIGITS:
        raise ValueError(f"{FILE} names a line that no chip has")
    if off not in ("0", "1"):
        raise ValueError(f"{FILE} does not say which level is off")
    return chip, int(line), int(off)


def request_bytes(line: int, level: int, consumer: str) -> bytearray:
    """``struct gpio_v2_line_request`` for one output line that starts at ``level``."""
    request = bytearray(REQUEST_BYTES)
    struct.pack_into("=I", request, OFFSETS_AT, line)
    struct.pack_into("=31s", request, CONSUMER_AT, consumer.encode())  # the 32nd byte ends the text
    # config: flags, number of attributes, 5 words of padding; then the first attribute: its id, a
    # word of padding, the values, and the mask of the lines it is for (bit 0 = the first line asked for)
    struct.pack_into("=QI20xIIQQ", request, CONFIG_AT, FLAG_OUTPUT, 1, ATTR_OUTPUT_VALUES, 0, level, 1)
    struct.pack_into("=I", request, NUM_LINES_AT, 1)
    return request


def line_info(chip: str, line: int) -> tuple[bool, str]:
    """(in use, by whom as far as the kernel tells). Claims nothing. Raises OSError; EINVAL: no such line."""
    info = bytearray(INFO_BYTES)
    struct.pack_into("=I", info, INFO_OFFSET_AT, line)
    descriptor = os.open(chip, os.O_RDWR | os.O_CLOEXEC)
    try:
        fcntl.ioctl(descriptor, GET_LINE_INFO, info)
    finally:
        os.close(descriptor)
    (flags,) = struct.unpack_from("=Q", info, INFO_FLAGS_AT)
    name = bytes(info[INFO_CONSUMER_AT : INFO_CONSUMER_AT + NAME_BYTES]).split(b"\0")[0]
    return bool(flags & FLAG_USED), name.decode(errors="replace")


def claim(chip: str, line: int, level: int, wait_s: float = 0.0, consumer: str = "hygrohold") -> int:
    """Takes the line as an output that starts at ``level``; its descriptor. Raises NotDriven."""
    request = request_bytes(line, level, consumer)
    until = time.monotonic() + wait_s
    try:
        descriptor = os.open(chip, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        raise NotDriven(_open_words(chip, error)) from None
    try:
        while True:
            try:
                fcntl.ioctl(descriptor, GET_LINE, request)
            except OSError as error:
                if error.errno != errno.EBUSY or time.monotonic() >= until:
                    raise NotDriven(_claim_words(chip, line, error, wait_s)) from None
                time.sleep(_STEP_S)
            else:
                (held,) = struct.unpack_from("=i", request, FD_AT)
                return int(held)
    finally:
        os.close(descriptor)


def _open_words(chip: str, error: OSError) -> str:
    if error.errno == errno.ENOENT:
        return f"there is no {chip}"
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"this user, or a sandbox, may not use {chip}"
    return f"{chip} cannot be opened: {error.strerror or error}"


def _claim_words(chip: str, line: int, error: OSError, wait_s: float) -> str:
    if error.errno == errno.EBUSY:
        try:
            name = line_info(chip, line)[1]
        except OSError:
            name = ""
        by = f'by "{name}"' if name else "by a program that gives no name"
        waited = f" and was not let go in {wait_s:g} s" if wait_s else ""
        return f"line {line} of {chip} is held {by}{waited}"
    if error.errno == errno.EINVAL:
        return f"{chip} has no line {line}, or cannot drive it"
    if error.errno == errno.ENODEV:
        return f"{chip} has gone away"
    if error.errno == errno.ENOTTY:
        return f"{chip} knows no such request: it is no GPIO chip, or the kernel is older than 5.10"
    return f"line {line} of {chip} cannot be driven: {error.strerror or error}"


def find_line(folders: list[str]) -> tuple[tuple[str, int, int] | None, str]:
    """The line in the first folder that has a readable line file, and what is wrong with the others."""
    wrong = ""
    for folder in folders:
        try:
            found = read_line_file(folder)
        except (OSError, ValueError) as error:
            wrong = wrong or f"the line file in {folder} cannot be used: {error}"
            continue
        if found is not None:
            return found, wrong
    return None, wrong


def force_off(folders: list[str], wait_s: float = WAIT_S) -> tuple[bool, str]:
    """Drives the line off that the first of the folders names. (Is all well?, one sentence.)"""
    found, wrong = find_line(folders)
    if found is None:
        if wrong:
            return False, f"relay NOT driven off: {wrong}"
        return True, f"nothing to do: no line file in {', '.join(folders) or 'any folder (none was named)'}"
    chip, line, level = found
    try:
        os.close(claim(chip, line, level, wait_s, "hygrohold-off"))
    except NotDriven as trouble:
        return False, f"relay NOT driven off: {trouble}. If it is on, unplug the humidifier"
    return True, f"relay driven off: line {line} of {chip} is {'high' if level else 'low'}"


class Held:
    """A line held at its off level until ``release``, or else until the program ends."""

    def __init__(self, line: tuple[str, int, int] | None, descriptor: int, trouble: str) -> None:
        self.line = line
        """(chip, line, off level) of the line file; None where none was found."""
        self.trouble = trouble
        """Why it could not be done, in words; "" when nothing went wrong."""
        self._descriptor = descriptor

    @property
    def holding(self) -> bool:
        return self._descriptor >= 0

    def is_on(self, chip: str, line: int) -> bool:
        """Is it this line that is held?"""
        return self.holding and self.line is not None and self.line[:2] == (chip, line)

    def release(self) -> None:
        """Lets go, so that the relay's driver can claim the line. May be called twice."""
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)


def hold(*folders: str | os.PathLike[str]) -> Held:
    """Claims the line the first line file names, at its off level, and keeps it. Never raises."""
    found, trouble = find_line([os.fspath(folder) for folder in folders])
    if found is None:
        return Held(None, -1, trouble)
    try:
        return Held(found, claim(*found), "")
    except NotDriven as error:
        return Held(found, -1, str(error))


def service_folders() -> list[str]:
    """The folders a service manager gives, the runtime folder first; each variable may name several."""
    given = [os.environ.get(name, "") for name in ("RUNTIME_DIRECTORY", "STATE_DIRECTORY")]
    return [folder for folders in given for folder in folders.split(":") if folder]


def main(arguments: list[str]) -> int:
    done, words = force_off(arguments or service_folders())
    (sys.stdout if done else sys.stderr).write(f"hygrohold: {words}\n")
    return 0 if done else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
