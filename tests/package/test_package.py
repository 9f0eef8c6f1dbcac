"""The package as a person in a hospital's IT has it: installed, started, reloaded, upgraded, removed, purged.

Each test has a small Debian of its own, booted with systemd. What is expected stands in deploy/README.md, in the
manual pages of systemd and in the rules of Debian's packages, not in the program.
"""

import json
import re
import shutil
import subprocess
import time

import pytest

from machine import MADE, PROJECT, Machine, until

LINE = "127.0.0.1:9100"
RECEIVER = "127.0.0.1:2575"

CONFIGURATION = f"""
[site]
name = "Kestrel Point Clinic"
short = "KESTRELPOINT"
timezone = "Europe/Lisbon"

[store]
tape = "/var/lib/wickline/tape.db"
ledger = "sqlite:/var/lib/wickline/ledger.db"

[[analyzer]]
id = "bench-1"
line = "listen:{LINE}"
dialect = "two-column"
strips = ["ten-pad"]
units = "conventional"

[[receiver]]
id = "lis"
address = "mllp://{RECEIVER}"
"""


def package(version="0.1.0-1"):
    """The one for this processor; there may be one for another beside it."""
    kind = subprocess.run(["dpkg", "--print-architecture"], capture_output=True, text=True, check=True).stdout.strip()
    found = MADE / f"wickline_{version}_{kind}.deb"
    assert found.exists(), f"deploy/build did not make {found}"
    return found


@pytest.fixture
def machine(tmp_path):
    one = Machine(tmp_path / "root")
    one.boot()
    yield one
    one.gone()


def at_work(machine):
    """Installed, configured, started."""
    machine.install(package())
    machine.write("/etc/wickline/wickline.toml", CONFIGURATION, owner="root:wickline")
    machine.run("systemctl", "start", "wickline")


def analyzer(machine, reports):
    """An analyzer that prints some reports on the line, its numbers going on from those before."""
    first = machine.printed + 1
    machine.printed += reports
    runs = "".join(f'[[run]]\nnumber = "{n:03}"\nspecimen = "KP-{20000 + n}"\nrungs = {{ GLU = {n % 3} }}\n'
                   for n in range(first, first + reports))
    machine.write("/root/script.toml", 'sender = "SIM-1"\n' + runs)
    return machine.run("wickline", "simulate", "--connect", LINE, "--dialect", "two-column", "--script",
                       "/root/script.toml", "--speed-up", "0", "--settle", "0")


def accepted(machine, reports):
    """Prints, and waits until a practice receiver took all of it."""
    receiver = machine.start("wickline", "receive", "--listen", RECEIVER, "--count", str(reports))
    analyzer(machine, reports)
    out, _ = receiver.communicate(timeout=90)
    assert receiver.returncode == 0, out
    return out


def test_a_package_installs_what_it_says_and_starts_nothing(machine):
    said = machine.install(package())
    assert "wickline.toml" in said and "check" in said, said
    assert "dialout" in machine.run("id", "-nG", "wickline").split()
    for path, wanted in [("/etc/wickline", "750 root wickline"), ("/etc/wickline/wickline.toml", "640 root wickline"),
                         ("/var/lib/wickline", "700 wickline wickline"), ("/usr/bin/wickline", "755 root root")]:
        assert machine.run("stat", "-c", "%a %U %G", path).strip() == wanted, path
    assert machine.try_run("systemctl", "is-enabled", "wickline").stdout.strip() == "disabled"
    assert machine.try_run("systemctl", "is-active", "wickline").stdout.strip() == "inactive"
    held = machine.run("dpkg", "-L", "wickline").split()
    for path in ["/usr/share/man/man1/wickline.1.gz", "/usr/share/man/man1/wickline-held-identify.1.gz",
                 "/usr/share/bash-completion/completions/wickline", "/usr/lib/udev/rules.d/70-wickline.rules",
                 "/usr/share/doc/wickline/NOTICES", "/usr/share/doc/wickline/wickline.cdx.json",
                 "/usr/share/doc/wickline/copyright", "/usr/share/doc/wickline/deploy/SECURITY.md"]:
        assert path in held, path
    assert machine.run("wickline", "--version").strip() == "wickline 0.1.0"
    # Nothing beyond what a small Debian has: each library that the program needs is there.
    assert "not found" not in machine.run("ldd", "/usr/bin/wickline")


def test_the_package_keeps_debians_rules():
    done = subprocess.run(["lintian", "--fail-on", "error,warning", str(package())], capture_output=True, text=True,
                          check=False)
    assert done.returncode == 0, done.stdout


