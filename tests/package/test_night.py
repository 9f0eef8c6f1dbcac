"""A night of faults against the packaged daemon under a booted systemd. The analyzer and the receiver are those of
`hospital.py`, which share nothing with the daemon. Nothing may be lost or doubled; each fault is seen while it lasts and
gone afterwards."""

import collections
import json
import pathlib
import subprocess
import sys

import pytest

from machine import Machine, until
from test_package import LINE, RECEIVER, package

HERE = pathlib.Path(__file__).parent
CONFIGURATION = f"""
[site]
name = "Kestrel Point Clinic"
short = "KESTRELPOINT"
timezone = "UTC"

[store]
tape = "/var/lib/wickline/tape.db"
ledger = "sqlite:/var/lib/wickline/ledger.db"
low_water_mib = 8
ballast_mib = 1

[console]
listen = "127.0.0.1:8420"
down_seconds = 1

[[analyzer]]
id = "bench-1"
line = "listen:{LINE}"
dialect = "lis02"
strip = "ten-pad"
controls = "none"

[[receiver]]
id = "lis"
address = "mllp://{RECEIVER}"
retry_first = 1
retry_max = 2
ack_timeout = 5
"""


class Disk:
    """A disk of its own for the stores, small enough to fill."""

    def __init__(self, machine, tmp_path):
        self.at = machine.root / "var/lib/wickline"
        self.image = tmp_path / "disk"
        with open(self.image, "wb") as image:
            image.truncate(64 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(self.image)], check=True)
        self.at.mkdir(parents=True, exist_ok=True)
        subprocess.run(["mount", "-o", "loop", str(self.image), str(self.at)], check=True)
        (self.at / "lost+found").rmdir()

    def gone(self):
        subprocess.run(["umount", "--lazy", str(self.at)], check=False)


