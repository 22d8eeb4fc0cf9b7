"""Every tolerance and every limit of the product, pinned by its literal value, with the reason for it.

A constant that somebody changes by a slip changes what is printed, refused or waited for, and no other test may notice:
most assert by far more or far less. So the value stands here a second time, and whoever changes it says why here, too.
What no table can tell, what happens at the boundary itself, the tests of the modules show.

A number in capitals at the head of a module of `machines`, `scheduling` or `server` stands in `LIMITS`, or in
`NO_LIMITS` with what it is instead.
"""

from __future__ import annotations

import ast
import importlib
import re
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
CONSTANT = re.compile(r"_?[A-Z][A-Z0-9_]*")


def days(count: float) -> timedelta:
    return timedelta(days=count)


# Name: value, reason.
LIMITS: dict[str, tuple[Any, str]] = {
    # What is measured of a machine, and what it may be.
    "machines.model.calibration.LEAST_FEED_FACTOR": (
        0.8,
        "a feed further off has another roller than the profile says",
    ),
    "machines.model.calibration.LARGEST_FEED_FACTOR": (
        1.25,
        "a feed further off has another roller than the profile says",
    ),
    "machines.imaging.patterns.LARGEST_FEED_CORRECTION": (0.05, "more is a misreading of the pattern"),
    "machines.model.profile.LARGEST_PLATE_DOTS": (
        250_000_000,
        "600 mm at 600 dpi on 610 mm is 204 million; a byte a dot",
    ),
    "machines.model.position.LARGEST_STEP_COLUMNS": (0.25, "too little for an eye to find beside dots"),
    "machines.model.position.BLANK_COLUMNS": (2, "a step beside a dot would show"),
    "machines.model.profile.LENGTH_LIMIT_MM": (100_000.0, "no measure of a machine is longer than its paper"),
    "machines.recovery.inputs.LEAST_GAIN": (0.001, "at less an hour takes six weeks to catch up"),
    "machines.clock.LEAST_SLEEP_S": (1.0, "what the clocks differ by over less is no sleep of the board"),
    # What people are told of, wherever they are.
    "scheduling.telling.amiss.SUPPLIES_AHEAD": (days(7), "as the sheet of the day; a part is ordered in a week"),
    "scheduling.telling.amiss.HELD_FOR": (days(1 / 24), "who changes a roll is done by then"),
    "scheduling.telling.amiss.LEAST_FREE": (1_000_000_000, "plates of a week of some machines; the log needs less"),
    "scheduling.telling.matters.SETTLED": (days(2 / 1440), "boards ask once a minute, and are looked for twice in it"),
    "scheduling.telling.matters.LONGEST_KEY": (100, "an id in an address has 120 signs, and the time takes 16"),
    "scheduling.telling.recipients.MOST_RECIPIENTS": (60, "each is asked at every look"),
    "scheduling.telling.recipients.MOST_VENUES_EACH": (100, "more are all of them"),
    "scheduling.telling.recipients.LONGEST_RECIPIENT_NAME": (100, "as of whom to ring"),
    "scheduling.telling.recipients.LONGEST_WEBHOOK": (500, "an address with a token in it has 200"),
    "scheduling.telling.recipients.MOST_AFTER_MIN": (1440, "who is called after a day is not called"),
    "scheduling.telling.recipients.MOST_SECRET_NUMBER": (9_999, "a new secret a day for a life"),
    "scheduling.telling.whom.TOLD_OVER_FOR": (days(8), "who is on call on one day a week is told, too"),
    "scheduling.telling.keeping.KEPT": (days(90), "a season's end is looked back on; what is of people goes"),
    "server.desk.told.MATTERS_SHOWN": (60, "a page; the API has the rest"),
    "server.terminal.management.commands.told.MOST_SHOWN": (100, "a screen or two; the API has the rest"),
    "server.telling.hooks.PATIENCE_S": (10.0, "a receiver takes it and works on it later"),
    "server.telling.hooks.IN_ALL_S": (20.0, "who sends an octet at a time holds nobody up"),
    "server.telling.delivery.CLAIMED": (days(2 / 1440), "longer than any try takes, and soon enough after a kill"),
    "server.telling.delivery.MOST_AT_ONCE": (50, "what comes up meanwhile is not long after them"),
    "server.telling.delivery.MOST_TRIES": (18, "twelve hours after the first; by then nobody waits for what is over"),
    "server.telling.delivery.FIRST_WAIT": (days(1 / 1440), "a mail server that begins again is there by then"),
    "server.telling.delivery.LONGEST_WAIT": (days(1 / 24), "what is told later than that is told too late"),
    "scheduling.telling.matters.ONE_CAUSE": (days(5 / 1440), "boards ask once a minute, and may miss some"),
    # The node: what it waits for, what it bears.
    "machines.node.agent.LOOK_S": (0.2, "a person's order is followed at once, as people see it"),
    "machines.node.waiting.bell.DEAF_S": (0.2, "a person's order is followed at once, as people see it"),
    "machines.node.waiting.bell.PATIENCE_S": (1.0, "who listens only has to be woken"),
    "machines.node.waiting.news.LONGEST_S": (
        5.0,
        "what was not told is seen before a person gives up, and it costs nothing",
    ),
    "machines.node.agent.FAREWELL_S": (5.0, "the service unit waits longer; the last reports may need a retry"),
    "machines.node.agent.SWITCH_S": (0.001, "the print loop must not wait for a thread that computes"),
    "machines.node.agent.LOCK_ATTEMPTS": (20, "a second in all: an agent that just ended lets go by then"),
    "machines.node.agent.LOCK_PAUSE_S": (0.05, "twenty of them are a second"),
    "machines.node.manual.arming.LIMIT_S": (10.0, "a person stands there and waits"),
    "machines.node.manual.arming.REST_LIMIT_S": (3.0, "a stretch under way is laid first; who waits is told so"),
    "machines.node.manual.arming.LOOK_S": (0.05, "what a person waits for is seen at once"),
    "machines.node.waiting.inquiry.WAIT_LIMIT_S": (30.0, "a network that hangs keeps nobody from printing"),
    "machines.node.waiting.inquiry.WAIT_LEAST_REAL_S": (
        1.0,
        "under a faster clock the limit is too short for any answer",
    ),
    "machines.node.waiting.supervised.PAUSE_S": (
        1.0,
        "a person who says stop at the machine waits no longer for a watch",
    ),
    "machines.node.clock.system_clocks.MOST_DRIFT_PPM": (1000.0, "a clock further off is broken"),
    "machines.node.clock.system_clocks.WHOLE_SECOND_S": (1.0, "a battery clock shows whole seconds"),
    "machines.node.clock.system_clocks.SLACK_S": (1.0, "a simple time service states no error of its own servers"),
    "machines.node.clock.known_rate.BETWEEN_BOOTS": (5e-6, "warmth and ageing between two boots"),
    "machines.node.clock.known_rate.ABOUT_AS_NARROW": (1.25, "of two that are alike, the newer tells more"),
    "machines.node.sync.timekeeper.WORTH_A_WRITE": (2.0, "each time is a write to the card"),
    "machines.node.device.controller.MOST_REFUSALS": (3, "each leaves a burst unknown"),
    "machines.node.clock.estimate.SAMPLES_KEPT": (8, "so many must agree; older ones say nothing of the network now"),
    "machines.node.work.bursts.STUMBLE_COLUMNS": (4, "a stumble is laid a little late, an outage is settled"),
    "scheduling.commands.run_changes.HEARS_WITHIN": (days(1 / 24), "a board asks again within it: LONGEST_POLL_S"),
    "scheduling.venues.run_recesses.AROUND": (days(8), "closed hours come again within a week"),
    "scheduling.commands.hold_run.MOST_HOLDS": (100, "each is in the work of a board, over ones too"),
    "scheduling.commands.visits.NAMED_ONE_BY_ONE": (5, "more would bury what else is said"),
    "scheduling.commands.openings.LONGEST": (days(366), "what lasts longer is no opening"),
    "scheduling.paper.run_anchors.MOST_PASSAGES": (100, "a picture that comes round more often names no time of a day"),
    "scheduling.commands.additions.MOST_VENUES": (200, "a series has at least one opening at each"),
    "scheduling.commands.occurrences.MOST_OPENINGS": (200, "they are made in one transaction, and each is read"),
    "server.api.changes.LONGEST_KEY": (100, "a number of any kind fits, and the memory of it stays small"),
    "machines.node.sync.answers.LONGEST_DETAIL": (500, "what people are told fits a screen"),
    "machines.node.sync.answers.LONGEST_WAIT_S": (
        3600.0,
        "whatever Retry-After says; a day is too long",
    ),
    "machines.node.sync.answers.MOST_ENTRIES": (1_000_000_000, "one a second for thirty years"),
    "machines.node.sync.call_now.PATIENCE_S": (30.0, "longer than a connection takes; a person stands there"),
    "machines.node.sync.exchange.FIRST_WITHIN_S": (60.0, "a thousand boards call as evenly as on any other day"),
    "machines.node.sync.call_now.LOOK_S": (0.1, "what a person waits for is seen at once"),
    "machines.node.sync.client.BACKOFF_FIRST_S": (1.0, "most troubles are over at once"),
    "machines.node.sync.client.BACKOFF_LONGEST_S": (300.0, "a server that is back is found within five minutes"),
    "machines.node.sync.client.AGAIN_WITHIN_S": (60.0, "a thousand boards come as evenly as on any other day"),
    "machines.node.sync.client.LONGEST_ANSWER": (262_144, "all but work and plates is a few lines"),
    "machines.node.sync.client.LONGEST_WORK": (16_777_216, "eight times what a month in half hours has"),
    "machines.node.sync.connection.CONNECT_LIMIT_S": (
        5.0,
        "wifi at the edge of reach answers within seconds or not at all",
    ),
    "machines.node.sync.connection.READ_LIMIT_S": (20.0, "a busy server draws a plate meanwhile"),
    "machines.node.sync.exchange.LEAST_POLL_S": (1.0, "a server that says nothing sensible is not stormed"),
    "machines.node.sync.exchange.LONGEST_POLL_S": (3600.0, "a node that asks less often is taken for silent"),
    "machines.node.store.documents.TEXTS_KEPT": (
        128,
        "a day's segments and the documents, so that none is read with every pass",
    ),
    "machines.node.sync.exchange.MOST_SAID": (50, "troubles that never come twice alike are not kept for ever"),
    "machines.node.store.part_changes.MOST_KEPT": (12, "each part four times, before anybody looks what was noted"),
    "machines.node.store.telling.LONGEST_SPOILT": (4000, "whatever it holds, the server keeps an entry of that length"),
    "machines.node.store.telling.LARGEST_NUMBER": (
        2**53 - 1,
        "the log's numbers are those that a double holds exactly",
    ),
    "machines.node.store.telling.DEEPEST": (100, "half of what the server reads; an entry has some five"),
    "machines.node.work.plausibility.LARGEST_COLUMN": (
        2**50,
        "beyond it columns cannot be told apart in the count of turns",
    ),
    "machines.node.work.plausibility.LARGEST_SEED": (2**63, "no plan has one that does not fit the journal"),
    "machines.node.work.plausibility.LEAST_TURN_S": (
        60.0,
        "nothing in the sky turns faster, nor anything small to try",
    ),
    "machines.node.work.plausibility.LONGEST_TURN_S": (4e10, "a thousand years"),
    "machines.node.work.plausibility.LONGEST_SHIFT_S": (1e9, "no timeline waits for thirty years"),
    "machines.node.work.plausibility.FIRST_YEAR": (2000, "a clock that tells an earlier year is wrong"),
    "machines.node.work.plausibility.YEARS_END": (2200, "the calendar ends with 9999, and sums must stay below that"),
    "machines.node.work.plausibility.LEAST_SIZE": (1e-9, "no measure of a machine is smaller"),
    "machines.node.work.plausibility.LARGEST_SIZE": (1e9, "no measure of a machine is larger"),
    "machines.node.work.plausibility.MOST_PLATES": (
        5_000,
        "a month of turns of ten minutes, each with a picture of its own",
    ),
    "machines.node.work.plate_cache.LEAST_FREE": (
        33_554_432,
        "the journal lies on the same card, and has less in a year",
    ),
    "machines.node.enrolment_input.LONGEST_SECRET": (200, "no code or PIN is a tenth as long; a wrong file is"),
    "machines.node.sync.reachability.KEPT_EVERY_S": (600.0, "a write to the card each minute wears it"),
    "machines.node.clock.drift.WANDER": (3e-6, "temperature in a room moves a crystal by no more"),
    "machines.node.clock.drift.MARK_EVERY_S": (600.0, "over less the network's delay hides the rate"),
    "machines.node.clock.drift.MARKS_KEPT": (24, "older ones say nothing of the crystal now"),
    "machines.node.sync.report_errand.LARGEST_BATCH": (200, "a batch stays far below the largest body"),
    "machines.node.sync.exchange.FIRST_POLL_S": (60.0, "as often as the server asks for before it has said so"),
    "machines.node.printing.gaps.SAMPLED_COLUMNS": (64, "tells the mean dots well enough for a cost in ink"),
    "machines.node.manual.prints.LEAST_FEED_MM": (1.0, "less is no feed that a person sees"),
    "machines.node.manual.prints.MOST_FEED_MM": (500.0, "more is a slip of the hand, and paper on the floor"),
    "machines.node.manual.prints.LARGEST_PART": (256, "a person who says stop waits no longer than for these columns"),
    "machines.node.manual.job.BEGIN_LIMIT_S": (5.0, "a person stands there and waits"),
    "machines.node.manual.job.END_LIMIT_S": (20.0, "a person stands there and waits"),
    "machines.node.manual.job.LOOK_S": (0.05, "what a person waits for is seen at once"),
    "machines.node.printing.order_queue.LEAD_BURSTS": (
        0.25,
        "an order written down ahead is lost, at worst, by so much",
    ),
    "machines.node.store.journal.BUSY_LIMIT_S": (10.0, "a card that cleans itself up answers within seconds"),
    "machines.node.manual.position_recovery.MOST_FED_MM": (5000.0, "another roll is nearer than so much blank paper"),
    "machines.node.panel.pin.DIGITS": (6, "a million, against five guesses and a lock"),
    "machines.node.panel.pin.FREE_GUESSES": (5, "a person mistypes twice, a guesser more often"),
    "machines.node.panel.pin.FREE_IN_ALL": (
        50,
        "whoever has many addresses has one in twenty thousand, and waits",
    ),
    "machines.node.panel.pin.FORGOTTEN_S": (
        3600.0,
        "no guess is forgotten sooner than the longest wait gives another",
    ),
    "machines.node.panel.pin.MOST_CALLERS": (500, "more than a venue's network has, and no memory to fill"),
    "machines.node.panel.serving.KNOWN_S": (15_552_000, "half a year: a telephone of the staff's is seen more often"),
    "machines.node.panel.pin.LOCKED_S": (60.0, "a person can wait a minute, a guesser has six tries an hour"),
    "machines.node.panel.pin.LONGEST_LOCKED_S": (3600.0, "staff are never locked out for a day"),
    "machines.node.panel.pin.LONGEST_SESSION_S": (43_200.0, "a day's work at the machine, however busy"),
    "machines.node.panel.pin.SESSION_S": (900.0, "a quarter of an hour at the machine, and not the next day"),
    "machines.node.panel.pin.MOST_SESSIONS": (20, "more than there are people, and no memory to fill"),
    "machines.node.panel.serving.LARGEST_FORM": (4096, "the largest form has a few hundred octets"),
    "machines.node.panel.serving.PATIENCE_S": (10.0, "a browser that says nothing holds a thread no longer"),
    "machines.node.clock.samples.DRIFT": (250e-6, "of a crystal that nobody knows; most keep within 100 ppm"),
    "machines.node.clock.samples.MOST_DRIFT": (1e-3, "the kernel slews by 500 ppm on top of a crystal"),
    "machines.node.clock.samples.SERVER_WOBBLE_S": (0.02, "of a clock that a time service keeps"),
    "machines.node.clock.samples.STAMP_ROUNDING_S": (2e-6, "stamps have whole microseconds"),
    "machines.node.clock.server_time.PROBATION_S": (
        900.0,
        "a step is believed when the server tells one time for so long",
    ),
    "machines.node.clock.manual_time.LEAST_ERROR_S": (1.0, "nobody sets a clock by hand better"),
    "machines.node.clock.manual_time.USUAL_ERROR_S": (60.0, "a watch is right to the minute"),
    "machines.node.clock.manual_time.MOST_ERROR_S": (3600.0, "further off no machine may print anyway"),
    "machines.node.work.takeover.TOLERANCES": (2.0, "one board ahead and the next behind, each by what is allowed"),
    # A node's word at the door.
    "scheduling.nodes.entry_bounds.EARLIEST_YEAR": (2000, "no machine of this kind printed before"),
    "scheduling.nodes.entry_bounds.FARTHEST_AHEAD": (timedelta(days=7), "a clock that far ahead tells no time at all"),
    "scheduling.nodes.entry_bounds.LONGEST_KEYWORD": (100, "no keyword of RFC 8011 is half as long"),
    "scheduling.nodes.entry_bounds.LONGEST_REASON": (2000, "a few sentences"),
    "scheduling.nodes.entry_bounds.MOST_CLOSED": (1000, "closed hours of the month ahead that a node can hold"),
    "scheduling.nodes.entry_bounds.MOST_KEYWORDS": (64, "nobody has all of RFC 8011's conditions at once"),
    "scheduling.nodes.entry_bounds.MOST_MISS_S": (316_224_000.0, "ten years: it lay still, and prints on"),
    "scheduling.nodes.entry_bounds.MOST_PLACES": (10_000_000_000, "a hundred kilometres of paper"),
    "scheduling.nodes.entry_bounds.SLACK": (timedelta(seconds=60), "beside what the node says of its own clock"),
    "scheduling.log.store.LONGEST_PROBLEM": (500, "what is wrong, in a sentence or two"),
    "scheduling.nodes.reports.LONGEST_SAID": (300, "a notice is read, not studied"),
    "scheduling.nodes.known_runs.MOST_ERROR_S": (86_400.0, "who is less sure of the time prints nothing by it"),
    "scheduling.nodes.settlement_check.SHIFT_TOLERANCE_S": (0.001, "less than a dot of any run"),
    "scheduling.nodes.received_entries.LONGEST_ENTRY": (
        200_000,
        "an entry kept as it was told, characters",
    ),
    "scheduling.nodes.received_entries.MOST_ENTRIES": (
        500,
        "what a server writes in a few seconds; the node halves its batch",
    ),
    "server.api.problems.MENDED_AFTER_S": (300, "a view that is set aside waits for a person"),
    # Drivers and the serial line.
    "machines.drivers.simulated.random_faults.MOST_A_DAY": (10_000.0, "faults that come more often are no chance"),
    "machines.drivers.simulated.random_faults.MOST_DAYS": (1e6, "beyond lies the end of the calendar"),
    "machines.drivers.simulated.random_faults.MOST_FAULTS": (1e6, "more fill the memory before the machine begins"),
    "machines.drivers.simulated.random_faults.LARGEST_CLUSTER": (3, "nozzles that clog side by side"),
    "machines.drivers.serial.machine.WATCHDOG_PART": (0.25, "three words may be lost before the controller halts"),
    "machines.drivers.simulated.machine.ASKED_EVERY_S": (0.5, "as a controller that stands two seconds of silence"),
    "machines.drivers.emulated.controller.SHORTEST_WATCHDOG_S": (0.01, "no node keeps to a shorter silence"),
    "machines.drivers.emulated.machine.SMALLEST_SCALE": (500_000, "half of what is ordered, in millionths"),
    "machines.drivers.emulated.machine.LARGEST_SCALE": (2_000_000, "twice what is ordered, in millionths"),
    "machines.drivers.emulated.machine._MOST_KEYWORDS": (4, "as many as a line has room for"),
    "machines.drivers.emulated.wire._LONGEST_WAIT_S": (3600.0, "an emulator without an order is looked after hourly"),
    "machines.drivers.serial.compatibility.ENCODER_TOLERANCE": (0.05, "counts further off are of another encoder"),
    "machines.drivers.serial.framing.LINE_LIMIT": (256, "the protocol's line, with its line feed"),
    "machines.drivers.serial.transport.LARGEST_WINDOW": (64, "orders under way, whatever the controller offers"),
    "machines.drivers.serial.orders.OCTETS_PER_LINE": (150, "200 characters of base 64 leave room in a line"),
    "machines.drivers.simulated.machine.LARGEST_PICTURE_COLUMNS": (50_000, "closing must not take long"),
    # Pictures.
    "machines.imaging.pictures.canvas._MOST_FILLED": (200, "the land of the world covers the canvas once"),
    "machines.imaging.pictures.canvas._MOST_STROKED": (
        200,
        "the coasts of the world, in lines of 0.3 mm, a hundredth of once",
    ),
    "machines.imaging.pictures.canvas._MOST_ROUNDED": (
        1_000_000,
        "the coasts of the world at 1:10,000,000 have some 400,000",
    ),
    "machines.imaging.pictures.canvas._MOST_HOLED": (8, "holes are few; each costs a canvas"),
    "machines.imaging.pictures.checks.NARROWEST_LIMITS_DEGREES": (0.1, "the far ends of a narrower map fit no number"),
    "machines.imaging.pictures.geojson.LARGEST_FILE_BYTES": (32_000_000, "the finest coasts of the world have a tenth"),
    "machines.imaging.pictures.geojson.MOST_POSITIONS": (2_000_000, "each is projected while somebody waits"),
    "machines.imaging.pictures.geojson.MOST_SHAPES": (
        50_000,
        "the land of the world at 1:10,000,000 has some thousands",
    ),
    "machines.imaging.pictures.geojson.MOST_ARRAYS": (2_500_000, "as many as positions and shapes have, and to spare"),
    "machines.imaging.pictures.geojson.MOST_OBJECTS": (
        500_000,
        "ten a shape: a feature, its geometry and what is said of it",
    ),
    "machines.imaging.pictures.geojson.MOST_STEPS": (4_000_000, "64 MB of positions once they are laid out"),
    "machines.imaging.pictures.geojson.DEEPEST_COLLECTION": (8, "collections in collections; nobody draws deeper"),
    "machines.imaging.pictures.geojson.LONGITUDE_LIMIT_DEGREES": (
        360.0,
        "beyond 180 lies the date line, beyond 360 a mistake",
    ),
    "machines.imaging.pictures.geojson.WIDEST_LINE_DEGREES": (720.0, "twice round, and no more"),
    "machines.imaging.pictures.image_file.LARGEST_IMAGE_BYTES": (128_000_000, "80 million pixels, hardly compressed"),
    "machines.imaging.pictures.image_file.MOST_PIXELS": (80_000_000, "600 mm at 600 dpi by 200 mm"),
    "machines.imaging.pictures.image_file.LONGEST_SIDE": (
        500_000,
        "a turn of 20 m at 600 dpi; scaling takes 48 bytes of each",
    ),
    "machines.imaging.pictures.image_pieces.MOST_SCANS": (50, "ten are usual, and each goes over the whole image"),
    "machines.imaging.pictures.image_pieces.MOST_PIECES": (
        100_000,
        "128 MB in chunks of 1.3 kB; so many take half a second",
    ),
    "machines.imaging.pictures.image_pieces.LARGEST_EXIF": (
        1_000_000,
        "some thousands are usual; full of fractions it takes 40 MB",
    ),
    "machines.imaging.pictures.image_pieces._LARGEST_PART": (65_535, "no part of a JPEG says that it is longer"),
    "machines.imaging.pictures.image_pieces.MOST_FILL": (
        4096,
        "hardly any file has two; of very many each is read very often",
    ),
    "machines.imaging.pictures.projections.MERCATOR_LIMIT_DEGREES": (89.9, "the poles lie at infinity"),
    "machines.imaging.pictures.sheet.LARGEST_SHEET_DOTS": (
        400_000_000,
        "a tone that is drawn whole has four bytes a dot",
    ),
    "machines.imaging.proof.HIGHEST_VIEW_PX": (4000, "a few columns right across wide paper would fill the memory"),
    "machines.protocol.upcasts.LONGEST_KIND": (
        60,
        "what names a kind of entry, characters; the server keeps no longer one",
    ),
    "scheduling.background.tidy_plates.TRIED_AT_ONCE": (50, "a minute of drawing or so, that is lost at most"),
    "scheduling.background.tidy_plates.LEAST_AGE": (
        timedelta(days=14),
        "a board that heard nothing for so long asks for work before it prints",
    ),
    "server.backups.running.SAID_WITHIN": (
        days(40 / 86_400),
        "a server says it every 20 s; one that missed once is there",
    ),
    "server.terminal.management.commands.tidy.USUAL_DAYS": (180, "a judgement of ours: a season"),
    "scheduling.paper.proof.MOST_DOTS": (80_000_000, "drawn while somebody waits, four bytes a dot"),
    "scheduling.paper.proof.MOST_SLIP": (0.5, "a feed that slips by more is broken"),
    "scheduling.paper.proof.SEAM_FAINT": (0.01, "a judgement of ours"),
    "scheduling.paper.proof.SEAM_SHOWS": (0.05, "a judgement of ours"),
    "scheduling.paper.proof.WIDEST_PX": (1600, "as wide as a screen"),
    "scheduling.paper.proof.NARROWEST_PX": (320, "as narrow as a telephone"),
    "scheduling.paper.proof.HIGHEST_PX": (2000, "no tower"),
    "scheduling.rendering.upload_store.LARGEST_UPLOAD_BYTES": (128_000_000, "the largest image that can be printed"),
    "scheduling.rendering.object_files.CONNECT_S": (2.0, "a store in reach answers in a hundredth of that"),
    "scheduling.rendering.object_files.READ_S": (5.0, "twice that, and a board asks again: it has plates for days"),
    "scheduling.rendering.object_files.REST_S": (5.0, "back within seconds, and few wait for one that hangs"),
    "scheduling.rendering.object_files.TRIES": (2, "once more where a connection had lain idle for long"),
    "scheduling.rendering.object_files.IN_MEMORY_BYTES": (4_194_304, "nearly every plate; what is longer, on the disk"),
    "scheduling.rendering.object_files.PIECE_BYTES": (1_048_576, "few calls, and little memory"),
    "scheduling.rendering.object_files.PAGE": (1000, "as many as the protocol gives in one answer"),
    "scheduling.rendering.plate_store.ASKED_ONE_BY_ONE": (32, "two questions for each of the 16 goes of a whole list"),
    "scheduling.rendering.upload_store.PIECE_BYTES": (1_048_576, "few calls, and little memory"),
    # Planning.
    "scheduling.supplies.change_dates.LOOK_AHEAD": (days(92), "the next window is looked for over a season"),
    "scheduling.supplies.change_dates.NEAR": (days(28), "most windows come every week, so most are found here"),
    "scheduling.background.extend_plans.MOST_TURNS": (256, "a run of short turns holds up no other"),
    "scheduling.rendering.atomic_files.ABANDONED_AFTER_S": (86_400.0, "nobody takes a day to write a file"),
    "scheduling.planning.days_spans.MOST_SPANS": (12, "doors that open more often in a day are a mistake"),
    "scheduling.commands.quiet_concerns.LOOKED_AT": (days(14), "two weeks show how long quiet hours are"),
    "scheduling.paper.next_passage.TURNS_LOOKED_AT": (3, "quiet hours longer than that leave no strip to tell of"),
    "scheduling.answers.watch_openings.LOOKED_AHEAD": (days(28), "what is later may well be planned by then"),
    "scheduling.answers.opening_concerns.USUAL_LENGTH": (days(3 / 24), "an evening, where nobody said until when"),
    "server.console.opening_page.MOST_LINES": (4, "the page of its paper has all of them"),
    "scheduling.answers.strips_cut.MOST_STRIPS": (12, "a day of strips of two hours; how many there are is told"),
    "scheduling.paper.passages_told.MOST_PASSAGES": (500, "400 days of one a day, and to spare"),
    "scheduling.paper.passages.MOST_LOOKED_AT": (60, "two months of one a day; each is worked out for whoever asks"),
    "scheduling.paper.quiet_cuts.MOST_LOOKED_AT": (50_000, "three years at 48 a day; those after count as cut"),
    "scheduling.planning.days_spans.MOST_DATES": (400, "a year of single dates, and some"),
    "scheduling.log.projections.machines.MOST_MOVED_AWAY": (50, "as many as of those that were ended; 5 kB of work"),
    "scheduling.nodes.dispatch.MOST_ENDED": (50, "a board that was not heard holds one of the newest; 5 kB"),
    "scheduling.nodes.work_tag.MOST_KEPT": (10_000, "ten times the machines of a large studio, a kilobyte each"),
    "scheduling.queries.names.LONGEST_NAME": (120, "what a page can show"),
    "scheduling.rendering.render.HIGHEST_SMALL": (1920, "a short turn of wide paper is drawn no higher than that"),
    "scheduling.rendering.sources._TRIAL_COLUMNS": (240, "a coarse drawing tells whether a picture fits"),
    "scheduling.commands.run_search.MOST_STARTS": (200, "a week by the hour; a coarser step for longer"),
    "scheduling.commands.run_search.MOST_TRIED": (240, "as many as are looked at in about two seconds"),
    "scheduling.commands.run_search.MOST_WISHES": (8, "more than a person weighs against each other"),
    "scheduling.commands.run_search.MOST_COUNTS": (4, "of strips a turn; each is tried with every beginning"),
    "scheduling.commands.run_search.MOST_CHANGES": (400, "of rolls and blades; one a day for a year"),
    "scheduling.commands.run_search.MOST_ANSWERS": (5, "what is compared side by side"),
    "scheduling.commands.run_search.LONGEST": (timedelta(days=198), "half a year by days: as many as are tried"),
    "server.desk.wish_forms.MOST_MINUTES": (1440, "a day: what is farther from a wish keeps none"),
    "server.desk.wish_forms.TOWNS_TOLD": (4, "of one name; as many as a line beside a field holds"),
    "scheduling.commands.series_concerns.MOST_LOOKED_AT": (60, "at a machine, a thirtieth of a second each"),
    "scheduling.commands.run_wishes.WIDEST_S": (86_400.0, "beside an instant; what may be a day off is no wish"),
    "scheduling.commands.run_wishes.HEAVIEST": (1000.0, "of a wish that all others give way to"),
    "scheduling.outages.policies_compared.MOST_OPENINGS": (12, "more than one look takes in; each is drawn by policy"),
    "server.api.rehearsals.MOST_COMPARED": (2000, "of some seventeen kinds, played within about two seconds"),
    "server.api.rehearsals.LONGEST_COMPARED_DAYS": (400, "a year and a little: some five seconds"),
    "server.api.rehearsals.MOST_ALONE_DAYS": (2_000_000, "10,000 seasons of 180 days, played in about two seconds"),
    "server.api.rehearsals.MOST_ALONE": (10_000, "played within about two seconds"),
    "server.api.rehearsals.MOST_HAPPEN": (8_000_000, "some ten seconds: a million a second"),
    "server.api.rehearsals.A_REST": (2, "settled in every season, and mostly by what is printed late"),
    "server.api.rehearsals.AT_ONCE": (500, "a step of fewer takes half a millisecond all the same"),
    "server.api.rehearsals.KINDS_COMPARED": (19, "the run's own, five policies, seven days, six that never go wrong"),
    "server.desk.policies.NEWEST_OUTAGES": (20, "older ones are in the list of outages"),
    "scheduling.rehearsal.of_run.LONGEST_DAYS": (3660, "ten years: nobody's rates hold for longer"),
    "scheduling.rehearsal.rates.LEAST_DAYS": (1.0, "of less a log tells of a first morning"),
    "scheduling.rehearsal.season.LEAST_LASTS_S": (3600.0, "who changes a roll each hour needs no rehearsal"),
    "scheduling.rehearsal.rates.LONGEST_HOURS": (2000.0, "nobody waits for three months and calls it an outage"),
    "scheduling.rehearsal.tallies.LEAST_SEASONS": (100, "fewer tell a share to ten in a hundred and no better"),
    "scheduling.rehearsal.tallies.MOST_SEASONS": (100_000, "a share is known to 0.3 in a hundred by then"),
    "scheduling.rehearsal.tallies.LARGEST_SEED": (2**53 - 1, "the largest that a double, and so JSON, holds exactly"),
    "server.desk.rehearsal_words.DOUBT": (2.0, "two standard errors: one time in twenty it is chance all the same"),
    "server.desk.rehearsal_words.A_LITTLE": (0.01, "fewer hours by less nobody would change a season for"),
    "scheduling.outages.open_outage.CLOSED_AHEAD": (days(31), "closed hours are known for a month"),
    "machines.operator.language.LONGEST_HEADER": (500, "nobody prefers a hundred languages"),
    "server.settings.LANGUAGE_COOKIE_AGE": (31_536_000, "a year: whoever chose a language meant it"),
    "machines.protocol.panel_address.LONGEST_PANEL_ADDRESS": (
        120,
        "a name in a network and a port, in a line",
    ),
    "machines.node.work.plausibility.LONGEST_SAID": (120, "as long as a server of ours takes a name"),
    "scheduling.venues.contacts.MOST_CONTACTS": (12, "whom staff try in turn; who is not reached by then is not there"),
    "scheduling.venues.contacts.LONGEST_CONTACT_NAME": (100, "a person or a desk, in a line of the sheet"),
    "scheduling.venues.contacts.LONGEST_TELEPHONE": (
        40,
        "fifteen digits at most (ITU-T E.164), what parts them, and more",
    ),
    "scheduling.venues.contacts.LONGEST_EMAIL": (254, "what a path of RFC 5321 leaves for it"),
    "scheduling.venues.contacts.LONGEST_WHEN": (120, "a line of the sheet"),
    "scheduling.venues.contacts.LEAST_DIGITS": (3, "numbers within a house and of alarm have three"),
    "scheduling.log.remarks.LONGEST_REMARK": (500, "a reason is a sentence or two"),
    "scheduling.log.remarks.SALT_BYTES": (16, "128 bits: a digest of few words cannot be guessed at"),
    "scheduling.commands.venues.MOST_HOURS_FROM_THE_SUN": (3.0, "a clock that is farther is a wrong zone or sign"),
    "scheduling.planning.recurrence.LONGEST_RULE": (400, "a rule of dates is shorter"),
    "scheduling.planning.recurrence.BOUNDS": (
        {
            "COUNT": (1, 10_000),
            "INTERVAL": (1, 1000),
            "BYMONTH": (1, 12),
            "BYMONTHDAY": (1, 31),
            "BYYEARDAY": (1, 366),
            "BYWEEKNO": (1, 53),
            "BYSETPOS": (1, 366),
        },
        "what a year has, as RFC 5545 has it; a rule that comes so often, or so rarely, is a mistake",
    ),
    "server.desk.series_forms.LONGEST_MINUTES": (10_080, "doors that are open for longer than a week are no opening"),
    "scheduling.planning.service_windows.LONGEST_MINUTES": (10_080, "a weekly window is no longer than its week"),
    "scheduling.planning.timeline.KNOT_TOLERANCE_COLUMNS": (0.01, "a hundredth of a dot is not seen"),
    "scheduling.planning.timeline.MOST_KNOT_INTERVALS": (1024, "a cycle that needs more is none of the sky's"),
    "scheduling.planning.timeline.LARGEST_COLUMN": (2**50, "a float64 no longer tells neighbouring columns apart"),
    "scheduling.planning.timeline.INSTANTS_TOLD_TO_S": (1e-6, "an instant is told in whole microseconds"),
    "scheduling.log.retry.TRIES": (5, "a race lost five times is something else"),
    "scheduling.supplies.ink_estimate.MOST_COLUMNS": (960, "as fine as a form shows a picture: a map within 1%"),
    "scheduling.supplies.ink_estimate.MOST_COLUMNS_CHANGING": (480, "eight turns are drawn while somebody waits"),
    "scheduling.supplies.ink_estimate.MOST_TURNS": (8, "of a Moon each phase"),
    "scheduling.supplies.part_ends.MOST_ENDS": (24, "no more than anybody reads"),
    "scheduling.commands.run_concerns.DOUBT_DOTS": (0.1, "a tenth of a dot is not seen yet"),
    "scheduling.commands.plan_run.NOW_MEANS": (timedelta(minutes=1), "an order to begin now is read a little later"),
    "scheduling.nodes.journal_history.MOST_EPOCHS": (8, "a board that missed more enrolments is told nothing"),
    "scheduling.calendar.sky_entries.MOST_SKY": (2500, "six kinds that come every day, for a year and a month"),
    # The log.
    "scheduling.log.ends.STREAMS_AT_ONCE": (200, "SQLite lets a compound question have 500 terms"),
    "scheduling.log.projecting.take_snapshots.EVERY": (128, "so many reports are folded for a question of the past"),
    "scheduling.log.projecting.take_snapshots.LOOK_THROUGH": (20_000, "so much of the log is looked through at a time"),
    "scheduling.log.snapshots.parts.SEGMENTS": (64, "a part of some 5 kB, of which one changes in a day and a half"),
    "scheduling.log.snapshots.parts.VERSIONS": (512, "a part of some 15 kB, of ten days of reports"),
    "scheduling.log.snapshots.parts.CUT_COLUMNS": (16_384, "columns of the largest turn: its cuts together"),
    "scheduling.log.rebuilding.comparing.MOST_LEFT": (100, "folded in a moment, while nobody can append"),
    "scheduling.log.rebuilding.rebuild.AGAIN_AFTER_S": (0.25, "others have their turn before it is tried again"),
    "scheduling.log.rebuilding.standing_sqlite.AT_ONCE": (1000, "rows that are written in a moment"),
    "scheduling.log.rebuilding.standing_sqlite.PAUSE_S": (0.12, "who waits for SQLite's writer sleeps 0.1 s at most"),
    "scheduling.log.rebuilding.standing_postgresql.WAITS_MS": (100, "so long may nobody append for a reader's sake"),
    "scheduling.log.rebuilding.folding.MOST_ROWS": (200_000, "more rows in memory are let go of"),
    "scheduling.log.rebuilding.shadow_tables.MOST_NAMED_ROWS": (5, "so many keys of differing rows a person reads"),
    # The sky.
    "scheduling.sky.anchors.FIRST_YEAR": (1900, "the ephemeris reaches there"),
    "scheduling.sky.anchors.LAST_YEAR": (2100, "the ephemeris reaches there"),
    "scheduling.sky.anchors.LONGEST_OFFSET": (days(366), "an event a year off has its own date"),
    "scheduling.sky.events._MOST_DEGREES": ({"altitude_degrees": 90.0, "longitude": 180.0}, "what degrees can be"),
    "server.sky_report.table.MOST_DAYS": (1500, "four years of events on a screen"),
    "scheduling.sky.periods.SHORTEST_S": (1.0, "a turn a second is faster than paper"),
    "scheduling.sky.periods.LONGEST_S": (1e10, "three centuries, longer than the ephemeris"),
    "scheduling.sky.search._PRECISION_S": (1e-3, "events are told to the millisecond"),
    "scheduling.sky.search._MOST_STEPS": (100, "a search that needs more would never end"),
    "scheduling.sky.smooth._MOST_STEPS": (20, "Newton's steps converge in four"),
    "scheduling.sky.smooth._LEAST_STEP_S": (1e-4, "over a shorter step the secant is noise"),
    "scheduling.sky.smooth._BEYOND_S": (1e-3, "an instant so little beyond the ephemeris is on its edge"),
    "scheduling.sky.smooth._SMALL_STEPS_S2": (400.0, "below this the second order is under 0.1 ms"),
    "scheduling.sky.temporalhours._LONGEST_POLAR_DAYS": (200, "no polar day is longer"),
    # The server.
    "server.accounts.addresses.LONGEST_SHOWN": (64, "an address is shorter, and a line of the log stays one"),
    "server.accounts.own_words.SHORTEST_WORD": (3, "of and the make no password weak"),
    "server.accounts.own_words.LEAST_LEFT": (8, "as many as a password of people's own must have at the least"),
    "server.accounts.known_browsers.KNOWN_S": (15_552_000, "half a year: staff sign in more often"),
    "server.accounts.calendar_addresses.SECRET_LETTERS": (32, "128 bits, in hexadecimal"),
    "server.accounts.calendar_addresses.DRAWN_BYTES": (16, "128 bits, which never come again"),
    "server.accounts.person_calendars.MOST_ALARMS_EACH": (2, "a first reminder and a last one"),
    "server.accounts.person_calendars.MOST_BEFORE_MIN": (40_320, "four weeks"),
    "server.accounts.person_calendars.MOST_VENUES_CHOSEN": (100, "as many as one is told of"),
    "server.accounts.signing_in.IDLE_S": (43_200.0, "half a day: who comes back tomorrow signs in again"),
    "server.accounts.signing_in.LONGEST_S": (1_209_600.0, "two weeks, however busy; as Django has it"),
    "server.accounts.signing_in.SEEN_EVERY_S": (600.0, "a write for each page would be one too many"),
    "server.one_line.LONGEST": (300, "a line of a stranger's is no longer than one"),
    "server.accounts.attempt_limit.WINDOW_S": (900, "a person who mistyped can try again within a coffee"),
    "server.accounts.addresses.IPV6_NETWORK_BITS": (64, "one household has at least so many addresses (RFC 6177)"),
    "server.accounts.attempt_limit.MOST_WRONG": (
        {"password": 10, "account": 100, "browser": 10, "code": 10, "key": 100},
        "people mistype a few times; of one account, and of keys, programs ask for many",
    ),
    "server.accounts.enrolment.GROUPS": (3, "60 bits of code in three groups"),
    "server.accounts.enrolment.LETTERS_IN_GROUP": (4, "60 bits of code in three groups"),
    "server.accounts.enrolment.GOOD_FOR": (days(1), "a code waits until the board is there"),
    "server.accounts.boards.MOST_CODES": (100, "a page of them; older ones are used or gone"),
    "server.accounts.keys.USE_NOTED_EVERY": (timedelta(minutes=1), "a write for each request would be one too many"),
    "server.terminal.closable.TOLD": (5, "enough to see why a stream stays; the others are counted"),
    "server.desk.machines.NEWEST_RUNS": (12, "a season's on a page; all of them are in the list of runs"),
    "server.desk.access_forms.LONGEST_PASSWORD": (4096, "as Django's own form bears: hashing longer ones costs time"),
    "server.accounts.management.commands.key.MOST_DAYS": (3650, "ten years; what is meant for ever has no end"),
    "server.accounts.keys.LONGEST_NAME": (60, "what a page can show"),
    "server.accounts.management.commands.person.MOST_TRIES": (3, "of a new password, typed twice"),
    "server.accounts.tokens.SECRET_BYTES": (32, "nobody guesses 256 bits"),
    "server.api.json_parser.LARGEST_BODY_BYTES": (4_000_000, "200 entries have some 100,000"),
    "server.api.json_parser.MOST_PARTS": (100_000, "200 entries have some 2,000, and 400 dates some 1,000"),
    "server.api.json_parser.LARGEST_WHOLE_NUMBER": (2**53 - 1, "beyond, JSON of other programs loses digits"),
    "server.api.json_parser.DEEPEST": (200, "less than the log's writer goes, with an event around it"),
    "server.api.calendar.USUAL": ({"back": days(28), "ahead": days(365)}, "a month back and a year ahead"),
    "server.api.calendar.MOST": ({"back": days(92), "ahead": days(366)}, "a season back and a leap year ahead"),
    "server.api.calendar_form.REFRESH": (timedelta(hours=1), "calendars ask no more often"),
    "scheduling.nodes.pace.SPREAD": (0.2, "boards that began together are apart after five polls"),
    "scheduling.nodes.heartbeat.SHARE_OF_SILENCE": (0.1, "a silence is told of a tenth sooner at most, never later"),
    "server.api.work_asked.LONGEST_HORIZON": (days(31), "no board holds more plates than for a month"),
    "server.api.pagination.USUAL_ROWS": (100, "a page of a list"),
    "server.api.pagination.MOST_ROWS": (1000, "a page of a list"),
    "server.api.problems.TRY_AGAIN_AFTER_S": (5, "a database that is busy is free by then"),
    "server.api.problems.STORE_BACK_AFTER_S": (30, "as often as it is seen whether the store answers"),
    "server.api.problems.DRAWN_AGAIN_AFTER_S": (60, "the job that draws lost plates looks once a minute"),
    "scheduling.answers.paper_at.FARTHEST": (days(36_525), "no run lasts a century, and every calendar reaches as far"),
    "server.api.passages.LONGEST": (days(400), "a year ahead, and some of the one that is over"),
    "server.api.passages.MOST_CLOCKS": (8, "each is worked out for every time"),
    "server.api.passages.USUAL": (days(31), "a month is what people plan by"),
    "server.api.problems.LONGEST_SAID": (300, "of what came in; an answer is no echo"),
    "server.api.service_windows.USUAL_SPAN": (days(28), "four weeks of windows"),
    "server.api.service_windows.LONGEST_SPAN": (days(366), "a year of windows"),
    "scheduling.venues.coming_windows.LOOK_AHEAD": (days(92), "a weekly window comes within a season or not at all"),
    "scheduling.venues.coming_windows.SOON": (days(28), "what comes later is not shown in a sentence"),
    "server.console.service_window_times.TIMES_SHOWN": (5, "what a person reads"),
    "scheduling.venues.coming_windows.A_MOMENT": (
        timedelta(minutes=1),
        "a window that has just begun is still shown",
    ),
    "server.value_words.LONGEST_VALUE": (120, "a line of the history stays one that is read"),
    "server.desk.machine_log.ON_A_PAGE": (50, "what is read at a sitting; earlier ones are a press away"),
    "server.console.ids.LONGEST_ID": (40, "as an id may be"),
    "server.desk.draft_paper.WIDTH": (960, "as wide as a page has room for; drawn within a second"),
    "server.desk.draft_paper.HIGHEST": (1920, "a short turn of wide paper is drawn no higher than that"),
    "server.desk.sources.RUNS_SHOWN": (12, "the newest; the page of runs has all"),
    "server.desk.runs.SEGMENTS_BEFORE": (4, "what was handed out last, to see how it went"),
    "server.desk.runs.SEGMENTS_AFTER": (8, "what comes in the next hours; the plan has all of it"),
    "server.desk.pages.PAGE_OF": (200, "a list in few questions"),
    "server.terminal.management.commands.demo_data.LEAD": (timedelta(minutes=10), "plates are drawn meanwhile"),
    "server.terminal.management.commands.demo_data.LASTS": (days(28), "four weeks to play with"),
    "server.terminal.management.commands.demo_data.OPENS_AFTER": (days(4), "the first opening is ahead, and soon"),
    "server.console.place_asked.LONGEST_PLACE": (80, "the longest name of a town, and to spare"),
    "server.console.place_names.LONGEST_NAME": (80, "the longest name of a town, and to spare"),
    "server.console.place_names.MOST_MATCHES": (12, "what a person reads; more are told apart by their country"),
    "server.console.place_names.SHORTEST_BEGINNING": (3, "two letters begin the names of thousands of towns"),
    "server.console.place_reply.MOST_AFTER": (4, "what a person reads"),
    "server.console.place_reply.MOST_ON_A_DAY": (12, "what a person reads; a picture that comes more often comes soon"),
    "server.console.place_reply.FIRST_YEAR": (1900, "the ephemeris reaches further, and nobody plans there"),
    "server.console.place_reply.LAST_YEAR": (2100, "the ephemeris reaches further, and nobody plans there"),
    "server.console.formatting.LEAST_INK_ML": (0.001, "a hundred thousand drops; less is nobody's concern"),
    "server.console.hours.LOOK_AHEAD": (days(14), "two weeks show what a rule means"),
    "server.console.hours.LONGEST_TEXT": (20_000, "400 dates, a line each"),
    "server.console.instants.LONGEST_SHIFT_MINUTES": (720, "half a day before or after an event"),
    "server.console.opening_changes.OPENINGS_BACK": (30, "what a person reads of openings that are over"),
    "server.console.overview.OPENINGS_AHEAD": (12, "what a person reads"),
    "server.console.overview.OPENINGS_SINCE": (timedelta(hours=6), "an opening lasts an evening"),
    "server.console.overview.OUTAGES_SINCE": (days(7), "outages of the last week"),
    "server.console.overview.OUTAGES_SHOWN": (12, "what a person reads"),
    "server.console.pictures.HIGHEST_PX": (2400, "a page's picture is no tower"),
    "server.console.machine_card.JUST_NOW": (
        timedelta(minutes=1),
        "a page that is open is another each second otherwise",
    ),
    "server.console.machine_card.CHANGES_AHEAD": (days(28), "a change within four weeks is worth a line"),
    "scheduling.background.sample_clocks.KEPT": (days(35), "a page shows four weeks; more is nobody's to keep"),
    "server.console.season.MOST_PICTURES": (24, "a page that asked for hundreds at once would be refused some"),
    "server.console.season_span.MOST_MONTHS": (24, "two years; more is no season"),
    "server.console.season_span.FIRST_YEAR": (1900, "the ephemeris reaches further, and nobody plans there"),
    "server.console.season_span.LAST_YEAR": (2100, "the ephemeris reaches further, and nobody plans there"),
    "server.console.days_span.FIRST_YEAR": (1900, "the ephemeris reaches further, and nobody plans there"),
    "server.console.days_span.LAST_YEAR": (2100, "the ephemeris reaches further, and nobody plans there"),
    "server.console.paper_in_time.MOST_SEGMENTS": (3000, "four weeks of a turn of a hundred segments a day"),
    "server.console.wall.FIRST_TOLD": (3, "what stands beside the map; the rest is in the lines below"),
    "server.console.wall.COMPACT_FROM": (5, "four strips of paper fill a screen"),
    "server.console.staff_tasks.AHEAD": (days(7), "the sheet of the day tells what comes within a week"),
    "server.terminal.management.commands.serve.MOST_THREADS": (256, "more threads than a computer has use for"),
    "server.terminal.management.commands.when.MOST_DAYS": (400, "as long as the API tells at once"),
    "server.terminal.management.commands.when.MOST_MEANT": (5, "enough to see how they differ"),
    "server.terminal.management.commands.when.USUAL_DAYS": (7, "a week fits a screen"),
    "server.heavy.MOST_AT_ONCE": (2, "Python computes one at a time; two keep a second core busy where it need not"),
    "server.heavy.MOST_WAITING": (4, "so many are answered within a browser's patience; fewer where threads are few"),
    "server.heavy.LEAST_THREADS": (2, "one for what is costly, one that is left for what is light"),
    "server.heavy.PATIENCE_S": (10.0, "a browser shows a picture after that, and asks no second time meanwhile"),
    "server.heavy.COME_AGAIN_AFTER_S": (10, "what is being made is there by then"),
    "server.heavy.LARGEST_KEPT_BYTES": (32_000_000, "sixty of the largest calendars"),
    "server.jobs.LOOK_EVERY_S": (0.2, "a job begins when it is due, as people see it"),
    "server.secret.OWN_FILE": (0o600, "the database holds sessions and hashes of passwords"),
    "server.secret.OTHERS": (0o077, "group and others, as POSIX counts them"),
    "server.secret.OWN_FOLDER": (0o700, "sessions and hashes of passwords lie there"),
    "server.serving.admission.LARGEST_STRANGERS_BODY_BYTES": (64_000, "an enrolment code, and to spare"),
    "server.serving.admission.MOST_SPOOLED_BYTES": (512_000_000, "four of the largest uploads at a time"),
    "server.serving.admission.HEAD_LIMIT_S": (
        10.0,
        "a head is one packet, and a lost one is sent again within seconds",
    ),
    "server.serving.admission.LEAST_BYTES_A_S": (4_000, "a poor wireless network has more"),
    "server.serving.listening.MOST_CONNECTIONS": (1000, "a fleet's boards, its proxy and its pages"),
    "server.serving.listening.FILES_A_CONNECTION": (3, "the socket, its body and its answer"),
    "server.serving.listening.OTHER_FILES": (200, "of the database, the plates and the log"),
    "server.serving.listening.SILENT_LIMIT_S": (75, "a board that asks once a minute keeps its connection"),
    "server.serving.listening.LOOK_EVERY_S": (2, "a head that trickles is gone within two seconds of its limit"),
    "server.serving.listening.SAY_EVERY_S": (60.0, "a storm does not fill the log"),
    "server.serving.listening.TAKEN_AT_ONCE": (32, "a round over a thousand connections takes milliseconds"),
    "server.serving.listening.SWITCH_S": (0.001, "a node's request waits for the interpreter a dozen times"),
    "server.serving.listening.LARGEST_HEAD_BYTES": (32_768, "addresses, a key and cookies"),
    "server.serving.lanes.PATIENCE_S": (5.0, "a person still looks, and no board waits for what it is not given"),
    "server.serving.lanes.NEWEST_COUNTS": (1.0 / 32.0, "one answer that hangs does not make a lane refuse"),
    "server.settings.POLL_AFTER_S": (60.0, "a node is heard every minute"),
    "server.settings.KEPT_CONNECTION_S": (60, "one is made a minute a thread, and not one a call"),
    "server.settings.SILENT_AFTER_S": (900.0, "fifteen polls missed are a silence"),
    "server.settings.HORIZON_H": (192.0, "a week offline, and a day"),
    "server.settings.EXTEND_EVERY_S": (15.0, "a run that was ordered is planned within seconds"),
    "server.settings.WATCH_EVERY_S": (30.0, "a silence is noticed half a minute late at most"),
    "server.settings.TIDY_EVERY_S": (21_600.0, "four minutes a day for what a day leaves behind"),
    "server.settings.TIDY_AFTER_D": (180, "two seasons, in which somebody may want a proof of what was printed"),
    "server.settings.PLATES_MOST_MB": (0, "no bound: how large a disk is, its keeper knows"),
    "server.settings.TELL_EVERY_S": (30.0, "as silences are looked for"),
    "server.settings.EMAIL_PORT": (25, "SMTP's, where nothing else is said (RFC 5321 section 4.5.4.2)"),
    "server.settings.EMAIL_TIMEOUT": (10.0, "a mail server in reach answers in one"),
    "server.jobs.DRAW_FOR_S": (60.0, "a plate takes up to a minute; what else waits for who draws, waits for two"),
    "server.console.own_work.MOST_NAMED": (5, "a sentence that is read; the log names all"),
    "server.metrics.scraped.SHORT_PLAN": (days(1), "a plan reaches a week and more; a day is time to look"),
    "server.own_work.LATE_AFTER": (timedelta(minutes=2), "what stands still is seen while something can be done"),
    "server.own_work.WATCHING_LATE_AFTER": (
        timedelta(seconds=90),
        "and half a minute until the next: what is gone is seen within two",
    ),
    "server.own_work.DRAWING_LATE_AFTER": (timedelta(minutes=35), "longer than drawing may take"),
    "server.own_work.KEPT_EVERY": (
        timedelta(seconds=20),
        "seldom for a disk, often for 2 minutes",
    ),
    "server.settings.CELERY_TASK_TIME_LIMIT": (1800, "no job draws for half an hour"),
    "server.settings.CELERY_TASK_ANNOTATIONS": (
        {
            "extend-plans": {"time_limit": 300},
            "watch-silence": {"time_limit": 300},
            "watch-openings": {"time_limit": 300},
            "watch-store": {"time_limit": 300},
            "look-amiss": {"time_limit": 300},
        },
        "what watches is not held up for half an hour by one look",
    ),
    "server.settings.CELERY_BROKER_TRANSPORT_OPTIONS": ({"visibility_timeout": 3600}, "longer than any job takes"),
    # What the demonstration is judged by.
    "server.demo.time_compression.ENOUGH": (0.7, "a computer that has less to give cannot be in time"),
    "server.demo.__main__.SHARE_OF_A_FLEET": (0.5, "eight processes are the server, on the cores that one had"),
    "server.demo.time_compression.SLOWEST_SHARE": (0.125, "a day of ten minutes; nobody waits longer"),
    "server.demo.acceptance.ON_TIME_SHARE": (0.999, "of all columns within one dot time"),
    "server.demo.acceptance.SEGMENT_TOLERANCE_S": (0.01, "of a segment's beginning, against skyfield asked directly"),
    "server.demo.kept_changes.HEARS_WITHIN": (timedelta(hours=1), "a board asks again, once it has a network"),
    "server.demo.kept_changes.A_SECOND": (timedelta(seconds=1), "a calendar tells no less"),
    "server.demo.kept_changes.BESIDE_THE_SEAM": (20, "enough to see that none is missing, doubled or elsewhere"),
    "server.demo.doors.DAY_BEFORE": (timedelta(hours=24), "so long before doors open their answer is asked for"),
    "server.demo.told.HEARD_EVERY": (timedelta(hours=1), "no board of the demonstration is silent so long unasked"),
    "server.demo.acceptance.WEEKS_AHEAD": (52, "a calendar holds a year of windows"),
    "server.demo.judging.judged_paper.EARLIEST_COLUMNS": (0.55, "a board's clock is surer than half a column"),
    "server.demo.stalls.MATTERS_SHOWN_S": (60.0, "less than the narrowest dot of the demonstration"),
}

