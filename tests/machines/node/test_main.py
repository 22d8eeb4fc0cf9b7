"""The command line: what it says and how it ends, in this process."""

from __future__ import annotations

import json
import socket
from functools import partial
from pathlib import Path

import pytest

from machines.clock import CLOCK_VARIABLE
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.node import __main__ as command_line
from machines.node.__main__ import main
from machines.node.agent import agent_runs, only_agent
from machines.node.cli_run import HORIZON_VARIABLE, open_driver_of
from machines.node.manual.arming import ask_to_arm
from machines.node.panel.pin import LockedOut
from machines.node.printing.loop import MustNotPrint
from machines.node.settings import Settings
from machines.node.store import identity
from machines.node.store.journal import change_state, open_journal
from machines.node.sync.failures import NotKnown, Unreachable
from tests.machines.node.relay import TOKEN, serving
from tests.machines.node.rig import HandClock, make_studio


def enrol(home: Path, code: str = "good") -> int:
    with serving(make_studio(HandClock())) as url:
        typed = url.replace("http://", "HTTP://") + "/"
        return main(["enrol", "--server", typed, "--code-file", slip(home, code), "--home", str(home)])


def slip(home: Path, code: str = "good") -> str:
    """A file with a code, as somebody hands one over."""
    file = home.with_suffix(".code")
    file.write_text(f"  {code}\nof the machine by the window\n")
    return str(file)


def test_enrolled_it_keeps_the_token_to_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert enrol(tmp_path / "node") == 0
    said = capsys.readouterr().out
    assert "machine m1" in said
    assert "dayroll-node run" in said
    assert TOKEN not in said
    journal = open_journal(tmp_path / "node")
    with journal.reading() as db:
        credentials = identity.credentials(db)
    journal.close()
    assert credentials is not None
    assert credentials.token == TOKEN
    assert credentials.server.startswith("http://127.0.0.1:"), "as it is called, however it was typed"
    assert not credentials.server.endswith("/")


def test_a_code_that_is_not_good_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert enrol(tmp_path / "node", code="spent") == 3
    assert "not, or no longer, good" in capsys.readouterr().err


def test_a_server_that_is_not_there_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{closed.getsockname()[1]}"
        home = tmp_path / "node"
        assert main(["enrol", "--server", url, "--code-file", slip(home), "--home", str(home)]) == 3
    assert "no answer" in capsys.readouterr().err


def test_an_address_that_is_none_spends_no_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = tmp_path / "node"
    assert main(["enrol", "--server", "host", "--code-file", slip(home), "--home", str(home)]) == 2
    assert "https://host" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["run"], ["status"], ["arm", "--yes"]])
def test_before_enrolment_it_says_what_comes_first(
    tmp_path: Path, command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*command, "--home", str(tmp_path / "node")]) == 2
    assert "enrol" in capsys.readouterr().err
    assert not (tmp_path / "node").exists()


