"""The container: made by another program, run as it says, and a result accepted through a ledger on Postgres.

What a container is made of and how it starts is judged by `buildah`; the form of compose.yaml by the schema of the
Compose Specification, as check-jsonschema brings it.
"""

import json
import os
import pathlib
import shutil
import socket
import subprocess
import sys
import tempfile

import pytest
from ruamel.yaml import YAML

from machine import PROJECT, image, until

BESIDE = PROJECT / "deploy" / "container"
NUMBER = 950


@pytest.fixture(scope="module")
def builder(tmp_path_factory):
    """Buildah with a store of its own, which has a small Debian and, made from it, the container."""
    folder = tmp_path_factory.mktemp("container")

    def buildah(*words, start=False):
        whole = ["buildah", "--root", str(folder / "store"), "--runroot", str(folder / "run"), "--storage-driver",
                 "vfs", *words]
        if start:
            return subprocess.Popen(whole, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                                    text=True)
        done = subprocess.run(whole, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{words}: {done.stdout}\n{done.stderr}"
        return done.stdout.strip()

    base = buildah("from", "scratch")
    buildah("add", "--quiet", base, str(image()), "/")
    buildah("commit", "--quiet", "--rm", base, "base")
    buildah("build", "--quiet", "--isolation", "chroot", "--build-arg", "BASE=localhost/base", "-f",
            str(BESIDE / "Containerfile"), "-t", "wickline:0.1.0", str(PROJECT))
    yield buildah
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def inside(builder):
    """Runs the program in a container with this folder as its /etc/wickline."""
    name = builder("from", "wickline:0.1.0")

    def run(etc, *words, start=False):
        mounted = ["-v", f"{etc}:/etc/wickline:ro"] if etc else []
        return builder("run", "--isolation", "chroot", *mounted, name, "--", *words, start=start)

    yield run
    builder("rm", name)


SCRIPT = 'sender = "SIM-1"\n[[run]]\nnumber = "001"\nspecimen = "KP-20417"\nrungs = { GLU = 2 }\n'


def owned(folder, configuration):
    """A folder for /etc/wickline, with the owner and the modes that the guide says."""
    folder.mkdir()
    files = {"wickline.toml": configuration, "ledger.pass": "*:*:*:*:kestrel\n", "script.toml": SCRIPT}
    for name, text in files.items():
        (folder / name).write_text(text)
    for path in [folder, *folder.iterdir()]:
        os.chown(path, 0, NUMBER)
        path.chmod(0o750 if path.is_dir() else 0o640)
    return folder


def test_it_runs_as_a_user_of_its_own_and_holds_nothing_else(builder, inside):
    made = json.loads(builder("inspect", "--type", "image", "wickline:0.1.0"))["Docker"]["config"]
    assert made["User"] == f"{NUMBER}:{NUMBER}"
    assert made["Entrypoint"] == ["/usr/bin/wickline", "--config", "/etc/wickline/wickline.toml"]
    assert made["Cmd"] == ["run"] and list(made["Volumes"]) == ["/var/lib/wickline"]
    assert inside(None, "id", "-u") == str(NUMBER)
    assert inside(None, "/usr/bin/wickline", "--version") == "wickline 0.1.0"
    assert inside(None, "stat", "-c", "%a %U", "/var/lib/wickline", "/usr/bin/wickline").split() == \
        ["700", "wickline", "755", "root"]
    assert inside(None, "ls", "-A", "/opt") == ""


def test_what_compose_reads_is_what_the_guide_and_the_container_say():
    judged = subprocess.run([sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec",
                             str(BESIDE / "compose.yaml")], capture_output=True, text=True, check=False)
    assert judged.returncode == 0, judged.stdout + judged.stderr
    services = YAML(typ="safe").load(BESIDE / "compose.yaml")["services"]
    own, ledger = services["wickline"], services["ledger"]
    guide = (PROJECT / "deploy" / "README.md").read_text()
    assert f"-t {own['image']} " in guide and f"-t {own['image']} " in (BESIDE / "Containerfile").read_text()
    assert "tape:/var/lib/wickline" in own["volumes"] and "./etc:/etc/wickline:ro" in own["volumes"]
    configuration = (BESIDE / "wickline.toml").read_text()
    user, base = ledger["environment"]["POSTGRES_USER"], ledger["environment"]["POSTGRES_DB"]
    assert f"postgres://{user}@ledger/{base}?" in configuration
    assert set(own["depends_on"]) == {"ledger"}


@pytest.fixture
def passable():
    """A folder that the users of the server and of the container can go through."""
    folder = pathlib.Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


def test_a_result_goes_through_it(inside, passable):
    cluster = passable / "pg"
    url = subprocess.run([str(PROJECT / "tests" / "postgres"), "start", str(cluster)], capture_output=True, text=True,
                         check=True).stdout.strip()
    place = url.split("@")[1].split("/")[0]
    with socket.socket() as one, socket.socket() as two, socket.socket() as three:
        ports = []
        for each in (one, two, three):
            each.bind(("127.0.0.1", 0))
            ports.append(each.getsockname()[1])
    line, receiver, watch = ports
    text = (BESIDE / "wickline.toml").read_text()
    for old, new in [("@ledger/wickline?", f"@{place}/postgres?"), ("tcp:192.0.2.20:4001", f"listen:127.0.0.1:{line}"),
                     ("192.0.2.10:2575", f"127.0.0.1:{receiver}"), ("0.0.0.0:9101", f"127.0.0.1:{watch}")]:
        assert old in text, old
        text = text.replace(old, new)
    etc = owned(passable / "etc", text)
    try:
        peer = inside(etc, "/usr/bin/wickline", "receive", "--listen", f"127.0.0.1:{receiver}", "--count", "1",
                      start=True)
        daemon = inside(etc, "/usr/bin/wickline", "--config", "/etc/wickline/wickline.toml", "run", start=True)

        def hears():
            assert daemon.poll() is None, daemon.communicate()[0]
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", watch)) == 0

        until(hears, what="the daemon in its container")
        inside(etc, "/usr/bin/wickline", "simulate", "--connect", f"127.0.0.1:{line}", "--dialect", "two-column",
               "--script", "/etc/wickline/script.toml", "--speed-up", "0", "--settle", "0")
        out, _ = peer.communicate(timeout=90)
        assert peer.returncode == 0 and "answered aa" in out, out
        daemon.terminate()
        daemon.communicate(timeout=30)
    finally:
        subprocess.run([str(PROJECT / "tests" / "postgres"), "stop", str(cluster)], check=False)

