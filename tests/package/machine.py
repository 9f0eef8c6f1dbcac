"""A small Debian of its own, booted with systemd by namespaces, in which a package is tried as a person would."""

import os
import pathlib
import shutil
import subprocess
import time

HERE = pathlib.Path(__file__).parent
PROJECT = HERE.parent.parent
TARGET = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", PROJECT / "target"))
MADE = PROJECT / "target" / "package"

# What the small Debian has beyond the least: no compiler, no curl, no ip.
PARTS = "systemd,systemd-sysv,dbus,adduser,procps,tzdata,udev"


def until(so, within=60.0, every=0.1, what="it"):
    """Waits until something is so, and returns it."""
    end = time.monotonic() + within
    while True:
        found = so()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"{what() if callable(what) else what} did not come within {within} s")
        time.sleep(every)


def image():
    """The archive of the small Debian, made once."""
    kept = TARGET / "roots" / f"boot-{PARTS.replace(',', '-')}.tar"
    if not kept.exists():
        kept.parent.mkdir(parents=True, exist_ok=True)
        made = kept.with_suffix(".part.tar")
        subprocess.run(["mmdebstrap", "--quiet", "--variant=minbase", f"--include={PARTS}", "bookworm", str(made)],
                       check=True, stdin=subprocess.DEVNULL)
        made.rename(kept)
    return kept


class Machine:
    """One booted system. Its processes, files, devices and network are its own."""

    def __init__(self, folder):
        self.root = pathlib.Path(folder)
        self.leader = None
        self.unshared = None
        self.group = None
        self.started = []
        self.printed = 0
        self.root.mkdir(parents=True)
        subprocess.run(["tar", "-xf", str(image()), "-C", str(self.root)], check=True)

    def boot(self):
        log = open(self.root.with_suffix(".boot.log"), "ab")
        unified = pathlib.Path("/sys/fs/cgroup/unified")
        top = unified if unified.is_dir() else pathlib.Path("/sys/fs/cgroup")
        self.group = top / f"wickline-package-{os.getpid()}-{self.root.name}"
        self.group.mkdir(exist_ok=True)
        self.unshared = subprocess.Popen(
            ["bash", str(HERE / "boot"), str(self.root), str(self.group)],
            stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True)
        self.leader = int(until(lambda: children(self.unshared.pid), what="the first process"))
        subprocess.run(["nsenter", "-t", str(self.leader), "-n", "ip", "link", "set", "lo", "up"], check=True)
        until(lambda: self.try_run("systemctl", "is-system-running").stdout.strip() in ("running", "degraded"),
              what="a running system")

    def halt(self):
        """Ends it in order."""
        if self.leader is None:
            return
        self.end_started()
        self.try_run("systemctl", "poweroff", within=20)
        try:
            self.unshared.wait(30)
        except subprocess.TimeoutExpired:
            self.cut()
        self.leader = None
        self.sweep()

    def end_started(self):
        """What goes on inside is stopped by a shutdown before it is killed; whoever waits for it outside, then, too."""
        for one in self.started:
            one.kill()
            one.wait()
        self.started.clear()

    def cut(self):
        """As if the power went."""
        self.end_started()
        subprocess.run(["kill", "-9", str(self.leader)], check=False)
        self.unshared.wait(20)
        self.leader = None
        self.sweep()

    def sweep(self):
        for folder, _, _ in os.walk(self.group, topdown=False):
            try:
                os.rmdir(folder)
            except OSError:
                pass

    def gone(self):
        self.halt()
        shutil.rmtree(self.root, ignore_errors=True)

    def inside(self, *words):
        return ["nsenter", "-t", str(self.leader), "-m", "-p", "-u", "-i", "-n", "-C", *words]

    def try_run(self, *words, within=120, typed=None):
        return subprocess.run(self.inside(*words), text=True, input=typed if typed is not None else "",
                              capture_output=True, timeout=within, check=False)

    def run(self, *words, within=120, typed=None):
        done = self.try_run(*words, within=within, typed=typed)
        assert done.returncode == 0, f"{' '.join(words)}: {done.returncode}\n{done.stdout}\n{done.stderr}"
        return done.stdout

    def start(self, *words):
        """A program that goes on inside."""
        self.started.append(subprocess.Popen(self.inside(*words), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                             stderr=subprocess.STDOUT, text=True))
        return self.started[-1]

    def install(self, package):
        shutil.copy(package, self.root / "root" / pathlib.Path(package).name)
        return self.run("dpkg", "-i", f"/root/{pathlib.Path(package).name}")

    def write(self, path, text, mode=0o640, owner=None):
        place = self.root / path.lstrip("/")
        place.write_text(text)
        place.chmod(mode)
        if owner:
            self.run("chown", owner, path)

    def property(self, name, unit="wickline"):
        return self.run("systemctl", "show", unit, "-P", name).strip()

    def journal(self, *more):
        return self.run("journalctl", "-u", "wickline", "--no-pager", "-o", "cat", *more)


def children(pid):
    found = subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True, check=False).stdout.split()
    # The shell's child is `unshare`, whose child is the first process of the new system.
    for child in found:
        name = pathlib.Path(f"/proc/{child}/comm")
        if name.exists() and name.read_text().strip() == "unshare":
            return children(child)
    return found[0] if found else None
