"""The same source makes the same package, to the byte, wherever it stands; and there is one for the other processor."""

import hashlib
import os
import subprocess

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
    tools.symlink_to(PROJECT / "target" / "tools")
    # Nothing that was compiled before is taken.
    env = {**os.environ, "CARGO_TARGET_DIR": str(tmp_path / "target")}
    subprocess.run(["deploy/build"], cwd=elsewhere, env=env, check=True, stdout=subprocess.DEVNULL)
    assert digests(elsewhere / "target" / "package") == digests(MADE)


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

    def run(*words):
        whole = ["qemu-aarch64-static", "-L", str(libraries), str(program), *words]
        return subprocess.run(whole, capture_output=True, text=True, timeout=300, check=True, cwd=tmp_path).stdout

    assert run("--version").strip() == "wickline 0.1.0"
    # The whole road: a line, a tape, a ledger, a receiver, on that processor.
    demo = run("demo", "--keep", str(tmp_path / "demo"))
    assert "accepted" in demo, demo
