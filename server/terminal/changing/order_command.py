"""What the commands that change something have in common: they show first what it would do, and then ask."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from collections.abc import Callable, Iterable
from typing import Any

from django.core.management.base import CommandError

from server.api.in_process import Answer
from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import preview_in_words
from server.terminal.changing.typed import json_in
from server.terminal_command import TerminalCommand


def add_consent(parser: ArgumentParser) -> None:
    """The options by which whoever orders says yes, or only looks."""
    parser.add_argument("--preview", action="store_true", help="only show what it would do")
    parser.add_argument("--yes", action="store_true", help="do it without asking, as in scripts")
    parser.add_argument("--accept-warnings", action="store_true", help="with --yes: also where there are warnings")
    parser.add_argument("--json", action="store_true", help="answer in JSON; needs --yes or --preview")


class OrderCommand(TerminalCommand):
    """Shows what would be done, asks, and has it done."""

    def carried_out(
        self,
        options: dict[str, Any],
        preview: Any,
        said: Iterable[str],
        order: Callable[[dict[str, str]], Answer],
        done: str,
    ) -> None:
        """Show a preview, and have it done where that is meant and would change something.

        Args:
            options: see `add_consent`.
            preview: JSON, with its ``warnings``; None where there is none beforehand.
            said: the same in words.
            order: has the API do it, with what is to be added to the query.
            done: that it is done, in words.

        Raises:
            CommandError: nobody says yes.
        """
        if options["json"] and not (options["yes"] or options["preview"]):
            raise CommandError("--json asks nobody; give --yes, or --preview to only look")
        is_so = preview is not None and not preview.get("fields", True)
        if not options["json"]:
            if is_so:
                self.stdout.write("It is so already; nothing was changed.")
                return
            self.stdout.writelines(f"{line}\n" for line in said)
        answer, warnings = None, [] if preview is None else preview["warnings"]
        if not options["preview"] and not is_so:
            self._require_yes(options, warnings)
            # Only those that were seen are meant: one that has come up since is told first.
            answer = order({"accept": ",".join(one["kind"] for one in warnings)} if warnings else {})
        if options["json"]:
            made = {"preview": preview, "made": answer is not None, "now": None if answer is None else answer.body}
            self.stdout.write(json.dumps(made, ensure_ascii=False, indent=2))
        elif answer is not None:
            self.stdout.write(done)

    def replaced(self, options: dict[str, Any], address: str, done: str) -> None:
        """Have something said anew as a whole, from a file of JSON, after it was shown what that does.

        Args:
            options: with ``file`` and ``reason``; see `add_consent`.
            address: of what is replaced, below that of the API.
            done: that it is done, in words.

        Raises:
            CommandError: nobody says yes.
        """
        body = json_in(options["file"])
        if options["reason"] is not None:
            body |= {"reason": options["reason"]}
        seen = ask("GET", address)
        preview = ask("PUT", address, body, tag=seen.tag, preview="true").body
        self.carried_out(
            options,
            preview,
            preview_in_words(preview, None),
            lambda query: ask("PUT", address, body, tag=seen.tag, **query),
            done,
        )

    def _require_yes(self, options: dict[str, Any], warnings: list[Any]) -> None:
        if options["yes"]:
            if warnings and not options["accept_warnings"]:
                told = " ".join(one["in_words"] for one in warnings)
                raise CommandError(f"nothing was changed, for there are warnings: {told} Give --accept-warnings, too")
            return
        if not sys.stdin.isatty():
            raise CommandError("nothing was changed: this asks at a terminal; give --yes, or --preview to only look")
        self.stdout.write(f"Make this change{', warnings and all' if warnings else ''}? [y/N] ", ending="")
        self.stdout.flush()
        if sys.stdin.readline().strip().lower() not in ("y", "yes"):
            raise CommandError("nothing was changed")
