"""Stores put back from backups in every way, judged by a receiver that is not ours: python-hl7's own server, which
files by order and drops what has a control id that it knows."""
import asyncio
import subprocess
import threading

import hl7
import hl7.mllp
import pytest

from conftest import WICKLINE, Daemon, ask, configuration


class Receiver:
    """Takes everything, and notes what an LIS would file."""

    def __init__(self):
        self.bodies, self.orders, self.faults = {}, {}, []
        self.port, ready = None, threading.Event()

        async def serve(reader, writer):
            try:
                while not writer.is_closing():
                    message = await reader.readmessage()
                    self.takes(message)
                    writer.writemessage(message.create_ack())
                    await writer.drain()
            except (asyncio.IncompleteReadError, ConnectionError):
                writer.close()

        async def main():
            server = await hl7.mllp.start_hl7_server(serve, host="127.0.0.1", port=0)
            self.port = server.sockets[0].getsockname()[1]
            ready.set()
            await server.serve_forever()

        threading.Thread(target=lambda: asyncio.new_event_loop().run_until_complete(main()), daemon=True).start()
        assert ready.wait(10)

    def takes(self, message):
        control_id, body = str(message.segment("MSH")[10]), str(message)
        if self.bodies.setdefault(control_id, body) != body:
            self.faults.append(f"control id {control_id} again with other content")
        order, specimen = str(message.segment("OBR")[3]), str(message.segment("SPM")[2])
        if self.orders.setdefault(order, specimen) != specimen:
            self.faults.append(f"OBR-3 {order} of {self.orders[order]} and of {specimen}")

    def specimens(self):
        return sorted(s.replace("^", "&").strip("&").split("&")[0] for s in self.orders.values())


def run_strips(one, folder, first, many, sent):
    """An analyzer runs strips that nobody ran before."""
    script = folder / "script.toml"
    pads = "BIL = 0\nBLD = 0\nGLU = 0\nKET = 0\nLEU = 0\nNIT = 0\nPH = 2\nPRO = 0\nSG = 2\nURO = 0\n"
    script.write_text("".join(f'[[run]]\nnumber = "{n}"\nspecimen = "KP-{n:05}"\n[run.rungs]\n{pads}'
                              for n in range(first, first + many)))
    subprocess.run([WICKLINE, "simulate", "--connect", one.ready["lines"][0]["address"], "--script", str(script),
                    "--speed-up", "0", "--settle", "0"], check=True, capture_output=True)
    for _ in range(many):
        if sent:
            one.wait_for(lambda e: e["event"] == "delivery" and e["state"] == "accepted")
        else:
            one.wait_for(lambda e: e["event"] == "report")


def act(config, *words, code=0):
    done = subprocess.run([WICKLINE, "--config", str(config), *words], capture_output=True, text=True)
    assert done.returncode == code, (words, done.stdout, done.stderr)
    return done.stdout


def damaged(path):
    path.write_bytes(b"\xa5" * 4096 + path.read_bytes()[4096:])


@pytest.mark.parametrize("what", ["both", "both from nothing", "ledger", "tape", "both, the older tape too"])
def test_whatever_is_put_back_no_id_stands_for_two_things(tmp_path, what):
    receiver = Receiver()
    config = tmp_path / "wickline.toml"
    config.write_text(configuration(address=f"mllp://127.0.0.1:{receiver.port}"))
    one = Daemon(config)
    run_strips(one, tmp_path, 1, 4, sent=True)
    copy = ask(config, "backup", str(tmp_path / "backups"))["folder"]
    run_strips(one, tmp_path, 101, 5, sent=True)
    one.stop()
    more = []
    if what == "both from nothing":
        for store in ["ledger.db", "tape.db"]:
            (tmp_path / store).unlink()
    elif what == "both, the older tape too":
        more = ["--replace-tape"]
    elif what != "both":
        damaged(tmp_path / f"{what}.db")
        more = ["--only", what]
    told = act(config, "restore", copy, "--reason", "drill", *more, code=1)
    one = Daemon(config)
    run_strips(one, tmp_path, 201, 5, sent=False)
    assert len(receiver.bodies) == 9, "nothing goes before a person resumes"
    held = {item["specimen"] for item in ask(config, "held")["items"]}
    act(config, "queue", "resume", "lis")
    for _ in range(5):
        one.wait_for(lambda e: e["event"] == "delivery" and e["state"] == "accepted")
    one.stop()
    assert receiver.faults == []
    assert receiver.specimens() == [f"KP-{n:05}" for first, many in [(1, 4), (101, 5), (201, 5)]
                                    for n in range(first, first + many)]
    lost = {f"KP-{n:05}" for n in range(101, 106)}
    known = {item["specimen"] for item in ask(config, "day")["items"]}
    assert lost <= known or "analyzers' memory" in told, (known, told)
    assert held == (lost if what in ("both", "ledger") else set())
