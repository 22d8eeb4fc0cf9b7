"""The audit of what the locks name can say no, and says what it could not ask."""

from __future__ import annotations

from pathlib import Path

from tests.audit import Audited, audit, judged


def test_a_known_weakness_is_told() -> None:
    # Of the form that pip-audit's README shows for --format=json.
    answer = {
        "dependencies": [
            {"name": "flask", "version": "0.5", "vulns": [{"id": "PYSEC-2019-179", "fix_versions": ["1.0"]}]},
            {"name": "jinja2", "version": "3.0.2", "vulns": []},
            {"name": "private", "skip_reason": "not found"},
        ],
        "fixes": [],
    }
    audited = judged(answer)
    assert audited == Audited(("flask 0.5: PYSEC-2019-179",), 2, 1)
    assert audited.in_words() == (
        "2 packages audited, 1 with known weaknesses; 1 not audited: the index tells nothing of them"
    )


def test_a_lock_is_read_whole_or_said_not_to_be_audited() -> None:
    lock = Path("node.lock.txt")
    named = len({line.partition("==")[0] for line in lock.read_text().splitlines() if "==" in line})
    audited = audit(lock)
    assert audited.why or audited.asked + audited.unanswered == named


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / "lock").write_text("not == a lock")
    assert audit(tmp_path / "lock").in_words().startswith("not audited: ")
