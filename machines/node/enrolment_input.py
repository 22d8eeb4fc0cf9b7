"""What enrolment is given: secrets, and the address of a server that they may be sent to.

A secret is typed without being shown, or comes from a file or on standard input. It is never a word of the command
line, which every user of the board can read while the command runs, and which a shell keeps.
"""

from __future__ import annotations

import argparse
import ipaddress
import sys
from collections.abc import Sequence
from getpass import getpass
from pathlib import Path
from typing import Any, NoReturn

from machines.errors import InputError
from machines.node.sync.server_address import read_server

ASK = "-"
LONGEST_SECRET = 200


def secret(field: str, file: str) -> str:
    """A secret without the white space round it.

    Args:
        field: what it is, as people are asked for it.
        file: whose first line it is; `ASK` for what is typed at the terminal, or for the first line of standard input
            where that is none.

    Raises:
        InputError: there is none, or it cannot be read.
    """
    try:
        text = _asked(field) if file == ASK else _first_line(file)
    except (OSError, ValueError, EOFError) as error:
        raise InputError(field, f"it cannot be read: {error}", "give a file of text, or type it") from error
    if not text.strip():
        raise InputError(field, "none was given", "type it, or give a file whose first line it is")
    if len(text.rstrip("\n")) > LONGEST_SECRET:
        raise InputError(
            field, f"longer than {LONGEST_SECRET} letters", "type it, or give a file whose first line it is"
        )
    return text.strip()


def _asked(field: str) -> str:
    if sys.stdin is not None and sys.stdin.isatty():
        return getpass(f"{field}, not shown: ")
    return "" if sys.stdin is None else sys.stdin.readline(LONGEST_SECRET + 2)


def _first_line(file: str) -> str:
    with Path(file).open(encoding="utf-8") as opened:
        return opened.readline(LONGEST_SECRET + 2)


class NeverOnTheLine(argparse.Action):
    """An option that would show a secret. It is refused with what is right, and without repeating it."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> NoReturn:
        """End with status 2."""
        parser.error(
            f"{option_string} would show it to every user of this computer: leave it out and type it when asked, or"
            f" give {option_string}-file FILE"
        )


def checked_server(address: str, *, plain_http: bool) -> str:
    """The address of a server to which a code may be sent, and a token ever after.

    Args:
        address: as it was given.
        plain_http: whether somebody asked for a way that everybody on it can read and change.

    Raises:
        InputError: it is no address, or more than one, or not encrypted and not asked for. This board itself may
            always be asked.

    Returns:
        the address as it is kept and called.
    """
    parts = read_server(address)
    if "@" in parts.netloc or "?" in address or "#" in address:
        raise InputError("server", "it holds more than where the server is", "leave out a name before @, ? and #")
    if parts.scheme == "http" and not (plain_http or _is_this_board(parts.hostname or "")):
        raise InputError(
            "server",
            "over http everybody on the way reads the token and can answer in the server's place",
            "give https://, or add --plain-http where the network is your own",
        )
    return parts.geturl()


def _is_this_board(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
