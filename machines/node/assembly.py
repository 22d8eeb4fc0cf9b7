"""The parts of a running node, put together: what tells the time, what speaks with the server, what prints."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from machines.chance import Chance
from machines.clock import Clock
from machines.errors import InputError
from machines.node.clock import system_clocks
from machines.node.device.controller import OpenDriver
from machines.node.printing.loop import Printer
from machines.node.settings import Settings
from machines.node.store import identity
from machines.node.store.identity import Credentials
from machines.node.store.journal import Journal
from machines.node.sync.client import Client
from machines.node.sync.exchange import Exchange
from machines.node.sync.timekeeper import Timekeeper
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work.plate_cache import PlateCache


@dataclass(frozen=True, kw_only=True)
class Board:
    """What a node stands on.

    Attributes:
        home: its folder.
        journal: in it, open.
        clock: the board's.
        boot: names the count of the clock's elapsed seconds.
        plates: where fetched ones are kept.
        open_driver: opens the machine beside it.
        connect: makes the client that calls the server.
        inquiry: tells the print loop of the exchange's passes.
        chance: by which it waits for the server.
    """

    home: Path
    journal: Journal
    clock: Clock
    boot: str
    plates: PlateCache
    open_driver: OpenDriver
    connect: Callable[[Credentials], Client]
    inquiry: WorkInquiry
    chance: Chance


@dataclass(frozen=True, kw_only=True)
class Parts:
    """The parts; each is run by whoever put them together."""

    time: Timekeeper
    exchange: Exchange
    printer: Printer


def call(credentials: Credentials) -> Client:
    """The client of a board that is enrolled, over the network."""
    return Client(credentials.server, credentials.token)


def assemble(on: Board, settings: Settings) -> Parts:
    """Put the parts together; nothing runs yet.

    Raises:
        InputError: the board is not enrolled, or has no such clock as is set.
    """
    with on.journal.reading() as db:
        credentials = identity.credentials(db)
    if credentials is None:
        raise InputError("home", f"{on.home} is not enrolled", "run dayroll-node enrol")
    time = Timekeeper(
        on.clock,
        on.journal,
        on.boot,
        counter=system_clocks.counter_name(on.clock),
        own_clocks=system_clocks.own_clocks(on.clock, settings.battery_clock_ppm),
    )
    exchange = Exchange(
        journal=on.journal,
        clock=on.clock,
        time=time,
        plates=on.plates,
        client=on.connect(credentials),
        epoch=credentials.epoch,
        horizon=settings.horizon,
        panel=settings.panel_found_at,
        inquiry=on.inquiry,
        chance=on.chance,
    )
    printer = Printer(
        on.journal,
        time.estimate,
        on.plates,
        on.open_driver,
        settings.columns_per_commit,
        resume_unattended=settings.resume_unattended,
        inquiry=on.inquiry,
    )
    return Parts(time=time, exchange=exchange, printer=printer)