# What it is instead: names.
NO_LIMITS: dict[str, str] = {
    "as the API's description says them, which tests/server/api/test_schema.py holds against the server": """
        server.api.schema_bounds.POSITIVE server.api.schema_bounds.FROM_0 server.api.schema_bounds.FROM_1
        server.api.schema_bounds.PLACE server.api.schema_bounds.OF_ENTRIES
    """,
    "where a count of times is divided": """
        server.metrics.counted.REQUEST_BOUNDS_S server.metrics.counted.APPEND_BOUNDS_S
    """,
    "numbers of kinds, of places in an array, or of nothing": """
        scheduling.log.snapshots.parts._NEIGHBOURS
        server.console.needs.STANDS server.console.needs.LOOK server.console.needs.HANDS server.console.needs.DECIDE
        server.console.needs.TOLD server.console.needs.NOTHING server.telling.hooks.GONE server.telling.letters.FOR_GOOD
        scheduling.telling.whom.AN_INSTANT server.demo.receiver.BLOCK
        machines.drivers.simulated.paper.LAID machines.drivers.simulated.paper.CUT
        machines.drivers.simulated.paper.REFUSED server.console.formatting.CENTURY_S
        machines.node.clock.system_clocks._STA_UNSYNC machines.node.clock.system_clocks._ADJTIMEX_WORDS
        machines.drivers.simulated.paper.RAGGED machines.drivers.simulated.paper.LIES
        machines.drivers.simulated.paper.CUT_LIES machines.drivers.simulated.paper.NO_COLUMN
        machines.model.head.NO_NOZZLE machines.model.strobes.NO_STROBE machines.node.store.journal.AFTER_ORDERLY
        machines.node.store.journal.AFTER_UNPLANNED machines.node.printing.burst_step.NOTHING_DUE
        machines.node.sync.connection._NO_WAY machines.node.waiting.bell._MOST_RINGS
        machines.node.__main__.STATUS
        machines.imaging.pictures.geojson._DEPTHS machines.imaging.pictures.image_pieces._START_OF_SCAN
        machines.imaging.pictures.image_pieces._ALONE machines.imaging.pictures.image_pieces._KEPT_WHOLE
        machines.imaging.pictures.image_pieces._LISTS scheduling.rehearsal.assumed.NEVER
        scheduling.rehearsal.state.NOWHERE scheduling.rehearsal.of_run.ALL_BUT_NONE
        scheduling.rehearsal.spans.AS_GOOD_AS_S
        machines.node.clock.manual_time._NONE
        scheduling.nodes.plain_entries._LENGTHS_OF_INSTANT
        scheduling.log.outcomes._SURENESS scheduling.sky.bodies.RIGHT_ASCENSION scheduling.sky.bodies.DECLINATION
        scheduling.sky.bodies.DISTANCE scheduling.sky.bodies.LONGITUDE scheduling.sky.bodies.LATITUDE
        scheduling.sky.orientation._UT1_FLAG scheduling.log.ends.APPEND_LOCK scheduling.log.claims.CLAIMS
        server.api.problems.FULL server.demo.__main__.TOO_BUSY server.settings.PROXIES""",
    "versions, which tests of their own follow": """
        machines.drivers.emulated.controller.VERSION machines.drivers.serial.transport.VERSION
        machines.node.store.journal_versions.SCHEMA_VERSION""",
    "pieces in which something is read, written or worked out; another size comes to the same": """
        scheduling.rehearsal.incidents.BLOCK scheduling.rehearsal.incidents.BLOCK_DAYS
        scheduling.rehearsal.of_run.BEYOND scheduling.rehearsal.tallies.PLAYED_AT_ONCE
        scheduling.paper.strip_now.SAMPLES server.console.sun_ribbon.SAMPLES server.desk.contacts.EMPTY_ROWS
        machines.node.sync.answers.PIECE machines.node.work.plate_cache._BLOCK machines.imaging.png_rows._PIECE
        machines.model.head._CHUNK machines.model.head._CHUNK_COLUMNS machines.imaging.pieces.PIECE_DOTS
        machines.imaging.pieces.PIECE_ROWS machines.imaging.pictures.discs._MOST_POINTS
        machines.imaging.pictures.image_file._STRIP_PIXELS scheduling.log.event_records.CHUNK
        server.backups.files.PIECE_OCTETS server.backups.sqlite.PAGES
        scheduling.log.integrity.transfer.CHUNK scheduling.log.rebuilding.folding.BATCH server.api.uploads.PIECE_BYTES
        scheduling.sky.chebyshev._INSTANTS_PER_CALL scheduling.sky.temporalhours._BLOCK_DAYS""",
    "units and numbers of nature, judged in tests/reference": """
        server.console.sun_ribbon.DAY_H
        machines.model.supplies.ML_PER_PL machines.imaging.pictures.moon.SYNODIC_MONTH_DAYS
        machines.imaging.rulers._QUARTER_HOUR_S machines.imaging.pictures.daylight.TWILIGHT_ENDS_DEGREES
        scheduling.paper.next_passage.EQUINOX_AT_HALF_DEGREES scheduling.planning.days_spans.WEEK_MINUTES
        scheduling.venues.local_time_text.HALF_MINUTE scheduling.planning.local_spans.DAY_MINUTES
        scheduling.planning.recurrence._WEEKS_OF_YEAR scheduling.planning.recurrence._NEVER_AGAIN
        scheduling.paper.passage_times.NEVER
        scheduling.planning.service_windows.WEEK scheduling.commands.run_concerns._DAY
        scheduling.supplies.ink_estimate.GOLDEN scheduling.answers.paper_to_come.JUST_BEFORE
        scheduling.paper.run_proof.METRE_MM scheduling.rendering.sky_parameters.MINUTES_PER_DAY
        scheduling.rendering.sky_parameters.YEAR_SAMPLES scheduling.rendering.sky_parameters.PATH_SAMPLES
        scheduling.sky.bodies.CENTURY_S scheduling.sky.bodies.ERA_AT_J2000 scheduling.sky.bodies.ERA_EXCESS_PER_DAY
        scheduling.sky.bodies.ERA_RATE scheduling.sky.crossings._HEIGHT_STEP_S scheduling.sky.cycles._SUN
        scheduling.sky.cycles._MOON scheduling.sky.cycles._MONTH_RATE scheduling.sky.eclipses.SUN_RADIUS_KM
        scheduling.sky.eclipses.MOON_RADIUS_KM scheduling.sky.eclipses.DANJON scheduling.sky.eclipses._HALF_WINDOW_S
        scheduling.sky.ephemeris._MARGIN_DAYS server.sky_report.year_of_light._SUN_DEGREES
        scheduling.sky.orientation.MJD_OF_POSIX_EPOCH scheduling.sky.temporalhours._MARGIN_S
        scheduling.commands.calibration.MM_PER_M
        scheduling.sky.temporalhours._FAR_TURNS scheduling.sky.timescales.DAY_S scheduling.sky.timescales.YEAR_S
        scheduling.sky.timescales.J2000_POSIX scheduling.sky.timescales.TT_MINUS_TAI_S
        scheduling.sky.timescales.J2000_JD scheduling.sky.timescales.POSIX_EPOCH_JD
        scheduling.sky.topocentric.EQUATORIAL_RADIUS_KM scheduling.sky.topocentric.FLATTENING
        scheduling.sky.topocentric.SPEED_OF_LIGHT_KM_S scheduling.sky.vectors.TAU server.api.proofs.LAST_METRE_MM
        scheduling.commands.hours.A_MOMENT server.demo.judging.judged_knife.A_MOMENT
        server.console.daylight.HORIZON_DEGREES server.console.daylight.CIVIL_DEGREES server.settings._DAY_S
        server.settings._YEAR_H scheduling.paper.model_pace.HOUR_S server.desk.model_words.INCH_MM
        scheduling.rehearsal.rates.DAY_S scheduling.rehearsal.rates.HOUR_S
        scheduling.rehearsal.rates.MINUTE_S
        server.desk.calendar_form.HOUR_MIN server.desk.calendar_form.DAY_MIN server.desk.calendar_form.WEEK_MIN
        server.terminal.management.commands.tidy.MB
        server.console.qr_code.QUIET_ZONE scheduling.sky.near_zones.EARTH_RADIUS_KM""",
    "the make of a halftone, of patterns and of the assignment of nozzles, whose tests look at dots": """
        machines.model.head._CHOICES machines.model.head._TABLE_LENGTHS machines.imaging.patterns._NOZZLE_GAP_COLUMNS
        machines.imaging.patterns._ELEMENTS_IN_STAIR machines.imaging.pictures.discs._POINTS
        machines.imaging.pictures.moon._POINTS machines.imaging.pictures.moon._CAPTION_LINES
        machines.imaging.pictures.drawn_rows._BEYOND
        machines.imaging.pictures.lettering._DRAWN_PX machines.imaging.screens._BLUE_SIZE
        machines.imaging.screens._BAYER_ORDER machines.imaging.screens._SIGMA machines.imaging.diffusion._WARM_UP
        machines.imaging.diffusion._BLEND machines.imaging.diffusion._NOISES machines.imaging.diffusion._NOISE_RANGE""",
    "the look of a page or a picture": """
        machines.imaging.proof._STRIP_PX machines.imaging.proof._TICK_PX machines.imaging.proof._TEXT_PX
        machines.imaging.proof._INK machines.imaging.proof._CUT machines.imaging.rulers._TIME_STEPS_S
        scheduling.paper.proof.PX_PER_MARK server.sky_report.year_chart.WIDTH server.sky_report.year_chart.HEIGHT
        server.sky_report.year_chart._LEFT server.sky_report.year_chart._RIGHT server.sky_report.year_chart._TOP
        server.sky_report.year_chart._BOTTOM server.sky_report.year_chart._LENGTH_TOP
        server.sky_report.year_chart._LENGTH_BOTTOM server.sky_report.year_chart._SECOND_H
        server.sky_report.year_chart._MOONLIGHT_STEPS server.sky_report.year_chart._PHASES server.console.choices.WIDTH
        server.desk.policy_words.WIDTH server.desk.rehearsal.WIDTH server.desk.rehearsal.HEIGHT
        scheduling.rehearsal.rehearse.BARS scheduling.rehearsal.tallies.SHARES
        server.desk.model_drawing.LONG server.desk.model_drawing.HEAD
        server.console.choices.SIDE server.console.daylight.LOOK_BACK server.console.daylight.LOOK_AHEAD
        server.console.pictures.WIDTH_PX server.console.pictures.INK server.console.pictures.PAPER
        server.console.touch_map.NARROW_PX server.console.touch_map.WIDE_PX
        server.console.time_marks.STEPS_H server.console.time_marks.STEPS_D server.console.time_marks.STEPS_MONTHS
        server.console.time_marks.DAY server.console.time_marks.MONTH server.console.strip_scale.WIDTH
        server.console.strip_scale.TALLEST server.console.strip_scale.LOWEST server.console.strip_scale.STRIP_PX
        server.console.strip_scale.SLIP_PX
        server.console.strip_scale.COLOURS server.console.strip_scale.BEHIND server.console.strip_scale.TO_KNIFE
        server.console.strip.MARKS server.console.strip.MARKS_APART server.console.strip.LONGEST_DAYLIGHT
        server.console.strip.NEAR_THE_EDGE server.console.world_map.WIDTH server.console.world_map.HEIGHT
        server.console.world_map.NORTH server.console.world_map.SOUTH server.console.world_map.STEP_DEGREES
        server.console.world_map.ROWS server.console.world_map.LETTER server.console.world_map.MERIDIAN_LETTER
        server.console.world_map.LINE
        server.console.drawn_paper.MARKS_APART server.console.drawn_paper.NEAR_THE_EDGE
        server.console.drawn_paper.MARKS_A_LENGTH
        server.console.days_span.WIDTH server.console.paper_in_time.MARKS server.console.days_span.DAYS
        server.console.paper_in_time.NEAR_THE_EDGE server.console.days_span.USUAL_DAYS
        server.console.paper_in_time.CLOSE_S server.console.world_map.EAST_EDGE
        server.console.views.LENGTHS server.console.season.BAR_PX
        server.console.season.NARROWEST_TILE_PX server.console.season.WIDEST_TILE_PX server.console.season.NAMES_APART
        server.console.season.FAR_APART server.console.run_tile.WIDTH_PX
        server.console.season_ends.ENDS_APART server.console.plots_in_time.HEIGHT
        server.console.plots_in_time.FAR server.console.plots_in_time.SHORTEST
        server.console.plots_in_time.MINUTES_FROM_S scheduling.background.sample_clocks.EVERY
        server.console.season.LATE server.console.season_span.USUAL_MONTHS
        server.console.sun_ribbon.WIDTH server.console.sun_ribbon.HEIGHT server.console.pictures.GAP
        server.console.pictures.HATCH_PX server.console.pictures.SEAM_PX server.desk.drafts.PIECE_MM
        server.desk.drafts.PIECE_HIGH_MM server.desk.drafts.SEAM_SHARE server.desk.pieces.MM_PER_INCH
        server.desk.pieces.PX_PER_INCH server.desk.pieces.MAGNIFIED server.desk.pieces.PIECES
        server.desk.pieces.SMALL_PX server.desk.busiest.ALONG server.desk.busiest.ACROSS""",
    "what is usual where nobody says otherwise": """
        server.own_work.ALLOWED server.own_work._SAID server.settings.OWN_WORK_EVERY_S server.settings._EXPIRES_S
        server.desk.calendar_form.REMINDERS_MIN
        server.desk.policies.USUAL_HOURS server.desk.seek_start.SPAN server.desk.seek_start.LENGTH
        server.desk.seek_start.AFTER server.desk.seek_start.HOUR server.api.rehearsals.USUAL_SEASONS
        server.terminal.management.commands.rehearse.PROGRESS_EVERY_S scheduling.commands.run_search.STEPS_S
        scheduling.commands.run_wishes.DAY_MINUTES scheduling.commands.wishes_met.HOUR
        scheduling.commands.wishes_met.OF_A_CHANGE_H scheduling.commands.wishes_met.OF_NEVER_H
        server.desk.calibrations.RULER_MM server.desk.draft_paper.USUAL_MM
        server.desk.draft_paper.USUAL_HIGH_MM server.desk.draft_paper.USUAL_PITCH_MM
        machines.drivers.serial.machine.BAUD machines.node.manual.job.FEED_MM server.accounts.tokens.NAME_BYTES
        server.terminal.patience.FIRST_AFTER_S server.terminal.patience.TOLD_EVERY_S
        server.backups.postgresql.LOOK_EVERY_S
        server.terminal.management.commands.log.PROGRESS_EVERY_S server.settings.CELERY_WORKER_PREFETCH_MULTIPLIER""",
    "the demonstration's own scenario and pace": """
        server.demo.__main__.MOST_COPIES server.demo.__main__.SET_UP_S server.demo.time_compression.TRY_S
        server.demo.time_compression.STEP server.demo.time_compression.OF_A_BUSY_ONE
        server.demo.time_compression.GLANCE_S server.demo.time_compression.ALWAYS_TAKEN server.demo.processes.PATIENCE_S
        server.demo.processes.COLUMNS_PER_COMMIT server.demo.scenario.SECONDS_SHOWN_PER_SECOND
        server.demo.changes.LOOKED_AT_MOST server.demo.venue_network.AT_ONCE
        server.demo.scenario.HOURS server.demo.scenario.LEAD_HOURS server.demo.scenario.IDLE_FIRING
        server.demo.scenario.DOORS_OPEN_H server.demo.foretold.TIMES server.demo.foretold.BEFORE_H
        server.demo.fleet_acts.LOOK_EVERY_S server.demo.stalls.LOOK_EVERY_S
        server.demo.story.LOOK_EVERY_S server.demo.story.TELL_EVERY_S""",
}
NO_LIMIT_NAMES = [name for names in NO_LIMITS.values() for name in names.split()]