def test_the_unit_leaves_little_open(machine):
    machine.install(package())
    said = machine.run("systemd-analyze", "security", "--no-pager", "wickline")
    exposure = float(re.search(r"exposure level for wickline.service: ([0-9.]+)", said)[1])
    assert exposure < 2.0, said
    warned = machine.try_run("systemd-analyze", "verify", "wickline.service")
    assert warned.stderr.strip() == "", warned.stderr


SETUP = ["wickline", "setup", "--yes", "--site-name", "Kestrel Point Clinic", "--short", "KESTRELPOINT", "--timezone",
         "Europe/Lisbon", "--line", f"listen:{LINE}", "--dialect", "two-column", "--strip", "ten-pad", "--printed",
         "conventional", "--address", f"mllp://{RECEIVER}", "--units", "conventional", "--replace", "--test-message",
         "--enable"]


def test_from_a_bare_system_to_the_first_accepted_result(machine):
    """Five commands of a person at most; the practice receiver and the analyzer stand for the hospital."""
    commands = 0

    def person(*words):
        nonlocal commands
        commands += 1
        return machine.run(*words)

    machine.install(package())
    commands += 1  # dpkg -i
    # The test message, and three results.
    receiver = machine.start("wickline", "receive", "--listen", RECEIVER, "--count", "4")
    assert "listening" in receiver.stdout.readline()
    said = person(*SETUP)
    assert "test" in said, said
    assert machine.property("ActiveState") == "active"
    assert machine.try_run("systemctl", "is-enabled", "wickline").stdout.strip() == "enabled"
    assert machine.run("stat", "-c", "%a %U %G", "/etc/wickline/wickline.toml").strip() == "640 root wickline"
    # What the package had brought stands beside it.
    assert len(machine.run("ls", "/etc/wickline").split()) == 2
    analyzer(machine, 3)
    out, _ = receiver.communicate(timeout=90)
    assert receiver.returncode == 0, out
    queue = person("runuser", "-u", "wickline", "--", "wickline", "queue")
    assert "0" in queue or "empty" in queue.lower(), queue
    assert commands <= 5
    assert machine.property("NRestarts") == "0"
    # What was done as root made nothing that the service cannot have.
    owners = machine.run("find", "/var/lib/wickline", "-not", "-user", "wickline")
    assert owners == "", owners


def test_a_look_as_root_does_not_hinder_the_first_start(machine):
    machine.install(package())
    machine.write("/etc/wickline/wickline.toml", CONFIGURATION, owner="root:wickline")
    before = machine.run("find", "/var/lib/wickline", "-printf", "%p %u %s\n")
    for words in [["check"], ["status"], ["queue"], ["held"], ["day"], ["trail"]]:
        machine.try_run("wickline", "--config", "/etc/wickline/wickline.toml", *words)
    assert machine.run("find", "/var/lib/wickline", "-printf", "%p %u %s\n") == before
    machine.run("systemctl", "start", "wickline")
    accepted(machine, 2)


def test_a_reload_keeps_the_process(machine):
    at_work(machine)
    pid = machine.property("MainPID")
    for _ in range(3):
        machine.run("systemctl", "reload", "wickline")
        # The signal is sent; that it is reloading is told until it is done.
        until(lambda: machine.property("ActiveState") == "active", what="an active unit")
    machine.run("systemctl", "kill", "-s", "HUP", "wickline")
    # Whoever said that it stops would be killed when systemd's patience with a stop is over.
    patience = float(machine.property("TimeoutStopUSec").removesuffix("s"))
    end = time.monotonic() + patience + 5
    until(lambda: time.monotonic() > end, what="a later moment")
    assert machine.property("MainPID") == pid
    assert machine.property("NRestarts") == "0"
    accepted(machine, 2)


def test_a_process_that_stands_still_is_restarted(machine):
    at_work(machine)
    accepted(machine, 2)
    pid = machine.property("MainPID")
    machine.run("kill", "-STOP", pid)
    until(lambda: machine.property("NRestarts") == "1" and machine.property("ActiveState") == "active", within=90,
          what="a restart")
    assert machine.property("MainPID") != pid
    accepted(machine, 2)


def test_a_wrong_configuration_is_not_tried_again_and_a_mended_one_starts(machine):
    machine.install(package())
    machine.write("/etc/wickline/wickline.toml", CONFIGURATION.replace("dialect", "dialekt"), owner="root:wickline")
    assert machine.try_run("systemctl", "start", "wickline").returncode != 0
    assert machine.property("ExecMainStatus") == "2"
    assert machine.property("NRestarts") == "0"
    assert "dialekt" in machine.journal("-p", "err")
    machine.write("/etc/wickline/wickline.toml", CONFIGURATION, owner="root:wickline")
    machine.run("systemctl", "reset-failed", "wickline")
    machine.run("systemctl", "start", "wickline")
    accepted(machine, 2)


