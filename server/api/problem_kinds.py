"""The types of problem of our own, as the API's answers name them and its pages explain them."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus


@dataclass(frozen=True)
class ProblemKind:
    """A type of problem of our own: its last path segment, status, title, and what a client should make of it."""

    slug: str
    status: HTTPStatus
    title: str
    meaning: str

    @property
    def type(self) -> str:
        """The problem type, a URI reference with a full path (RFC 9457 section 3.1.1)."""
        return f"/api/v1/problems/{self.slug}"


BAD_INPUT = ProblemKind(
    "bad-input",
    HTTPStatus.UNPROCESSABLE_ENTITY,
    "Something given cannot be used",
    "The request was understood, but one of its fields cannot be used: `field` says where it stands, `problem` what is "
    "wrong with it and `remedy` what would be right. Nothing was written. Sending it again unchanged cannot help.",
)
UNREADABLE = ProblemKind(
    "unreadable-body",
    HTTPStatus.BAD_REQUEST,
    "The body cannot be read",
    "The body is not one JSON value in UTF-8 as RFC 7493 (I-JSON) describes it. Nothing was written.",
)
TOO_LARGE = ProblemKind(
    "body-too-large",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    "The body is too large",
    "The body is longer than the server takes, or has more entries of a journal than it takes at a time. Nothing was "
    "written. Send it in parts; a node halves its batch of reports.",
)
NAME_TAKEN = ProblemKind(
    "taken",
    HTTPStatus.CONFLICT,
    "The id is in use",
    "What was to be added has the id of something that exists. Nothing was written. Choose another id.",
)
NEEDS_A_YES = ProblemKind(
    "needs-a-yes",
    HTTPStatus.CONFLICT,
    "This has to be meant",
    "What was asked for can be done, and `warnings` tells what should be meant first. Nothing was written. Ask for it "
    "once more with `accept` naming their kinds, or for something else.",
)
KEY_USED = ProblemKind(
    "key-used",
    HTTPStatus.UNPROCESSABLE_ENTITY,
    "The key was used for another order",
    "`Idempotency-Key` names an order that was carried out, and this is another. Nothing was written. Give each "
    "order a key of its own.",
)
STALE_EPOCH = ProblemKind(
    "stale-epoch",
    HTTPStatus.CONFLICT,
    "Another board has taken over",
    "The machine has had a later enrolment, of epoch `current`. Nothing was written. A node that gets this stops "
    "printing.",
)
MISSING_ENTRIES = ProblemKind(
    "missing-entries",
    HTTPStatus.CONFLICT,
    "Entries before these are missing",
    "Nothing was written. Send the journal again from the entry whose number is `expected`.",
)
JOURNAL_DIFFERS = ProblemKind(
    "journal-differs",
    HTTPStatus.CONFLICT,
    "Another entry was told under this number",
    "Two boards write as one, or a journal was put back from an older copy, or has lost what it wrote last: entry "
    "`seq` was taken before, and it was another one. Nothing of the batch was taken, and a notice says so. A node that "
    "gets this stops printing; if it is the one beside the machine, enrol it again with a new code.",
)
ROLE_NEEDED = ProblemKind(
    "role-needed",
    HTTPStatus.FORBIDDEN,
    "Your role does not include this",
    "The key is good, but what was ordered is for others: `needed` names the roles that may order it, `role` is that "
    "of the key and `venues` the only venues that it is for, null where it is for every venue. Nothing was written. "
    "Ask the studio, or use a key of such a role.",
)
TOO_MANY_TRIES = ProblemKind(
    "too-many-tries",
    HTTPStatus.TOO_MANY_REQUESTS,
    "Too many wrong tries",
    "From where this came, too many keys, tokens or codes were wrong. Nothing was written, and a code was not looked "
    "at. Try again after the time in `Retry-After`, with one that is good.",
)
BUSY = ProblemKind(
    "busy",
    HTTPStatus.TOO_MANY_REQUESTS,
    "Too many costly answers are being made",
    "A calendar, a proof, a thumbnail, a forecast or the description takes much work, and as many as may be are "
    "being made. Send the same request again after the time in `Retry-After`; what was made is kept, and a calendar "
    "program has no need to ask more often than once an hour.",
)
MOVED_ON = ProblemKind(
    "moved-on",
    HTTPStatus.PRECONDITION_FAILED,
    "It is not as it was",
    "What `If-Match` names has changed since: `tag` is what it has now. Nothing was written. Fetch it again, decide "
    "again, and send what is still wanted with the new tag.",
)
CONDITION_NEEDED = ProblemKind(
    "if-match-needed",
    HTTPStatus.PRECONDITION_REQUIRED,
    "Say what is to be replaced",
    "This replaces what stands there as a whole, which somebody else may have changed. Nothing was written. Fetch it, "
    "and send its `ETag` as `If-Match`.",
)
NOTHING_OPEN = ProblemKind(
    "nothing-open",
    HTTPStatus.CONFLICT,
    "There is nothing to decide",
    "How an outage is settled can be decided only while it is open: while the node is silent, the machine is held "
    "or columns are printed late. Nothing was written. `detail` says how it stands.",
)
LOST_RACE = ProblemKind(
    "lost-race",
    HTTPStatus.CONFLICT,
    "Somebody else was first",
    "What was decided on has changed meanwhile: `stream` is at version `actual` and not at `expected`, and `changes` "
    "says what was written in between, by whom and when. Nothing was written. Read again, decide again, and send what "
    "is still wanted.",
)
PLATE_GONE = ProblemKind(
    "plate-gone",
    HTTPStatus.SERVICE_UNAVAILABLE,
    "A plate is not in the server's store",
    "What was asked for needs the plate `plate`, which the server's store has lost. One that is still to be printed is "
    "drawn anew by itself: send the same request again after the time in `Retry-After`. One that is printed comes back "
    "from a copy, or by the command `dayroll redraw`.",
)
STORE_AWAY = ProblemKind(
    "store-away",
    HTTPStatus.SERVICE_UNAVAILABLE,
    "The store of plates and uploads does not answer",
    "What was asked for needs a plate or an uploaded file, and where they are kept cannot be reached at the moment. "
    "Nothing is lost, and nothing was written: send the same request again after the time in `Retry-After`. `plate` "
    "says which plate it is, where it is one. Machines print on with what they hold.",
)
VIEW_SET_ASIDE = ProblemKind(
    "view-set-aside",
    HTTPStatus.SERVICE_UNAVAILABLE,
    "What this needs is set aside",
    "A mistake of this program keeps it from showing all that it was told: `views` names what stands still. Nothing "
    "was written, as it would be checked against what is no longer so. What nodes report is taken all the same. "
    "Whoever keeps the server mends it; then the same request may be sent again.",
)
UNAVAILABLE = ProblemKind(
    "unavailable",
    HTTPStatus.SERVICE_UNAVAILABLE,
    "The server cannot write at the moment",
    "Nothing was written. Send the same request again after the time in `Retry-After`.",
)
DISK_FULL = ProblemKind(
    "disk-full",
    HTTPStatus.INSUFFICIENT_STORAGE,
    "The server's disk is full",
    "Nothing was written. Whoever keeps the server has to make room; then the same request may be sent again.",
)
OUR_MISTAKE = ProblemKind(
    "server-error",
    HTTPStatus.INTERNAL_SERVER_ERROR,
    "The server made a mistake",
    "The server's log holds the reason under the number in `instance`. Whether anything was written is not known: look "
    "before you send it again.",
)
PROBLEM_KINDS = {
    kind.slug: kind
    for kind in (
        BAD_INPUT,
        UNREADABLE,
        TOO_LARGE,
        NAME_TAKEN,
        NEEDS_A_YES,
        KEY_USED,
        STALE_EPOCH,
        MISSING_ENTRIES,
        ROLE_NEEDED,
        TOO_MANY_TRIES,
        BUSY,
        MOVED_ON,
        CONDITION_NEEDED,
        JOURNAL_DIFFERS,
        NOTHING_OPEN,
        LOST_RACE,
        PLATE_GONE,
        STORE_AWAY,
        VIEW_SET_ASIDE,
        UNAVAILABLE,
        DISK_FULL,
        OUR_MISTAKE,
    )
}
