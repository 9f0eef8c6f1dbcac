"""Prometheus' own promtool judges our metrics, our rules and the queries of our dashboard."""
import json
import os
import pathlib
import re
import signal
import subprocess
import termios
import urllib.request

import pytest

from alarm_kit import Web
from conftest import ROOT, WICKLINE, ask, configuration
from test_outside import BASE
from test_tls import fresh, hear, until

PROMTOOL = os.environ["PROMTOOL"]
RULES, BOARD = ROOT / "deploy/alerts.yml", ROOT / "deploy/dashboard.json"
JUDGED = ROOT / "tests/outside/alerts_test.yml"


def promtool(*words, given=None):
    done = subprocess.run([PROMTOOL, *map(str, words)], capture_output=True, text=True, input=given)
    return done.returncode, done.stdout + done.stderr


def expressions():
    """Every expression of the dashboard."""
    board = json.loads(BOARD.read_text())
    return [target["expr"] for panel in board["panels"] for target in panel.get("targets", [])]


def named(text):
    """The metrics that a text names, a histogram's by its own name."""
    names = set(re.findall(r"\b(?:wickline|process)_[a-z_]+", text)) - {"wickline_"}
    return {name.removesuffix("_bucket") for name in names}


class Terminal:
    """A terminal of some size, with `wickline status --watch` on it."""

    def __init__(self, config, rows, columns):
        self.ours, self.theirs = os.openpty()
        termios.tcsetwinsize(self.theirs, (rows, columns))
        self.before = termios.tcgetattr(self.theirs)
        self.process = subprocess.Popen([WICKLINE, "--config", str(config), "status", "--watch"], stdin=self.theirs,
                                        stdout=self.theirs, stderr=self.theirs)
        self.text = ""

    def says(self, wanted):
        while wanted not in self.text:
            self.text += os.read(self.ours, 65536).decode()

    def ends(self):
        code = self.process.wait(timeout=20)
        assert termios.tcgetattr(self.theirs) == self.before, "the terminal is what it was"
        return code


def test_a_watched_page_stays_in_its_place_and_ends_by_a_key_or_a_signal(daemon):
    running, config = daemon(configuration())
    ask(config, "queue", "pause", "lis")
    wide = Terminal(config, 40, 200)
    wide.says("q ends")
    assert "paused by" in wide.text and "`wickline queue resume lis`" in wide.text
    page = wide.text
    wide.text = ""
    wide.says("q ends")
    # Written over what stands there, line by line: the screen is never empty.
    assert "\x1b[2J" not in page and page.count("\x1b[H") == 1 and page.count("\x1b[J") == 1
    lines = page.splitlines()
    assert len(lines) < 40 and all(line.endswith("\x1b[K") for line in lines[:-1]), lines
    os.write(wide.ours, b"q")
    assert wide.ends() == 1, "as the last look ended"
    small = Terminal(config, 6, 60)
    small.says("ends")
    rows = small.text.splitlines()
    assert len(rows) <= 6 and "more line(s): make the window larger" in small.text, rows
    ask(config, "queue", "resume", "lis")
    small.process.send_signal(signal.SIGINT)
    assert small.ends() in (0, 1)


@pytest.fixture
def scrape(daemon):
    """What a daemon with one of everything says after its first result and a control of its own."""
    more = ('[console]\nlisten = "127.0.0.1:0"\n'
            f'[[alarm]]\nid = "ops"\nto = "http://127.0.0.1:{Web().port}/"\n'
            '[[control]]\nlevel = "1"\nlot = "Q-1"\nstrip = "ten-pad"\nanalyzers = ["bench-1"]\n'
            'first_day = "2026-01-01"\nlast_day = "2099-12-31"\n'
            'expect = ' + json.dumps([f"{pad}=any" for pad in BASE]) + "\n")
    text = configuration(more=more).replace(
        'controls = "none"', 'control_specimens = ["QC-*=1"]\ntee = "file:copy.raw"\ncontrols_due = "warn"')
    running, config = daemon(text)
    hear(running.ready["lines"][0]["address"], [
        [r.replace("KP-00001", "QC-1") for r in fresh(1)], fresh(2), [r.replace("KP-00003", "") for r in fresh(3)]])
    page = []

    def there():
        address = f"http://{running.ready['console']}/metrics"
        page[:] = [urllib.request.urlopen(address, timeout=20).read().decode()]
        happened = ["wickline_holds_total{", "wickline_answer_seconds", 'wickline_wrong{about="held",which="reports"} 1']
        return all(one in page[0] for one in happened)

    until("everything has happened once", there)
    return page[0]