class Night:
    """The machine, what stands around it, and what was sent."""

    def __init__(self, machine, tmp_path):
        self.machine = machine
        self.got = tmp_path / "got.hl7"
        self.numbers = 0
        self.receiver = None
        self.bench = None
        self.lis_comes()
        self.analyzer_comes()

    def beside(self, *words):
        """A program of the hospital's: on the machine's network, of its own otherwise."""
        return subprocess.Popen(["nsenter", "-t", str(self.machine.leader), "-n", sys.executable,
                                 str(HERE / "hospital.py"), *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def lis_comes(self):
        self.receiver = self.beside("receiver", RECEIVER.rsplit(":", 1)[1], str(self.got))
        assert self.receiver.stdout.readline() == "ready\n"

    def lis_goes(self):
        self.receiver.kill()
        self.receiver.wait()

    def analyzer_comes(self):
        self.bench = self.beside("analyzer", LINE)

    def strips(self, count, cut=False):
        """Runs strips. Whoever asks for the return value waits until the analyzer's last was acknowledged."""
        for _ in range(count):
            self.numbers += 1
            self.bench.stdin.write(f"out\n{self.numbers}\n" if cut else f"{self.numbers}\n")
        self.bench.stdin.flush()

    def all_sent(self, last=None):
        last = last or self.numbers
        while self.bench.stdout.readline() != f"sent {last}\n":
            assert self.bench.poll() is None

    def messages(self):
        """What the receiver took: control id, order number, specimen, text."""
        found = []
        for message in self.got.read_bytes().split(b"\n") if self.got.exists() else []:
            rows = [row.split("|") for row in message.decode().split("\r") if row]
            if rows:
                of = {row[0]: row for row in rows}
                found.append((of["MSH"][9], of["OBR"][3], of["SPM"][2], message))
        return found

    def arrived(self, within=60.0):
        wanted = {f"KP-{30000 + n}" for n in range(1, self.numbers + 1)}
        until(lambda: wanted <= {specimen.split("^")[0].split("&")[0] for _, _, specimen, _ in self.messages()},
              within=within, what=lambda: f"{self.numbers} results at the receiver, {self.status()}: it")

    def status(self):
        done = self.machine.try_run("runuser", "-u", "wickline", "--", "wickline", "--config",
                                    "/etc/wickline/wickline.toml", "--json", "status")
        return json.loads(done.stdout)["items"] if done.stdout else []

    def wrong(self, about):
        return [item["text"] for item in self.status() if item["wrong"] and item["about"] == about]

    def seen(self, about, within=60.0):
        return until(lambda: self.wrong(about), within=within, what=f"{about} in status")

    def well(self, about, within=60.0):
        until(lambda: not self.wrong(about), within=within, what=lambda: f"{about} to be well again, {self.status()}: it")

    def told(self, text):
        return sum(text in line for line in self.machine.journal().splitlines())

    def end(self):
        for one in (self.receiver, self.bench):
            one.kill()
            one.wait()


@pytest.fixture
def night(tmp_path):
    machine = Machine(tmp_path / "root")
    disk = Disk(machine, tmp_path)
    machine.boot()
    machine.install(package())
    machine.write("/etc/wickline/wickline.toml", CONFIGURATION, owner="root:wickline")
    machine.run("systemctl", "enable", "--now", "wickline")
    one = Night(machine, tmp_path)
    yield one
    one.end()
    machine.gone()
    disk.gone()


def unplugged(night):
    """Ten times in the middle of a strip."""
    for _ in range(10):
        night.strips(1, cut=True)
        night.all_sent()
    night.arrived()


def lis_away(night):
    night.lis_goes()
    night.strips(3)
    night.all_sent()
    night.seen("receiver")
    night.lis_comes()
    night.well("receiver")
    night.arrived()


def disk_full(night):
    full = night.machine.root / "var/lib/wickline/somebody-elses"
    night.machine.run("sh", "-c", "cat /dev/zero > /var/lib/wickline/somebody-elses || true")
    night.strips(2)
    night.seen("store")
    night.machine.run("rm", "/var/lib/wickline/somebody-elses")
    assert not full.exists()
    night.well("store")
    night.all_sent()
    night.arrived()


def killed(night):
    before = int(night.machine.property("NRestarts"))
    night.strips(5)
    night.machine.run("systemctl", "kill", "-s", "KILL", "wickline")
    until(lambda: int(night.machine.property("NRestarts")) == before + 1, what="a restart")
    night.all_sent()
    night.arrived()


def stands_still(night):
    before = int(night.machine.property("NRestarts"))
    night.machine.run("kill", "-STOP", night.machine.property("MainPID"))
    night.strips(2)
    night.seen("daemon", within=50)
    until(lambda: int(night.machine.property("NRestarts")) == before + 1, within=90, what="the watchdog")
    night.all_sent()
    night.arrived()


def configuration_broken(night):
    pid = night.machine.property("MainPID")
    night.machine.write("/etc/wickline/wickline.toml", CONFIGURATION.replace("strip =", "stripp ="), owner="root:wickline")
    night.machine.try_run("systemctl", "reload", "wickline")
    until(lambda: "configuration" in night.machine.property("StatusText"),
          what=lambda: f"a status line that tells it, {night.machine.property('StatusText')}: it")
    assert night.told("stripp") == 1
    night.strips(2)
    night.all_sent()
    night.arrived()
    night.machine.write("/etc/wickline/wickline.toml", CONFIGURATION, owner="root:wickline")
    night.machine.run("systemctl", "reload", "wickline")
    until(lambda: "configuration" not in night.machine.property("StatusText"), what="a status line without it")
    assert night.machine.property("MainPID") == pid


def reloaded_in_full_flow(night):
    pid = night.machine.property("MainPID")
    night.strips(30)
    for _ in range(5):
        night.machine.run("systemctl", "reload", "wickline")
    night.all_sent()
    night.arrived()
    assert night.machine.property("MainPID") == pid


def machine_restarted(night):
    night.strips(5)
    night.end()
    night.machine.halt()
    night.machine.boot()
    night.lis_comes()
    # Its strips are in the analyzer's memory still: it sends again what was not acknowledged, and perhaps what was.
    last = night.numbers
    night.numbers -= 5
    night.analyzer_comes()
    night.strips(5)
    assert night.numbers == last
    night.all_sent()
    night.arrived()


def test_a_night_of_faults(night):
    night.strips(3)
    night.all_sent()
    night.arrived()
    for fault in [unplugged, lis_away, disk_full, killed, configuration_broken, reloaded_in_full_flow, stands_still,
                  machine_restarted]:
        print(fault.__name__, flush=True)
        fault(night)
        assert night.machine.property("ActiveState") == "active", fault.__name__
    nothing_lost_or_doubled(night)


def nothing_lost_or_doubled(night):
    """A receiver that knows an order by its OBR-3 and a message by its control id has each strip once."""
    texts, orders = collections.defaultdict(set), collections.defaultdict(set)
    for control, order, specimen, message in night.messages():
        texts[control].add(message)
        orders[specimen].add(order)
    assert all(len(text) == 1 for text in texts.values()), "a control id with two texts"
    assert len(orders) == night.numbers
    assert all(len(order) == 1 for order in orders.values()), "a specimen with two orders"
    assert len({next(iter(order)) for order in orders.values()}) == night.numbers, "an order of two specimens"
    # Nothing needs a person in the morning. That no time server is reached here is true.
    for about in ["daemon", "line", "receiver", "held", "refused", "missing", "store"]:
        night.well(about)
