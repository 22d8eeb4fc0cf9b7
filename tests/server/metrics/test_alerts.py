"""The rules by which whoever watches the server is told, held against what it really tells, and tried by Prometheus's
own program for that.

`promtool` comes with Debian's package `prometheus`, which `.ci/run` installs where there is none; there no test may
skip. Where a person runs the suite without it, two things still hold: that each rule names only what a real scrape
tells, with its labels and values, and that each is tried both ways. Whether it says what it should, does not.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import yaml

from scheduling.log.beside import keep_own_work
from server import own_work, wiring
from tests.server.keys import new_key
from tests.server.metrics.test_metrics import Samples, scrape
from tests.server.studio import Caller

DOCKER = Path(__file__).parents[3] / "docker"
RULES: dict[str, dict[str, Any]] = {
    rule["alert"]: rule
    for group in yaml.safe_load((DOCKER / "alerts.yaml").read_text())["groups"]
    for rule in group["rules"]
}
TRIED: dict[str, Any] = yaml.safe_load(Path(__file__).with_name("tried_alerts.yaml").read_text())
PAGE = (DOCKER / "WATCHING.md").read_text()
PROMTOOL = shutil.which("promtool")
needs_promtool = pytest.mark.skipif(PROMTOOL is None, reason="needs promtool, of Debian's package prometheus")
PATIENCE_S = 60.0

# What a scrape adds itself, and what it adds to all else.
OF_A_SCRAPE, ITS_LABELS = "up", {"job": "dayroll", "instance": ""}
WORDS = {"by", "without", "on", "ignoring", "and", "or", "unless", "bool", "offset"}
GROUPED = re.compile(r"\b(?:by|without|on|ignoring)\s*\(([^)]*)\)")
NAMED = re.compile(r"(?<![\w.])([a-zA-Z_:][\w:]*)\s*(?:\{([^}]*)\})?(?:\[\w+\])?(?!\w*\s*\()")
ASKED = re.compile(r'(\w+)\s*(=~|!~|=|!=)\s*"([^"]*)"')


def asked(expression: str) -> list[tuple[str, list[tuple[str, str, str]]]]:
    """The series that an expression asks for: each name, with what it wants of its labels."""
    without_groups = GROUPED.sub(" ", expression)
    named = [(name, ASKED.findall(labels or "")) for name, labels in NAMED.findall(without_groups)]
    return [(name, labels) for name, labels in named if name not in WORDS]


def scraped(node: Caller) -> Samples:
    """What a server of a fleet tells that answers a board and expects its own work to be done."""
    own_work.listen()
    keep_own_work(own_work.DRAWER, wiring.really_now())
    assert node.get("node/work").status_code == 200
    return scrape(new_key("watch"))


def told_labels(samples: Samples) -> dict[str, dict[str, set[str]]]:
    """Of every name that is told its labels, with their values."""
    found: dict[str, dict[str, set[str]]] = {}
    for name, labels in samples:
        values = found.setdefault(name, {})
        for label, value in labels:
            values.setdefault(label, set()).add(value)
    return found


def test_an_expression_is_read_as_it_is_meant() -> None:
    """So that the tests below cannot pass for want of anything that was found."""
    text = (
        'max by (work) (increase(seen_total{work!~"a|b", is="c"}[30m])) > 1.5e9 * min(gone) and on (work) rate(x_y[1h])'
    )
    assert asked(text) == [("seen_total", [("work", "!~", "a|b"), ("is", "=", "c")]), ("gone", []), ("x_y", [])]
    assert sum(len(asked(rule["expr"])) for rule in RULES.values()) > len(RULES) > 12


@pytest.mark.parametrize("name", RULES)
def test_a_rule_asks_for_what_the_server_tells(name: str, node: Caller) -> None:
    told = told_labels(scraped(node))
    for series, wanted in asked(RULES[name]["expr"]):
        assert series == OF_A_SCRAPE or series in told, series
        values = told.get(series, {})
        for label, how, value in wanted:
            if label in ITS_LABELS:
                assert (how, value) == ("=", ITS_LABELS[label])
                continue
            assert label in values, (series, label)
            if label != "status":  # not all of them are answered by a server that is well
                assert set(value.split("|")) <= values[label], (series, label, value)
    by_what = {label.strip() for group in GROUPED.findall(RULES[name]["expr"]) for label in group.split(",")}
    known = {label for series, _ in asked(RULES[name]["expr"]) for label in told.get(series, {})}
    assert by_what <= known | {"instance", "le"}


def test_nothing_of_the_servers_has_a_label_that_a_scrape_would_rename(node: Caller) -> None:
    labels = {label for values in told_labels(scraped(node)).values() for label in values}
    assert "work" in labels and not labels & ITS_LABELS.keys()


@pytest.mark.parametrize("name", RULES)
def test_each_is_tried_where_it_is_told_and_where_it_is_not(name: str) -> None:
    tries = [one for test in TRIED["tests"] for one in test["alert_rule_test"] if one["alertname"] == name]
    assert {bool(one["exp_alerts"]) for one in tries} == {True, False}


def test_each_alert_has_its_section_and_each_section_its_alert() -> None:
    assert re.findall(r"^### (\w+)$", PAGE, re.MULTILINE) == list(RULES)
    for section in re.split(r"^### ", PAGE, flags=re.MULTILINE)[1:]:
        text = section.partition("\n## ")[0]
        for part in ("**Means.**", "**First.**", "**Look.**"):
            assert text.count(part) == 1, section


def test_the_page_names_only_what_is_told(node: Caller) -> None:
    named = set(re.findall(r"`((?:dayroll|process)_\w+)`", PAGE))
    told = {re.sub(r"_(bucket|count|sum)$", "", name) for name, _ in scraped(node)}
    assert len(named) > 6 and named <= told


def test_each_says_in_a_sentence_what_it_is_and_how_pressing() -> None:
    for name, rule in RULES.items():
        assert rule["labels"].keys() == {"severity"} and rule["labels"]["severity"] in ("urgent", "soon"), name
        assert re.fullmatch(r"[A-Z][^{}]+\.", rule["annotations"]["summary"]), name
        assert f"### {name}\n\n{rule['annotations']['summary']} *{rule['labels']['severity'].title()}.*" in PAGE, name


def promtool(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [str(PROMTOOL), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


@needs_promtool
def test_prometheus_takes_the_rules() -> None:
    done = promtool("check", "rules", "--lint=all", "--lint-fatal", DOCKER / "alerts.yaml")
    assert done.returncode == 0 and f"{len(RULES)} rules found" in done.stdout, done.stdout + done.stderr


def tried(folder: Path, rules: str, tests: Sequence[Any]) -> subprocess.CompletedProcess[str]:
    """Some tries, played on rules, with what each alert says."""
    (folder / "alerts.yaml").write_text(rules)
    for one in (one for test in tests for one in test["alert_rule_test"]):
        for told in one["exp_alerts"]:
            told["exp_annotations"] = RULES[one["alertname"]]["annotations"]
    (folder / "tried.yaml").write_text(yaml.safe_dump(TRIED | {"tests": list(tests)}))
    return promtool("test", "rules", folder / "tried.yaml")


@needs_promtool
def test_each_is_told_when_it_should_be_and_not_when_it_should_not(tmp_path: Path) -> None:
    done = tried(tmp_path, (DOCKER / "alerts.yaml").read_text(), TRIED["tests"])
    assert done.returncode == 0, done.stdout + done.stderr


@needs_promtool
@pytest.mark.parametrize("name", RULES)
def test_a_rule_that_is_always_told_or_never_is_found(name: str, tmp_path: Path) -> None:
    for wrong in ("vector(1)", "vector(1) < 0"):
        rules = yaml.safe_load((DOCKER / "alerts.yaml").read_text())
        (rule,) = [rule for group in rules["groups"] for rule in group["rules"] if rule["alert"] == name]
        rule["expr"] = wrong
        of_it = [test for test in TRIED["tests"] if any(one["alertname"] == name for one in test["alert_rule_test"])]
        done = tried(tmp_path, yaml.safe_dump(rules), of_it)
        assert done.returncode != 0 and name in done.stdout + done.stderr


@needs_promtool
def test_the_page_says_how_to_scrape_and_prometheus_takes_it(tmp_path: Path) -> None:
    (example,) = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
    asked_for = yaml.safe_load(example)["scrape_configs"][0]
    assert asked_for["job_name"] == ITS_LABELS["job"] and asked_for["scrape_interval"] == TRIED["evaluation_interval"]
    (tmp_path / "key").write_text("a key")
    (tmp_path / "alerts.yaml").write_text((DOCKER / "alerts.yaml").read_text())
    (tmp_path / "prometheus.yml").write_text(
        example.replace("/etc/prometheus/", f"{tmp_path}/").replace("dayroll-key", "key")
    )
    done = promtool("check", "config", tmp_path / "prometheus.yml")
    assert done.returncode == 0, done.stdout + done.stderr