def test_the_journal_knows_what_is_urgent(machine):
    at_work(machine)
    accepted(machine, 2)
    usual = machine.journal("-p", "notice")
    assert "ready" in machine.journal()
    assert "ready" not in usual, usual
    # One time stamp, which is the journal's.
    assert not re.search(r"^\d{4}-\d\d-\d\dT", machine.journal(), re.M)


def test_a_backup_is_made_by_its_unit_and_put_back(machine):
    at_work(machine)
    accepted(machine, 2)
    # The package has made its folder; without it the program itself says what lacks, and `status` tells it.
    assert machine.run("stat", "-c", "%U %a", "/var/backups/wickline").strip() == "wickline 700"
    machine.run("rmdir", "/var/backups/wickline")
    assert machine.try_run("systemctl", "start", "wickline-backup.service").returncode != 0
    said = machine.run("journalctl", "-u", "wickline-backup", "--no-pager", "-o", "cat")
    assert "/var/backups/wickline" in said and "make it first" in said and "namespacing" not in said, said
    told = machine.try_run("runuser", "-u", "wickline", "--", "wickline", "status").stdout
    assert "backup" in told and "make it first" in told, told
    make = "install -d -m 0700 -o wickline -g wickline /var/backups/wickline"
    assert f"`{make}`" in told, told
    checked = machine.try_run("wickline", "check").stdout
    assert "the last backup, of " in checked and f"`{make}`" in checked, checked
    machine.run(*make.split())
    machine.run("systemctl", "enable", "--now", "wickline-backup.timer")
    machine.run("systemctl", "start", "wickline-backup.service")
    made = machine.run("ls", "/var/backups/wickline").split()
    assert len(made) == 1, made
    machine.run("systemctl", "stop", "wickline")
    # The ledger alone is lost, its log with it.
    machine.run("sh", "-c", "rm /var/lib/wickline/ledger.db*")
    back = machine.try_run("wickline", "restore", f"/var/backups/wickline/{made[0]}", "--reason", "the disk", "--as",
                           "J. Mast")
    assert back.returncode == 1, back.stderr
    machine.run("systemctl", "start", "wickline")
    owners = machine.run("find", "/var/lib/wickline", "-not", "-user", "wickline")
    assert owners == "", owners
    wickline = ("runuser", "-u", "wickline", "--", "wickline")
    assert "paused" in machine.try_run(*wickline, "queue").stdout
    machine.run(*wickline, "queue", "resume", "lis")
    accepted(machine, 2)


def test_a_ledger_that_is_lost_is_put_back_by_hand(machine):
    """As "At night" in deploy/README.md says: the unit's own restart puts nothing in the way of the old file."""
    at_work(machine)
    accepted(machine, 2)
    machine.run("sh", "-c", "mkdir /root/found && mv /var/lib/wickline/ledger.db* /root/found/")
    # What it reads next cannot be kept in a file that is not at its place.
    analyzer(machine, 1)
    until(lambda: machine.property("NRestarts") == "1" and machine.property("ActiveState") == "active", within=90,
          what=lambda: f"a restart: {machine.journal()}")
    until(lambda: "is gone, and the tape remembers it" in machine.journal(), within=20,
          what=lambda: f"what is to be done: {machine.journal()}")
    analyzer(machine, 2)
    assert not (machine.root / "var/lib/wickline/ledger.db").exists()
    assert machine.property("NRestarts") == "1"
    machine.run("systemctl", "stop", "wickline")
    machine.run("sh", "-c", "mv /root/found/ledger.db* /var/lib/wickline/")
    receiver = machine.start("wickline", "receive", "--listen", RECEIVER, "--count", "3")
    assert "listening" in receiver.stdout.readline()
    machine.run("systemctl", "start", "wickline")
    out, _ = receiver.communicate(timeout=90)
    assert receiver.returncode == 0, out
    wickline = ("runuser", "-u", "wickline", "--", "wickline")
    assert json.loads(machine.run(*wickline, "--json", "ledger", "notices"))["items"] == []


def test_an_upgrade_keeps_configuration_and_results(machine):
    machine.install(package("0.0.9-1"))
    machine.write("/etc/wickline/wickline.toml", CONFIGURATION, owner="root:wickline")
    machine.run("systemctl", "start", "wickline")
    accepted(machine, 2)
    pid = machine.property("MainPID")
    machine.install(package())
    until(lambda: machine.property("ActiveState") == "active" and machine.property("MainPID") not in (pid, "0"),
          what="the new one")
    assert (machine.root / "etc/wickline/wickline.toml").read_text() == CONFIGURATION
    counted = machine.run("runuser", "-u", "wickline", "--", "wickline", "--config", "/etc/wickline/wickline.toml",
                          "--json", "find", "1")
    assert "accepted" in counted, counted
    accepted(machine, 1)


