"""What is answered to a source of orders, and what it is asked, judged by hl7apy; under TLS of Python's own."""
import re
import socket
import ssl
import tempfile

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message

from conftest import ROOT, configuration
from test_tls import TLS, Receiver, fresh, hear

ORDERS = ROOT / "fixtures/orders"
SOURCE = """
[[source]]
id = "lis"
listen = "127.0.0.1:0"
tests = ["UADIP=ten-pad", "UGLU=GLU"]
"""
SECURED = 'certificate = "source.pem"\nkey = "source.key"\n'
# Requests of the fixtures in the order in which they are sent, what MSA-1 and each ORC-1 say to them, and the answer's
# structure: by table 0119 and chapter 4 of HL7 v2.5.1 (2.3.1 and 2.4 for 08, 10 and 19). Each is read once more from
# the very bytes that a hand wrote for the fixtures.
SAID = [
    ("01-oml-o21-new-251", "ORL_O22", "AA", ["OK"]),
    ("08-orm-o01-new-231", "ORR_O02", "AA", ["OK"]),
    ("19-oml-o21-new-24", "ORL_O22", "AA", ["OK"]),
    ("10-orm-o01-cancel-231", "ORR_O02", "AA", ["CR"]),
    # A change of an order that nobody sent.
    ("14-oml-o21-change-stat-251", "ORL_O22", "AE", ["UX"]),
    ("26-adt-a08-name-251", "ACK", "AA", []),
    ("24-adt-a40-merge-251", "ACK", "AA", []),
]
# The library wants each segment of ORR_O02's choice at once: chapter 4 of 2.3.1 has one of them, OBR here.
KNOWN = re.compile(r"Missing required child ORR_O02_CHOICE\.(RQD|RQ1|RXO|ODS|ODT)$")


def judged(raw):
    """Warnings are of local coding systems and of tables that the library does not list; an error is one."""
    text = raw.decode("ascii")
    assert text.endswith("\r"), "the last segment is ended by CR"
    with tempfile.NamedTemporaryFile("r") as report:
        try:
            message = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
            message.validate(report_file=report.name)
        except HL7apyException as wrong:
            assert KNOWN.match(str(wrong)), f"{wrong}: {text!r}"
        found = [line for line in report.read().splitlines() if line.startswith("Error") and not KNOWN.search(line)]
    assert not found, f"{found}: {text!r}"


def segments(raw, name):
    return [s.split("|") for s in raw.decode().split("\r") if s.startswith(f"{name}|")]


class Sender:
    """An information system that sends orders."""

    def __init__(self, address, context=None):
        host, port = address.rsplit(":", 1)
        self.socket = socket.create_connection((host, int(port)), timeout=30)
        if context:
            self.socket = context.wrap_socket(self.socket, server_hostname="localhost")

    def say(self, message):
        self.socket.sendall(b"\x0b" + message + b"\x1c\r")
        text = b""
        while not text.endswith(b"\x1c\r"):
            piece = self.socket.recv(4096)
            if not piece:
                return None
            text += piece
        return text[1:-2]


@pytest.fixture
def trusting():
    context = ssl.create_default_context(cafile=TLS / "authority.pem")
    context.check_hostname = False
    return context


def test_each_answer_is_one_by_another_reader(daemon, tmp_path, trusting):
    for ending in ("pem", "key"):
        (tmp_path / f"source.{ending}").write_bytes((TLS / f"receiver.{ending}").read_bytes())
        (tmp_path / f"source.{ending}").chmod(0o600)
    one, _ = daemon(configuration(more=SOURCE + SECURED))
    up = one.wait_for(lambda e: e["event"] == "source-up")
    plain = Sender(up["address"])
    plain.socket.sendall(b"\x0b" + (ORDERS / "01-oml-o21-new-251.hl7").read_bytes() + b"\x1c\r")
    with pytest.raises((ConnectionResetError, IndexError)):
        # An alert of TLS, or nothing at all: no acknowledgment.
        assert b"MSA" not in plain.socket.recv(4096)
        raise IndexError
    sender = Sender(up["address"], trusting)
    for name, structure, code, orders in SAID:
        answer = sender.say((ORDERS / f"{name}.hl7").read_bytes())
        assert answer, name
        judged(answer)
        (head,), (msa,) = segments(answer, "MSH"), segments(answer, "MSA")
        kind = head[8].split("^")
        assert structure in (kind[-1], "_".join(kind[:2])), (name, head[8])
        said = [orc[1] for orc in segments(answer, "ORC")]
        assert (msa[1], said) == (code, orders), f"{name}: {answer}"


def test_a_question_is_one_by_another_reader(daemon):
    asked = Receiver("receiver")
    more = f"""
[[receiver]]
id = "work"
address = "mllps://127.0.0.1:{asked.port}"
ca = "{TLS / 'authority.pem'}"
patients = false
{SOURCE}
ask = "work"
sending_application = "LIS"
application = "WICKLINE"
"""
    one, _ = daemon(configuration(more=more))
    hear(one.ready["lines"][0]["address"], [fresh(1)])
    one.wait_for(lambda e: e["event"] == "asked" and e["said"] == "heard")
    ((control, question),) = asked.got
    question = question.lstrip(b"\x0b")
    judged(question)
    (query,) = segments(question, "QPD")
    assert query[2] == control and query[3].startswith("KP-"), query
