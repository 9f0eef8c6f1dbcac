"""The exported trail, checked with a hash function and nothing of ours."""
import hashlib
import json
import subprocess

import pytest

from conftest import WICKLINE, ask, configuration


def seal(*fields):
    """SHA-256 over each field as LENGTH:TEXT, in bytes; - for one that is not there."""
    parts = [b"-" if f is None else b"%d:%s" % (len(str(f).encode()), str(f).encode()) for f in fields]
    return hashlib.sha256(b"".join(parts)).hexdigest()


def check(path):
    """The last row's number and seal; an AssertionError at the first row that does not fit."""
    with open(path, encoding="utf-8") as lines:
        label = json.loads(next(lines))
        last, number = seal("wickline trail", label["ledger"], label["made_at"]), 0
        for row in map(json.loads, lines):
            number += 1
            assert row["n"] == number
            columns = ["n", "at", "who", "login", "verb", "object", "reason", "was", "became"]
            last = seal(last, *(row[c] for c in columns))
            assert row["hash"] == last, row
    return number, last


def test_an_exported_trail_is_checked_without_us(tmp_path, daemon):
    one, config = daemon(configuration())
    one.stop()
    first = ask(config, "trail", "verify")["head"]["n"]
    for number, name in enumerate(["J. Mast", "Zo\u00eb \"Z\"", "\\ \t\u2028\U0001f9ea", "_", "-", "3:abc"]):
        verb = ["pause", "resume"][number % 2]
        subprocess.run([WICKLINE, "--config", str(config), "queue", verb, "lis", "--as", name], check=True)
    export = tmp_path / "trail.jsonl"
    subprocess.run([WICKLINE, "--config", str(config), "trail", "export", str(export)], check=True)
    head = ask(config, "trail", "verify")["head"]
    assert check(export) == (head["n"], head["hash"])
    assert head["n"] == first + 6
    text = export.read_text(encoding="utf-8")
    lines = text.split("\n")
    for spoilt in [text.replace("J. Mast", "J. Most"), "\n".join(lines[:3] + lines[4:])]:
        export.write_text(spoilt, encoding="utf-8")
        with pytest.raises(AssertionError):
            check(export)
