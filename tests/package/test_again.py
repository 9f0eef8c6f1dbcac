"""The same source makes the same package, to the byte, wherever it stands; and there is one for the other processor."""

import hashlib
import json
import os
import socket
import subprocess
import sys

import pytest

from machine import MADE, PROJECT, TARGET

LONG = os.environ.get("WICKLINE_LONG") == "1"


def digests(folder):
    names = ["wickline_0.1.0-1_amd64.deb", "wickline-0.1.0-x86_64.tar.gz"]
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in names}


@pytest.mark.skipif(not LONG, reason="it builds the program anew: --long")
def test_two_folders_make_one_package(tmp_path):
    """By the rule of reproducible-builds.org: same source, same environment, same bits."""
    elsewhere = tmp_path / "of" / "another" / "depth"
    subprocess.run(["git", "clone", "-q", str(PROJECT), str(elsewhere)], check=True)
    tools = elsewhere / "target" / "tools"
    tools.parent.mkdir()
    tools.symlink_to(TARGET / "tools")
    # Nothing that was compiled before is taken: what is compiled lies in the clone.
    env = {name: value for name, value in os.environ.items() if name != "CARGO_TARGET_DIR"}
    subprocess.run(["deploy/build"], cwd=elsewhere, env=env, check=True, stdout=subprocess.DEVNULL)
    assert digests(elsewhere / "target" / "package") == digests(MADE)


def test_nothing_in_it_says_where_it_was_made(tmp_path):
    """What names a folder of the maker's machine differs on the next one, and tells what nobody needs to know."""
    (package,) = MADE.glob("wickline_0.1.0-1_amd64.deb")
    subprocess.run(["dpkg-deb", "--raw-extract", str(package), str(tmp_path / "all")], check=True)
    files = [file for file in (tmp_path / "all").rglob("*") if file.is_file() and not file.is_symlink()]
    assert len(files) > 20
    for folder in [PROJECT, TARGET.resolve()]:
        assert [file for file in files if str(folder).encode() in file.read_bytes()] == [], folder


@pytest.mark.skipif(not LONG, reason="it builds the program for the other processor: --long")
def test_the_other_processor_has_its_package(tmp_path):
    """The machine is named by dpkg and by the head of the file; it is run by an emulator of that processor."""
    (package,) = MADE.glob("wickline_0.1.0-1_arm64.deb")
    said = subprocess.run(["dpkg-deb", "--field", str(package)], capture_output=True, text=True, check=True).stdout
    assert "Architecture: arm64" in said and "libc6 (>= 2." in said, said
    subprocess.run(["dpkg-deb", "--extract", str(package), str(tmp_path / "root")], check=True)
    program = tmp_path / "root" / "usr" / "bin" / "wickline"
    head = program.read_bytes()[:20]
    # ELF: class 64, little-endian, e_machine 183 (EM_AARCH64).
    assert head[:6] == b"\x7fELF\x02\x01" and int.from_bytes(head[18:20], "little") == 183
    libraries = TARGET / "roots" / "arm64" / "usr" / "aarch64-linux-gnu"

    words = ["qemu-aarch64-static", "-L", str(libraries), str(program)]
    said = subprocess.run([*words, "--version"], capture_output=True, text=True, timeout=300, check=True)
    assert said.stdout.strip() == "wickline 0.1.0"
    the_whole_road(words, tmp_path)


def the_whole_road(words, folder):
    """A line, a tape, a ledger and a receiver, on that processor. Over TCP, for the emulator knows no terminals: analyzer
    and receiver are those of the hospital, on this one."""
    hospital = [sys.executable, str(PROJECT / "tests" / "package" / "hospital.py")]
    line, receiver = free_port(), free_port()
    (folder / "wickline.toml").write_text(f"""
[site]
name = "Kestrel Point Clinic"
short = "KESTRELPOINT"
timezone = "UTC"
[store]
tape = "tape.db"
ledger = "sqlite:ledger.db"
ballast_mib = 0
[[analyzer]]
id = "bench-1"
line = "listen:127.0.0.1:{line}"
dialect = "lis02"
controls = "none"
[[receiver]]
id = "lis"
address = "mllp://127.0.0.1:{receiver}"
""")
    got = folder / "got"
    there = [subprocess.Popen([*hospital, "receiver", str(receiver), str(got)])]
    try:
        daemon = subprocess.Popen([*words, "--config", str(folder / "wickline.toml"), "--json", "run"],
                                  stdout=subprocess.PIPE, text=True)
        there.append(daemon)
        events = (json.loads(text) for text in daemon.stdout)
        assert any(event["event"] == "ready" for event in events), "it was not ready"
        there.append(subprocess.Popen([*hospital, "analyzer", f"127.0.0.1:{line}"], stdin=subprocess.PIPE, text=True))
        there[-1].stdin.write("1\n")
        there[-1].stdin.flush()
        accepted = ({"event": "delivery", "state": "accepted"}.items() <= event.items() for event in events)
        assert any(accepted), "it was not accepted"
        assert b"KP-30001" in got.read_bytes()
        daemon.terminate()
        assert daemon.wait(timeout=120) == 0
    finally:
        for process in there:
            process.kill()
            process.wait()


def free_port():
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return asked.getsockname()[1]