def is_number(value: object) -> bool:
    """A number or a length of time; or several of them and nothing else."""
    if isinstance(value, dict):
        return bool(value) and all(map(is_number, value.values()))
    if isinstance(value, tuple):
        return bool(value) and all(map(is_number, value))
    return isinstance(value, int | float | timedelta) and not isinstance(value, bool)


def assigned(module: Path) -> Iterator[str]:
    """Names in capitals that a module gives a value at its head, imported ones left out."""
    for statement in ast.parse(module.read_text()).body:
        targets = statement.targets if isinstance(statement, ast.Assign) else []
        if isinstance(statement, ast.AnnAssign) and statement.value is not None:
            targets = [statement.target]
        for target in targets:
            for one in target.elts if isinstance(target, ast.Tuple) else [target]:
                if isinstance(one, ast.Name) and CONSTANT.fullmatch(one.id):
                    yield one.id


def numbers_in_capitals() -> Iterator[str]:
    """Their dotted names."""
    for package in ("machines", "scheduling", "server"):
        for module in sorted((ROOT / package).rglob("*.py")):
            names = list(assigned(module)) if "migrations" not in module.parts else []
            dotted = ".".join(module.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            yield from (f"{dotted}.{name}" for name in names if is_number(value_of(f"{dotted}.{name}")))


def value_of(dotted: str) -> Any:
    module, _, name = dotted.rpartition(".")
    return getattr(importlib.import_module(module), name)


@pytest.mark.parametrize("name", LIMITS)
def test_a_limit_is_what_it_was_said_to_be(name: str) -> None:
    value, reason = LIMITS[name]
    assert value_of(name) == value, f"{name} was {value!r}, because {reason}: if it is meant, say why here, too"


def test_every_number_in_capitals_is_a_limit_with_a_reason_or_said_to_be_none() -> None:
    known = [*LIMITS, *NO_LIMIT_NAMES]
    assert [name for name, count in Counter(known).items() if count > 1] == []
    found = set(numbers_in_capitals())
    assert sorted(found - set(known)) == [], "put each of them into LIMITS with its reason, or say what it is instead"
    assert sorted(set(known) - found) == [], "these are gone: take them out of the table"
    assert all(reason for _, reason in LIMITS.values())
