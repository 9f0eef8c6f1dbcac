"""The daemon as a child process, and a configuration for it."""
import json
import os
import pathlib
import queue
import signal
import subprocess
import threading

import pytest

ROOT = pathlib.Path(__file__).resolve().parents[2]
WICKLINE = os.environ["WICKLINE"]


def configuration(line="listen:127.0.0.1:0", address="dir:out", dialect="lis02", strip="ten-pad", more=""):
    return f"""
[site]
name = "Kestrel Point Clinic"
short = "KESTRELPOINT"
timezone = "Europe/Lisbon"
[store]
tape = "tape.db"
ledger = "sqlite:ledger.db"
low_water_mib = 1
ballast_mib = 0
[reference]
GLU = "NEG"
PH = "5.0-8.0"
[[analyzer]]
id = "bench-1"
line = "{line}"
dialect = "{dialect}"
strip = "{strip}"
controls = "none"
[[receiver]]
id = "lis"
address = "{address}"
{more}
"""


def ask(config, *words):
    """A question's JSON answer."""
    done = subprocess.run([WICKLINE, "--config", str(config), "--json", *words], capture_output=True, text=True)
    assert done.stdout, done.stderr
    return json.loads(done.stdout)


class Daemon:
    """`wickline run`, with its events in a queue."""

    def __init__(self, config):
        self.process = subprocess.Popen(
            [WICKLINE, "--config", str(config), "--json", "run"], stdout=subprocess.PIPE, text=True
        )
        self.events, self.early = queue.Queue(), []
        threading.Thread(target=self._read, daemon=True).start()
        early = []
        self.ready = self.wait_for(lambda e: early.append(e) or e["event"] == "ready")
        # A line may be up or down before everything is ready.
        self.early = early[:-1]

    def _read(self):
        for line in self.process.stdout:
            self.events.put(json.loads(line))

    def wait_for(self, wanted, seconds=60):
        while True:
            event = self.early.pop(0) if self.early else self.events.get(timeout=seconds)
            if wanted(event):
                return event

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(timeout=20) == 0


@pytest.fixture
def daemon(tmp_path):
    """A function that starts a daemon on a configuration; stopped when the test ends."""
    started = []

    def start(text):
        config = tmp_path / "wickline.toml"
        config.write_text(text)
        started.append(Daemon(config))
        return started[-1], config

    yield start
    for one in started:
        if one.process.poll() is None:
            one.stop()
