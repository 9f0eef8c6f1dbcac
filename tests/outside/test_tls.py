"""Receivers whose certificates are not to be trusted get nothing, are told of, and hold up nobody else."""
import datetime
import re
import socket
import ssl
import threading
import time
import zoneinfo

import pytest

from conftest import ROOT, ask, configuration
from test_outside import BASE, lis02

TLS = ROOT / "fixtures/forward/tls"
REPORTS = 3


class Receiver:
    """An MLLP receiver under TLS, on Python's own implementation: answers AA to everything."""

    def __init__(self, name):
        self.show(name)
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        self.got = []
        self.plain = 0
        threading.Thread(target=self._serve, daemon=True).start()

    def show(self, name):
        """Shows this certificate from the next connection on."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(TLS / f"{name}.pem", TLS / f"{name}.key")
        self.context = context

    def _serve(self):
        while True:
            stream, _ = self.socket.accept()
            threading.Thread(target=self._converse, args=(stream,), daemon=True).start()

    def _converse(self, stream):
        try:
            with self.context.wrap_socket(stream, server_side=True) as secured:
                text = b""
                while piece := secured.recv(4096):
                    self.plain += len(piece)
                    text += piece
                    while b"\x1c\r" in text:
                        message, text = text.split(b"\x1c\r", 1)
                        control = message.split(b"|")[9].decode()
                        self.got.append((control, message))
                        answer = f"MSH|^~\\&|LIS||||||ACK|1|P|2.5.1\rMSA|AA|{control}\r"
                        secured.sendall(b"\x0b" + answer.encode() + b"\x1c\r")
        except OSError:
            pass  # refused by the other side, which is what some are here for


def hear(address, messages):
    """An analyzer that sends messages over LIS01 and insists on a yes for each frame."""
    host, port = address.rsplit(":", 1)
    with socket.create_connection((host, int(port)), timeout=20) as line:
        def insist(text):
            line.sendall(text)
            assert line.recv(1) == b"\x06"

        for records in messages:
            insist(b"\x05")
            for number, record in enumerate(records, 1):
                body = f"{number % 8}{record}\r\x03".encode()
                insist(b"\x02" + body + f"{sum(body) % 256:02X}\r\n".encode())
            line.sendall(b"\x04")


def fresh(number):
    """One message of LIS02 records that were made just now."""
    now = datetime.datetime.now(zoneinfo.ZoneInfo("Europe/Lisbon")).strftime("%Y%m%d%H%M%S")
    return [re.sub(r"20260314\d{6}", now, r) for r in lis02(f"KP-0000{number}", number, BASE)]


def until(what, wanted, seconds=30):
    end = time.monotonic() + seconds
    while not wanted():
        assert time.monotonic() < end, what
        time.sleep(0.02)


TROUBLES = [
    ("expired", "expired", "lapsing", "expired"),
    ("wrong name", "elsewhere", "authority", "not valid for"),
    ("unknown authority", "receiver", "stranger", "UnknownIssuer"),
]


@pytest.mark.parametrize("name, shows, trusted, word", TROUBLES)
def test_an_untrusted_receiver_gets_nothing_and_holds_up_nobody(daemon, name, shows, trusted, word):
    bad, good = Receiver(shows), Receiver("receiver")
    patience = "ack_timeout = 2\nretry_first = 1\nretry_max = 1\n"
    text = configuration(
        address=f"mllps://127.0.0.1:{bad.port}",
        more=f'ca = "{TLS}/{trusted}.pem"\n{patience}'
        f'[[receiver]]\nid = "good"\naddress = "mllps://127.0.0.1:{good.port}"\nca = "{TLS}/authority.pem"\n{patience}',
    )
    running, config = daemon(text)
    line = running.ready["lines"][0]["address"]
    began = time.monotonic()
    hear(line, [fresh(number) for number in range(1, REPORTS + 1)])
    until("the good one gets all", lambda: len(good.got) == REPORTS)
    assert time.monotonic() - began < 10, "and at once"
    down = running.wait_for(lambda e: e["event"] == "receiver-down", seconds=10)
    assert down["receiver"] == "lis" and "TLS" in down["why"] and word in down["why"], down
    assert bad.plain == 0, "not a byte of a message"
    waiting = ask(config, "queue")["items"]
    assert [item["receiver"] for item in waiting] == ["lis"] * REPORTS
    assert word in waiting[0]["detail"]

    # Put right at the same place: what waited goes, in order, once each.
    if trusted == "authority":
        bad.show("receiver")
        until("what waited goes", lambda: len(bad.got) == REPORTS)
        assert [control for control, _ in bad.got] == sorted(control for control, _ in bad.got)
        until("and is settled", lambda: ask(config, "queue")["totals"]["accepted"] == 2 * REPORTS)
        assert [m.split(b"SPM|")[1] for _, m in bad.got] == [m.split(b"SPM|")[1] for _, m in good.got]
