"""`dayroll studio-key NAME`."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from machines.errors import InputError
from server import wiring
from server.accounts.keys import make_studio_key, revoke_studio_key
from server.accounts.models import StudioKey


class Command(BaseCommand):
    help = "Make a key to the API for somebody of the studio, and print it this once; or revoke or list keys."

    def add_arguments(self, parser: ArgumentParser) -> None:
        what = parser.add_mutually_exclusive_group(required=True)
        what.add_argument("name", nargs="?", help="who will hold the new key")
        what.add_argument("--revoke", metavar="NAME", help="make that key useless")
        what.add_argument("--list", action="store_true", help="the keys by name and visible prefix")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["list"]:
                self._list()
            elif options["revoke"] is not None:
                revoke_studio_key(options["revoke"], wiring.now())
                self.stderr.write(f"The key of {options['revoke']} opens nothing any more.")
            else:
                self.stdout.write(make_studio_key(options["name"], wiring.now()))
                self.stderr.write("Keep it now: only its hash is stored. Send it as `Authorization: Bearer <key>`.")
        except InputError as error:
            raise CommandError(f"{error.problem}; {error.remedy}") from error

    def _list(self) -> None:
        for key in StudioKey.objects.order_by("made_at", "id"):
            state = "in use" if key.revoked_at is None else f"revoked {key.revoked_at:%Y-%m-%d %H:%M} UTC"
            self.stdout.write(f"{key.prefix}  made {key.made_at:%Y-%m-%d %H:%M} UTC  {state}  {key.name}")