def test_removed_and_installed_again_it_is_as_it_was(machine):
    at_work(machine)
    machine.run("systemctl", "enable", "wickline")
    timers = ("wickline-backup.timer", "wickline-purge.timer")
    for timer in timers:
        assert machine.property("ActiveState", timer) == "inactive", "nobody enabled it"
    machine.run("systemctl", "enable", "--now", *timers)
    # Nothing says how long things are kept: it says so, and purges nothing.
    assert machine.try_run("systemctl", "start", "wickline-purge.service").returncode != 0
    said = machine.run("journalctl", "-u", "wickline-purge", "--no-pager", "-o", "cat")
    assert "nothing says how long things are kept" in said, said
    machine.run("dpkg", "-r", "wickline")
    assert machine.try_run("pgrep", "wickline").returncode == 1
    machine.install(package())
    assert machine.property("ActiveState") == "active"
    for timer in timers:
        assert machine.property("ActiveState", timer) == "active", timer
    accepted(machine, 1)
    # What an administrator disabled stays so, and what to do is said.
    machine.run("systemctl", "disable", "--now", "wickline", *timers)
    machine.run("dpkg", "-r", "wickline")
    said = machine.install(package())
    assert machine.property("ActiveState") == "inactive"
    for timer in timers:
        assert machine.property("ActiveState", timer) == "inactive", timer
    assert machine.try_run("systemctl", "is-enabled", "wickline").stdout.strip() == "disabled"
    assert "systemctl enable --now wickline" in said, said


def test_removed_or_purged_it_leaves_results_and_says_so(machine):
    at_work(machine)
    accepted(machine, 2)
    machine.run("systemctl", "enable", "--now", "wickline-backup.timer")
    machine.run("systemctl", "start", "wickline-backup.service")
    machine.run("dpkg", "-r", "wickline")
    assert machine.try_run("pgrep", "wickline").returncode == 1
    assert "wickline" not in machine.run("systemctl", "--failed", "--no-legend", "--plain")
    assert (machine.root / "etc/wickline/wickline.toml").exists()
    stores = [machine.root / "var/lib/wickline" / name for name in ("tape.db", "ledger.db")]
    before = [store.read_bytes() for store in stores]
    said = machine.run("dpkg", "-P", "wickline")
    assert [store.read_bytes() for store in stores] == before
    for folder in ("/var/lib/wickline", "/var/backups/wickline"):
        assert f"{folder} stays" in said and f"rm -r {folder}" in said, said
    left = machine.run("find", "/", "-xdev", "-name", "*wickline*", "-not", "-path", "/proc/*", "-not", "-path",
                       "/root/*", "-not", "-path", "/sys/*")
    # The timer's own note of when it ran last is systemd's.
    left = [path for path in left.split() if not path.startswith("/var/lib/systemd/timers/")]
    assert sorted(left) == ["/var/backups/wickline", "/var/lib/wickline"], left
    # Its number is nobody else's as long as files are that number's.
    machine.run("adduser", "--system", "--group", "--quiet", "scanner")
    for folder in left:
        assert machine.try_run("runuser", "-u", "scanner", "--", "ls", folder).returncode != 0, folder
    # Installed again it goes on where it was: a third report behind two.
    at_work(machine)
    accepted(machine, 1)
    wickline = ("runuser", "-u", "wickline", "--", "wickline", "--config", "/etc/wickline/wickline.toml", "--json")
    assert "accepted" in machine.run(*wickline, "find", "1")
    # What a person deletes is gone, and then nothing is left to purge around.
    machine.run("systemctl", "stop", "wickline")
    machine.run("rm", "-r", "/var/lib/wickline", "/var/backups/wickline")
    said = machine.run("dpkg", "-P", "wickline")
    assert "/var/lib/wickline" not in said and "/var/backups/wickline" not in said, said


def test_the_archive_is_installed_by_hand_as_the_guide_says(machine):
    (archive,) = MADE.glob("wickline-0.1.0-x86_64.tar.gz")
    shutil.copy(archive, machine.root / "root" / archive.name)
    machine.run("tar", "-xf", f"/root/{archive.name}", "-C", "/root")
    guide = (PROJECT / "deploy" / "README.md").read_text()
    block = guide.split("Without dpkg:", 1)[1].split("```sh\n", 1)[1].split("```", 1)[0]
    assert "useradd" in block and "daemon-reload" in block
    machine.run("sh", "-ec", f"cd /root/wickline-0.1.0-x86_64\n{block}")
    machine.write("/etc/wickline/wickline.toml", CONFIGURATION, owner="root:wickline")
    machine.run("systemctl", "start", "wickline")
    accepted(machine, 1)
    assert machine.run("stat", "-c", "%a %U", "/var/lib/wickline").strip() == "700 wickline"
