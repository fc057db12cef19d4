"""What the commands that speak to a broker share: its options, and what they come to. Not a command."""

from __future__ import annotations

import argparse
import socket
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.errors import SettingsError

if TYPE_CHECKING:
    from controller.outlets.link import Broker

PORT, TLS_PORT = 1883, 8883
LONGEST_PASSWORD = 1024


def add_broker(to: Any, required: bool) -> None:
    """``to``: a parser, or a group of one."""
    to.add_argument(
        "--broker",
        metavar="HOST[:PORT]",
        required=required,
        help=f"an MQTT broker (port {PORT}, with --tls-ca {TLS_PORT})",
    )
    to.add_argument("--user", metavar="NAME", help="the user at the broker")
    to.add_argument(
        "--password-file", metavar="FILE", help="a file that holds the password and nothing else; chmod 600"
    )
    to.add_argument(
        "--tls-ca", metavar="FILE", help="encrypt; the broker's certificate must be of this CA file (PEM)"
    )
    to.add_argument(
        "--mqtt", choices=("5", "3.1.1"), default="5", help="the version of MQTT (default: %(default)s)"
    )


def add_board(to: Any) -> None:
    to.add_argument("--board", metavar="NAME", help="this board's name at the broker (default: the host's)")


def board_of(args: argparse.Namespace) -> str:
    """Raises SettingsError."""
    from controller.outlets import wire

    board: str = args.board or wire.board_name(socket.gethostname())
    if not wire.NAME.fullmatch(board):
        raise SettingsError(f"--board: {board!r} is to be small letters, digits and hyphens, at most 40")
    return board


def without_broker(args: argparse.Namespace) -> None:
    """Raises SettingsError for options that mean nothing without one."""
    if not args.broker and (args.user or args.password_file or args.tls_ca or args.board):
        raise SettingsError("--user, --password-file, --tls-ca and --board belong to --broker HOST")


def clear_words(broker: Broker) -> str:
    """A warning where a password goes over a network unencrypted; else ""."""
    if not broker.password or broker.ca_file is not None or is_loopback(broker.host):
        return ""
    return "The password goes to the broker in the clear, and so does all else: --tls-ca encrypts."


def broker_of(args: argparse.Namespace) -> Broker:
    """Raises SettingsError for options that do not fit, HygroholdError without the library."""
    from controller.outlets.link import Broker

    host, port = host_and_port(args.broker, "--broker", TLS_PORT if args.tls_ca else PORT)
    if args.password_file and not args.user:
        raise SettingsError("--password-file needs --user: a password belongs to somebody")
    password = _password(Path(args.password_file)) if args.password_file else ""
    ca_file = Path(args.tls_ca) if args.tls_ca else None
    return Broker(host, port, args.user or "", password, ca_file, args.mqtt)


def host_and_port(text: str, option: str, port: int | None = None) -> tuple[str, int]:
    """Of a text like host:1883, host, or [::1]:1883. Raises SettingsError."""
    host, _, after = text.rpartition(":") if not text.endswith("]") else (text, "", "")
    if not host and port is not None:  # no colon: a host alone
        host, after = after, ""
    elif ":" in host and not host.startswith("["):
        raise SettingsError(f"{option}: an IPv6 address goes into brackets, as in [::1]:{port or 9100}")
    host = host.removeprefix("[").removesuffix("]")
    wanted = after or ("" if port is None else str(port))
    if not host or any(one.isspace() for one in host) or not _is_port(wanted):
        raise SettingsError(f"{option}: {text!r} is not a host and port like localhost:{port or 9100}")
    return host, int(wanted)


def _is_port(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 5 and 0 < int(text) <= 65535


def is_loopback(host: str) -> bool:
    return host in ("localhost", "::1") or host.startswith("127.")


def _password(path: Path) -> str:
    from controller.files import read_small

    try:
        if stat.S_IMODE(path.stat().st_mode) & stat.S_IRWXO:
            raise SettingsError(
                f"--password-file: every user of this machine may use {path}: `chmod 600 {path}` first"
            )
        text = read_small(path, LONGEST_PASSWORD).decode()
    except OSError as error:
        raise SettingsError(f"--password-file: {path} cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"--password-file: {path} is no text in UTF-8") from error
    except ValueError as error:
        if isinstance(error, SettingsError):
            raise
        raise SettingsError(f"--password-file: {path}: {error}") from error
    password = text.removesuffix("\n").removesuffix("\r")
    if not password or "\n" in password:
        raise SettingsError(f"--password-file: {path} is to hold one line, the password")
    return password
