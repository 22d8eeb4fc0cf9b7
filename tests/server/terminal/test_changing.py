"""`dayroll list`, `show`, `history`, `change`, `do` and `add`: what the API says, in words, and made after a yes."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import MISSING, fields
from datetime import datetime
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
from django.core.management import CommandError, call_command

from scheduling.log.models import Event, Opening, Run
from server.api.resources import RESOURCES
from server.terminal.changing.names import ADDED, CHANGEABLE, kept
from server.terminal.management.commands.change import KINDS
from tests.server.api.test_bad_input import problem
from tests.server.api.test_quiet_hours import QUIET
from tests.server.studio import MACHINE, OPENING, PROFILE, RUN, SERIES, SERVICE_WINDOW, Caller, changed

IDS = {
    "venue": "quay",
    "profile": "wren",
    "machine": "wren-1",
    "source": "land",
    "run": "spring",
    "opening": "first-night",
    "opening-series": "sundays",
    "service-window": "rounds",
}
ACTS = [(kind, act) for kind, one in CHANGEABLE.items() if one.changeable for act in one.changeable.acts]
HOURS = {"week": {"saturday": [{"opens": "10:00", "closes": "20:00"}]}}
MOVE = ("change", "opening", "first-night", "anchor.civil=2026-03-21T20:30")
MEANT = ("--yes", "--accept-warnings")


def dayroll(*arguments: object) -> str:
    out = io.StringIO()
    call_command(*map(str, arguments), stdout=out)
    return out.getvalue()


def refused(*arguments: object) -> str:
    with pytest.raises(CommandError) as failed:
        dayroll(*arguments)
    assert "\n" not in str(failed.value)
    return str(failed.value)


@pytest.fixture
def house(furnished: Caller) -> Caller:
    furnished.create("service-windows", SERVICE_WINDOW)
    furnished.create("opening-series", SERIES)
    return furnished


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """A real one, at which somebody types; what they type is written here."""
    ours, theirs = os.openpty()
    with os.fdopen(theirs) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield ours
    os.close(ours)


# All that there is.


@pytest.mark.parametrize("name", [one.name for one in RESOURCES])
def test_everything_is_listed_and_shown_as_the_api_does(house: Caller, name: str) -> None:
    (resource,) = (one for one in RESOURCES if one.name == name)
    rows = house.get(resource.plural).json()["results"]
    assert json.loads(dayroll("list", resource.plural, "--json")) == rows
    assert [line.split()[0] for line in dayroll("list", name).splitlines()] == [str(row["id"]) for row in rows]
    for row in rows:
        assert json.loads(dayroll("show", name, row["id"], "--json")) == row
        assert dayroll("show", name, row["id"]).startswith("id ")


@pytest.mark.parametrize("name", CHANGEABLE)
def test_everything_has_its_history(house: Caller, name: str) -> None:
    if name not in IDS:
        assert "'none-yet' is not among the" in refused("history", name, "none-yet")
        return
    told = house.get(f"{CHANGEABLE[name].plural}/{IDS[name]}/history").json()
    assert json.loads(dayroll("history", name, IDS[name], "--json")) == told
    assert "by studio_" in dayroll("history", name, IDS[name])


@pytest.mark.parametrize(("name", "act"), ACTS)
def test_every_act_is_a_command_that_says_what_the_api_says(house: Caller, name: str, act: str) -> None:
    id, changeable = IDS.get(name, "none-yet"), CHANGEABLE[name].changeable
    assert changeable is not None
    reads, body = changeable.acts[act].reads, {}
    for one in fields(reads):
        if one.default is MISSING and one.default_factory is MISSING:
            kind = get_type_hints(reads)[one.name]
            body[one.name] = "2026-03-21T12:00:00Z" if datetime in (kind, *get_args(kind)) else "another"
    options = [part for field, text in body.items() for part in (f"--{field.replace('_', '-')}", text)]
    path, command = f"{CHANGEABLE[name].plural}/{id}", ("do", name, id, act, *options, "--preview")
    tag, events = house.get(path).headers.get("ETag", "none"), Event.objects.count()
    answer = house.post(f"{path}/{act}?preview=true", body, HTTP_IF_MATCH=tag)
    if answer.status_code == 200:
        assert json.loads(dayroll(*command, "--json")) == {"preview": answer.json(), "made": False, "now": None}
        assert all(one in dayroll(*command) for one in answer.json()["in_words"])
    elif answer.status_code == 404:
        assert "is not among the" in refused(*command)
    else:
        told = answer.json()
        assert told["detail"] in (refused(*command), f"the body{refused(*command)}")
    assert Event.objects.count() == events


@pytest.mark.parametrize(("name", "act"), ACTS)
def test_every_act_says_what_it_is_given(name: str, act: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        dayroll("do", name, "any", act, "--help")
    said, changeable = capsys.readouterr().out, CHANGEABLE[name].changeable
    assert ended.value.code == 0 and changeable is not None
    assert all(f"--{one.name.replace('_', '-')}" in said for one in fields(changeable.acts[act].reads))


def test_what_is_given_is_told_as_the_api_tells_it(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        dayroll("do", "run", "any", "end", "--help")
    assert "an instant; now where it is left out" in capsys.readouterr().out


@pytest.mark.parametrize("name", KINDS)
def test_every_field_is_changed_where_the_api_changes_it(house: Caller, name: str) -> None:
    id = IDS.get(name, "none-yet")
    said = refused("change", name, id, "nothing=1", "--yes")
    if name in IDS:
        body = {"content_type": "application/json", "data": b'{"nothing": 1}'}
        path = f"{CHANGEABLE[name].plural}/{id}"
        answer = house.other("PATCH", path, HTTP_IF_MATCH=house.get(path).headers["ETag"], **body)
        assert said == problem(answer, 422)["detail"]


@pytest.mark.parametrize("name", ADDED)
def test_everything_is_added_as_the_api_adds_it(house: Caller, name: str, tmp_path: Path) -> None:
    (file := tmp_path / "one.json").write_text('{"id": "one"}')
    said = refused("add", name, file, "--yes")
    address = "run-checks" if name == "run" else ADDED[name].plural
    assert said == problem(house.post(address, {"id": "one"}), 422)["detail"]


@pytest.mark.parametrize("what", kept())
def test_what_is_kept_as_a_whole_is_set_as_the_api_sets_it(house: Caller, what: str, tmp_path: Path) -> None:
    (file := tmp_path / "one.json").write_text('{"nothing": 1}')
    one = kept()[what]
    answer = house.put(one.address(IDS[one.of]), {"nothing": 1})
    assert refused("set", what, IDS[one.of], file, "--yes") == problem(answer, 422)["detail"]
    assert f"'no' is not among the {one.of}s" in refused("set", what, "no", file, "--yes")


# What is made, and by whom.


def test_hours_are_set_and_the_machine_is_measured(house: Caller, tmp_path: Path) -> None:
    (file := tmp_path / "week.json").write_text(json.dumps(HOURS))
    assert dayroll("set", "hours", "quay", file, *MEANT).endswith("hours of quay: set.\n")
    assert house.get("venues/quay/hours").json()["week"]["saturday"] == HOURS["week"]["saturday"]
    file.write_text('{"feed_factor": 1.01}')
    said = dayroll("set", "calibration", "wren-1", file, "--yes")
    differs, follows = said.split("What follows:\n")
    assert differs == "What differs (times by the clock of Europe/Lisbon):\n  feed_factor: 1.0 -> 1.01\n"
    assert "  A metre that is laid from then on comes out 9.90 mm shorter than one before.\n" in follows
    assert follows.endswith("calibration of wren-1: set.\n")
    assert refused("set", "calibration", "wren-1", file, "--reason", "a", "--yes").startswith("no reason is kept")
    assert house.get("machines/wren-1").json()["calibration"]["feed_factor"] == 1.01


def test_quiet_hours_are_looked_at_and_set_with_a_reason(house: Caller, tmp_path: Path) -> None:
    (file := tmp_path / "quiet.json").write_text(json.dumps(QUIET))
    said = dayroll("set", "quiet-hours", "quay", file, "--reason", "somebody sleeps above", *MEANT)
    assert "it is quiet 22:00 to 07:00 on Mondays" in said and "strips hang together" in said
    assert said.endswith("quiet-hours of quay: set.\n")
    assert house.get("venues/quay/history").json()["steps"][-1]["reason"] == "somebody sleeps above"


def test_an_opening_is_moved_by_the_local_time(house: Caller) -> None:
    said = dayroll(*MOVE, "name=Private view", "--reason", "the ferry", "--yes")
    assert said.splitlines()[:4] == [
        "What differs (times by the clock of Europe/Lisbon):",
        "  name: First night -> Private view",
        '  anchor: {"civil": "2026-03-21T19:00", "zone": "Europe/Lisbon"} -> '
        '{"civil": "2026-03-21T20:30", "zone": "Europe/Lisbon"}',
        "  opens_at: 2026-03-21 19:00 -> 2026-03-21 20:30",
    ]
    assert "Wren 1 is on run spring then." in said
    assert said.endswith("opening first-night is changed.\n")
    assert Opening.objects.get(id="first-night").opens_at.isoformat() == "2026-03-21T20:30:00+00:00"
    *_, newest = house.get("openings/first-night/history").json()["steps"]
    assert (newest["actor"], newest["reason"]) == ("terminal", "the ferry")
    assert "because: the ferry" in dayroll("history", "opening", "first-night")
    assert dayroll(*MOVE, "--yes") == "It is so already; nothing was changed.\n"
    as_data = json.loads(dayroll(*MOVE, "--yes", "--json"))
    assert (as_data["made"], as_data["now"]) == (False, None)


def test_a_run_ends_at_a_local_time_and_the_machine_does_not_know_yet(house: Caller) -> None:
    done = json.loads(
        dayroll("do", "run", "spring", "end", "--at", "2026-03-21T12:00", "--boundary", "strip", "--yes", "--json")
    )
    assert (done["made"], done["now"]["end_column"]) == (True, 3447630)
    assert "Wren 1 was never heard, and holds none of it." in dayroll("show", "run", "spring")


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (
            "2026-10-25T01:30",
            "at: 2026-10-25 01:30 is shown twice in Europe/Lisbon, where the clocks change then; say which is meant:"
            " 2026-10-25T01:30:00+01:00 or 2026-10-25T01:30:00+00:00",
        ),
        (
            "2026-03-29T01:30",
            "at: 2026-03-29 01:30 does not exist in Europe/Lisbon, where the clocks change then; say which is meant:"
            " 2026-03-29T00:30:00+00:00 or 2026-03-29T02:30:00+01:00",
        ),
        ("tomorrow", "at: 'tomorrow' is no date with a time; give one such as 2027-01-03T18:00"),
    ],
)
def test_a_doubtful_local_time_is_refused(house: Caller, at: str, said: str) -> None:
    assert refused("do", "run", "spring", "end", "--at", at, "--yes") == said
    assert Run.objects.get().ended_at is None


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (["name"], "name: this is no field with its value"),
        (["name=a", "name=b"], "name: given twice"),
        (["anchor.civil=2026-03-21T20:30", "anchor={}"], "anchor: given twice"),
        (["name=a", "name.of.it=b"], "name.of.it: given twice"),
        (["venue=shed"], "venue: this is never changed"),
    ],
)
def test_what_is_typed_wrongly_is_named(house: Caller, fields: list[str], said: str) -> None:
    assert refused("change", "opening", "first-night", *fields, "--yes").startswith(said)


def test_text_stays_text_and_null_takes_away(house: Caller) -> None:
    closing = 'closing={"civil": "2026-03-21T22:00", "zone": "Europe/Lisbon"}'
    dayroll("change", "opening", "first-night", "name=2026", closing, "--yes")
    row = house.get("openings/first-night").json()
    assert (row["name"], row["closes_at"]) == ("2026", "2026-03-21T22:00:00.000000Z")
    dayroll("change", "opening", "first-night", "closing=null", "--yes")
    assert house.get("openings/first-night").json()["closes_at"] is None


# Whether it is meant.


def test_nobody_is_asked_where_there_is_no_terminal(house: Caller) -> None:
    events = Event.objects.count()
    assert refused(*MOVE).startswith("nothing was changed: this asks at a terminal; give --yes")
    assert refused(*MOVE, "--json") == "--json asks nobody; give --yes, or --preview to only look"
    dayroll(*MOVE, "--preview")
    assert Event.objects.count() == events


@pytest.mark.parametrize(("typed", "is_made"), [("y", True), ("yes", True), ("n", False), ("", False)])
def test_at_a_terminal_it_is_asked(house: Caller, terminal: int, typed: str, is_made: bool) -> None:
    os.write(terminal, f"{typed}\n".encode())
    if is_made:
        assert "Make this change? [y/N] opening" in dayroll(*MOVE)
    else:
        assert refused(*MOVE) == "nothing was changed"
    assert (house.get("openings/first-night").json()["opens_at"] == "2026-03-21T20:30:00.000000Z") is is_made


def test_warnings_are_accepted_by_name(house: Caller) -> None:
    house.put("venues/quay/hours?accept=true", HOURS)
    events = Event.objects.count()
    assert refused(*MOVE, "--yes").startswith("nothing was changed, for there are warnings: ")
    assert Event.objects.count() == events
    assert "Warnings:\n" in dayroll(*MOVE, "--yes", "--accept-warnings")
    assert Event.objects.count() == events + 1


def test_at_a_terminal_a_yes_takes_the_warnings_that_were_shown(house: Caller, terminal: int) -> None:
    house.put("venues/quay/hours?accept=true", HOURS)
    os.write(terminal, b"y\n")
    assert "Make this change, warnings and all? [y/N]" in dayroll(*MOVE)


class Meanwhile(io.StringIO):
    """Somebody at a terminal who is slower than somebody else."""

    def __init__(self, act: Any) -> None:
        super().__init__()
        self._act = act

    def isatty(self) -> bool:
        return True

    def readline(self, *args: Any) -> str:
        self._act()
        return "y\n"


def test_a_lost_race_changes_nothing(house: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def meanwhile() -> None:
        body, tag = b'{"name": "Preview"}', house.get("openings/first-night").headers["ETag"]
        path, kind = "openings/first-night", "application/json"
        assert house.other("PATCH", path, data=body, content_type=kind, HTTP_IF_MATCH=tag).status_code == 200

    monkeypatch.setattr(sys, "stdin", Meanwhile(meanwhile))
    said = refused(*MOVE)
    assert said.startswith("somebody changed it meanwhile (studio_")
    assert said.endswith(": name); look at it again, then say it once more")
    assert house.get("openings/first-night").json()["opens_at"] == "2026-03-21T19:00:00.000000Z"


def test_a_warning_that_comes_up_meanwhile_is_told_first(house: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Meanwhile(lambda: house.put("venues/quay/hours?accept=true", HOURS)))
    assert refused(*MOVE).startswith("This needs a yes. ")
    assert house.get("openings/first-night").json()["opens_at"] == "2026-03-21T19:00:00.000000Z"


def test_what_a_machine_tells_meanwhile_is_no_lost_race(
    house: Caller, node: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Meanwhile(lambda: node.get("node/work?horizon=PT24H")))
    assert "run spring: end is done." in dayroll("do", "run", "spring", "end", "--at", "2026-03-21T12:00")


# Adding.


def test_one_is_added_from_a_file(house: Caller, tmp_path: Path) -> None:
    (file := tmp_path / "run.json").write_text(
        json.dumps(RUN | {"id": "april", "starts_at": "2026-04-01T12:00:00Z", "ends_at": "2026-04-02T12:00:00Z"})
    )
    said = dayroll("add", "run", file, "--preview")
    check = house.post("run-checks", json.loads(file.read_text())).json()
    assert f"360 columns, 0.120 m of paper, {check['cuts']} cuts." in said
    assert check["ink"] is None and "ink" not in said, "a line head has none"
    assert all(one["in_words"] in said for one in check["warnings"])
    assert refused("add", "run", file, "--yes").startswith("nothing was changed, for there are warnings: ")
    assert not Run.objects.filter(id="april").exists()
    assert dayroll("add", "run", file, "--yes", "--accept-warnings").endswith("run april is added.\n")
    assert Run.objects.filter(id="april").exists()


def test_the_ink_of_one_that_is_added_is_told_without_exponents(house: Caller, tmp_path: Path) -> None:
    head = {"kind": "carriage", "nozzles": 12, "passes": 2, "drop_pl": 50_000_000.0}
    inked = changed(changed(changed(PROFILE, "id", "inked"), "profile.head", head), "profile.columns_per_burst", 12)
    house.create("profiles", inked)
    house.create("machines", MACHINE | {"id": "inked-1", "profile": "inked"})
    (file := tmp_path / "run.json").write_text(
        json.dumps(
            RUN
            | {
                "id": "april",
                "machine": "inked-1",
                "starts_at": "2026-04-01T12:00:00Z",
                "ends_at": "2026-04-04T12:00:00Z",
            }
        )
    )
    said = dayroll("add", "run", file, "--preview")
    ml = house.post("run-checks", json.loads(file.read_text())).json()["ink"]["picture_ml"]
    assert ml > 1000.0
    assert f"Its ink: {ml:.0f} ml, an estimate by 360 columns drawn for 360.\n" in said


def test_one_is_added_from_standard_input(house: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    second = json.dumps(changed(OPENING, "id", "second-night"))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(second.encode())))
    assert dayroll("add", "opening", "-", "--yes").endswith("opening second-night is added.\n")
    assert Opening.objects.filter(series=None).count() == 2


@pytest.mark.parametrize(
    ("text", "said"), [("{", "The body is not JSON in UTF-8"), ("[]", "this is no JSON object"), (None, "No such file")]
)
def test_a_file_that_cannot_be_used_is_named(house: Caller, tmp_path: Path, text: str | None, said: str) -> None:
    file = tmp_path / "one.json"
    if text is not None:
        file.write_text(text)
    assert refused("add", "opening", file, "--yes").startswith(f"{file}: {said}")


def test_what_is_not_there_is_named(house: Caller) -> None:
    said = "'no' is not among the openings; `dayroll list openings` shows all"
    assert refused("show", "opening", "no") == refused("change", "opening", "no", "name=a", "--yes") == said
    assert refused("list", "tables").startswith("there is no list of 'tables'; give one of: venues, ")