def test_run_shows_the_cautions_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_journal(tmp_path, create=True).close()
    assert main(["run", "--home", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert said.index("fingers") < said.index("not enrolled")
    assert "not a safety function" in said
    assert "Local codes" in said


def test_to_arm_one_must_say_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    enrol(tmp_path)
    monkeypatch.setattr(command_line, "agent_runs", lambda home: True)
    monkeypatch.setattr("builtins.input", lambda prompt: "yes")
    assert main(["arm", "--home", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert said.index("gloves") < said.index("stays as it was")
    journal = open_journal(tmp_path)
    assert not journal.state().arming_asked
    journal.close()


def test_an_agent_that_does_not_answer_does_not_arm_later(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    enrol(tmp_path)
    monkeypatch.setattr(command_line, "ask_to_arm", partial(ask_to_arm, limit_s=0.1))
    with only_agent(tmp_path):
        assert main(["arm", "--yes", "--home", str(tmp_path)]) == 2
    assert "did not answer" in capsys.readouterr().err
    journal = open_journal(tmp_path)
    assert not journal.state().arming_asked
    journal.close()


def test_without_an_agent_nobody_is_asked_to_arm(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    enrol(tmp_path)
    assert main(["arm", "--yes", "--home", str(tmp_path)]) == 2
    assert "start it first" in capsys.readouterr().err


def test_status_is_for_people_and_for_programs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    enrol(tmp_path)
    capsys.readouterr()
    assert main(["status", "--home", str(tmp_path)]) == 0
    text = capsys.readouterr().out
    assert "not running" in text
    assert "not known since this board started" in text
    assert main(["status", "--json", "--home", str(tmp_path)]) == 0
    status = json.loads(capsys.readouterr().out)
    assert status["machine"] == "m1"
    assert status["server_time"] is None
    assert status["knife"] == "unknown"


def test_fenced_off_it_says_how_to_print_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    enrol(tmp_path)
    journal = open_journal(tmp_path)
    with journal.transaction() as db:
        change_state(db, fenced="epoch 1 was replaced by 2")
    journal.close()
    assert main(["run", "--home", str(tmp_path)]) == 4
    said = capsys.readouterr().err
    assert "replaced by 2" in said
    assert "new code" in said
    assert enrol(tmp_path) == 0
    journal = open_journal(tmp_path)
    assert journal.state().fenced == ""
    journal.close()


def test_a_damaged_journal_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    enrol(tmp_path)
    (tmp_path / "journal.sqlite3").write_bytes(b"x" * 10_000)
    for suffix in ("-wal", "-shm"):
        (tmp_path / f"journal.sqlite3{suffix}").unlink(missing_ok=True)
    assert main(["run", "--home", str(tmp_path)]) == 2
    assert "cannot be used" in capsys.readouterr().err


def test_a_clock_that_cannot_be_read_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    enrol(tmp_path)
    monkeypatch.setenv(CLOCK_VARIABLE, "sundial")
    assert main(["run", "--home", str(tmp_path)]) == 2
    assert CLOCK_VARIABLE in capsys.readouterr().err


def test_what_is_asked_for_by_a_variable_may_be_asked_for_by_an_option(monkeypatch: pytest.MonkeyPatch) -> None:
    def horizon(*options: str) -> str:
        parser = command_line.parser_for({HORIZON_VARIABLE: "PT24H"})
        return str(parser.parse_args(["run", "--home", "x", *options]).horizon)

    assert horizon() == "PT24H"
    assert horizon("--horizon", "P2D") == "P2D"
    assert command_line.parser_for({}).parse_args(["run", "--home", "x"]).horizon == Settings().horizon


def test_faults_are_read_at_once_and_only_of_a_simulated_machine(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    enrol(tmp_path / "node")
    faults = tmp_path / "faults.json"
    faults.write_text('{"faults": [{"kind": "boredom", "at": "2026-11-02T09:00:00Z"}]}')
    run = ["run", "--home", str(tmp_path / "node"), "--faults", str(faults)]
    assert main(run) == 2
    assert "faults.faults[0].kind" in capsys.readouterr().err
    assert main([*run, "--machine", "serial", "--device", "/dev/null"]) == 2
    assert "a real machine has its own" in capsys.readouterr().err


def test_a_simulated_machine_has_the_faults_of_its_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    faults = tmp_path / "faults.json"
    faults.write_text('{"faults": [{"kind": "jam", "at": "2001-11-02T09:00:00Z"}]}')
    monkeypatch.delenv(CLOCK_VARIABLE, raising=False)
    given = ["run", "--home", str(tmp_path), "--faults", str(faults)]
    open_driver = open_driver_of(command_line.parser_for({}).parse_args(given))
    studio = make_studio(HandClock())
    assert studio.run is not None
    driver = open_driver(studio.profile, studio.run, Calibration())
    assert driver.conditions() == ("media-jam-error",)
    faults.write_text('{"faults": []}')
    assert driver.conditions() == ()


def test_a_commit_of_no_columns_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    enrol(tmp_path)
    assert main(["run", "--columns-per-commit", "0", "--home", str(tmp_path)]) == 2
    assert "columns_per_commit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("failure", "status", "said"),
    [
        (InputError("pin", "too short", "give 6 to 12 digits"), 2, "pin: too short; give 6 to 12 digits"),
        (Unreachable("no answer", "silent"), 3, "no answer"),
        (NotKnown(401, "about:blank", "not good", None), 3, "a person must enrol this board again"),
        (
            MustNotPrint("epoch 1 was replaced by 2"),
            4,
            "replaced by 2; to let it print again, enrol it",
        ),
        (LockedOut(60.0), 1, "too many wrong PINs; wait 1 min and try again"),
        (OSError("the card is full"), 5, "never prints blind: the card is full; make room"),
    ],
)
def test_a_failure_is_a_sentence_and_an_exit_status(failure: Exception, status: int, said: str) -> None:
    def fails() -> int:
        raise failure

    told: list[str] = []
    assert command_line.guarded(fails, told.append) == status
    assert len(told) == 1 and told[0].startswith("dayroll-node: ") and said in told[0]


def test_the_help_tells_the_exit_status(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--help"])
    assert ended.value.code == 0
    assert "fenced off" in capsys.readouterr().out


def test_looking_whether_an_agent_runs_does_not_keep_one_from_starting(tmp_path: Path) -> None:
    assert not agent_runs(tmp_path)
    with only_agent(tmp_path):
        assert agent_runs(tmp_path)
    assert not agent_runs(tmp_path)