def test_the_metrics_are_in_good_form(scrape):
    code, said = promtool("check", "metrics", given=scrape)
    assert code == 0, said
    assert "KP-0000" not in scrape


def test_every_metric_that_a_rule_or_a_query_names_is_there(scrape):
    there = set(re.findall(r"^[a-z_]+", scrape, re.MULTILINE))
    there |= {re.sub(r"_(bucket|sum|count)$", "", name) for name in there}
    rules = "\n".join(re.findall(r"expr: (.*)", RULES.read_text()))
    for text in [rules, *expressions(), "label_values(wickline_build_info, instance)"]:
        assert named(text) <= there, f"{sorted(named(text) - there)} of {text}"
    # What `status` shows is there, too.
    assert 'wickline_wrong{about="line",which="bench-1"}' in scrape
    assert 'wickline_wrong{about="held",which="reports"} 1' in scrape


def test_each_rule_fires_when_it_should_and_not_before():
    code, said = promtool("check", "rules", "--lint=all", "--lint-fatal", RULES)
    assert code == 0, said
    code, said = promtool("test", "rules", JUDGED)
    assert code == 0, said
    alerts = set(re.findall(r"- alert: (\w+)", RULES.read_text()))
    assert alerts and alerts == set(re.findall(r'alertname="(\w+)"', JUDGED.read_text())), "each is judged"


def test_what_is_well_rings_nobody(scrape, tmp_path):
    """The figures of a daemon that is well, as they are, for a day."""
    told = {"wickline_held_reports", "wickline_controls_state", "wickline_line_up"}
    series = []
    for line in re.findall(r"^[a-z].*", scrape, re.MULTILINE):
        name, _, value = line.rpartition(" ")
        wrong = name.startswith("wickline_wrong") and value == "1"
        if not wrong and re.match(r"[a-z_]+", name)[0] not in told:
            value = {"+Inf": "1e300", "inf": "1e300"}.get(value, value)
            series.append({"series": name, "values": f"{value}x1440"})
    series.append({"series": 'up{job="wickline",instance="b1"}', "values": "1x1440"})
    test = {"interval": "1m", "input_series": series, "promql_expr_test": [
        {"expr": 'ALERTS{alertstate="firing"}', "eval_time": "23h", "exp_samples": []}]}
    path = tmp_path / "well.yml"
    path.write_text(json.dumps({"rule_files": [str(RULES)], "evaluation_interval": "1m", "tests": [test]}))
    code, said = promtool("test", "rules", path)
    assert code == 0, said


def test_each_query_of_the_dashboard_is_one(tmp_path):
    assert len(expressions()) > 20
    rules = [{"record": f"query:{n}", "expr": expr.replace("$bench", ".*")} for n, expr in enumerate(expressions())]
    path = tmp_path / "queries.yml"
    path.write_text(json.dumps({"groups": [{"name": "queries", "rules": rules}]}))
    code, said = promtool("check", "rules", path)
    assert code == 0, said


def test_a_rule_says_what_to_do_with_commands_that_there_are():
    known = pathlib.Path(ROOT / "deploy/README.md").read_text() + (ROOT / "README.md").read_text()
    todos = re.findall(r'todo: "(.*)"', RULES.read_text())
    assert len(todos) == RULES.read_text().count("- alert:")
    for command in {c for todo in todos for c in re.findall(r"`(wickline[^`]*)`", todo)}:
        assert command in known, f"{command} stands in no guide"
