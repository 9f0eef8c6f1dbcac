"""What is answered to a source of orders, and what it is asked, judged by hl7apy; under TLS of Python's own."""
import datetime
import re
import socket
import ssl
import tempfile

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message

from conftest import ROOT, ask, configuration
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
        # As if it were the day of the kept messages: what was collected long ago is refused.
        today = datetime.datetime.now(datetime.UTC).strftime("%Y%m%d").encode()
        answer = sender.say((ORDERS / f"{name}.hl7").read_bytes().replace(b"20260314", today))
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


def new(control, number, specimen, pid="PID|1||KP700101^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r", **more):
    """An order by another hand than the fixtures': OML^O21 of 2.5.1, with pieces exchanged."""
    head = more.get("head", "LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314081500+0000||OML^O21^OML_O21|{}|P|2.5.1")
    orc, obr = more.get("orc", f"NW|{number}^LIS"), more.get("obr", f"1|{number}^LIS||UADIP^Urine strip^99KPL")
    return (f"MSH|^~\\&|{head.format(control)}{more.get('msh', '')}\r{pid}ORC|{orc}|||||||20260314081500+0000\r"
            f"OBR|{obr}\rSPM|1|{specimen}&LIS||UR^Urine^HL70487\r{more.get('end', '')}").encode("latin-1")


LONG = "x" * 10_240
# What comes, MSA-1, the code of ERR-3 (table 0357 of HL7 v2.5.1) or nothing, and ORC-1 of the answer. Numbers of faults
# are those of the developers' own list; what is expected is chapter 2 (acknowledgment, encoding) and chapter 4.
FAULTS = [
    ("O7: the same control id, other content", new("A1", "F2", "KP-30002"), "AA", "", ["OK"]),
    ("O9: ORC-2 is not OBR-2", new("A2", "F3", "KP-30003", obr="1|F9^LIS||UADIP^Urine strip^99KPL"), "AE", "102", None),
    ("O10: no test", new("A3", "F4", "KP-30004", obr="1|F4^LIS||"), "AE", "101", None),
    ("O10: no patient id", new("A4", "F5", "KP-30005", pid="PID|1||||Heron-Invented^Ada\r"), "AE", "101", None),
    ("O10: no name", new("A5", "F6", "KP-30006", pid="PID|1||KP700101^^^KESTREL^MR\r"), "AE", "101", None),
    ("O11: no structure in MSH-9", new("A6", "F7", "KP-30007", head=(
        "LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314081500+0000||OML^O21|{}|P|2.5.1")), "AA", "", ["OK"]),
    ("O11: a version that it may not send", new("A7", "F8", "KP-30008", head=(
        "LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314081500+0000||OML^O21^OML_O21|{}|P|2.7")), "AR", "203", None),
    ("O12: a segment of their own", new("A8", "F9", "KP-30009", end="ZKP|1|what only they know\r"), "AA", "", ["OK"]),
    ("O14: letters in no declared set", new("A9", "F10", "KP-30010", pid=(
        "PID|1||KP700101^^^KESTREL^MR||Ses\xe3o-Invented^Ada\r")), "AE", "102", None),
    ("O16: a name of 10 kB", new("A10", "F11", "KP-30011", pid=(
        f"PID|1||KP700101^^^KESTREL^MR||{LONG}^Ada\r")), "AE", "102", None),
    ("O16: 500 repetitions of an id", new("A11", "F12", "KP-30012", pid=(
        "PID|1||" + "~".join(f"KP70{n:04}^^^KESTREL^MR" for n in range(500)) + "||Heron-Invented^Ada\r")), "AE", "102", None),
    ("O23: for somebody else", new("A13", "F14", "KP-30014", head=(
        "LIS|KESTREL|OTHER|KESTRELPOINT|20260314081500+0000||OML^O21^OML_O21|{}|P|2.5.1")), "AR", "", None),
    ("O24: by somebody else", new("A14", "F15", "KP-30015", head=(
        "OTHER|KESTREL|WICKLINE|KESTRELPOINT|20260314081500+0000||OML^O21^OML_O21|{}|P|2.5.1")), "AR", "", None),
    ("a training message", new("A15", "F16", "KP-30016", head=(
        "LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314081500+0000||OML^O21^OML_O21|{}|T|2.5.1")), "AR", "202", None),
    ("O33: markup, a formula and SQL in a name", new("A16", "F17", "KP-30017", pid=(
        "PID|1||KP700117^^^KESTREL^MR||<script>alert(1)</script>^=1+1';DROP TABLE lab_order;--\r")), "AA", "", ["OK"]),
]


def test_what_is_wrong_is_refused_where_it_is_wrong_and_nothing_of_it_is_kept(daemon):
    parties = 'sending_application = "LIS"\nsending_facility = "KESTREL"\napplication = "WICKLINE"\n'
    one, config = daemon(configuration(more=SOURCE + parties))
    sender = Sender(one.wait_for(lambda e: e["event"] == "source-up")["address"])
    first = new("A1", "F1", "KP-30001")
    answer = sender.say(first)
    assert sender.say(first) == answer, "O5: the same bytes get the kept answer"
    taken, wrong = {"F1"}, []
    for name, message, code, error, orders in FAULTS:
        answer = sender.say(message)
        msa = segments(answer, "MSA")[0][1] if answer else None
        found = [err[3].split("^")[0] for err in segments(answer, "ERR")] if answer else []
        said = [orc[1] for orc in segments(answer, "ORC")] if answer else []
        good = msa == code and (not error or found[:1] == [error])
        if not good or orders is not None and said != orders:
            wrong.append((name, answer))
        if orders == ["OK"]:
            taken.add(message.decode("latin-1").split("ORC|NW|")[1].split("^")[0])
        if answer:
            judged(answer)
    assert not wrong, wrong
    batch = b"FHS|^~\\&|LIS\rBHS|^~\\&|LIS\r" + new("A12", "F13", "KP-30013") + b"BTS|1\rFTS|1\r"
    assert sender.say(batch) is None, "O22: nothing in it can be answered, and nobody waits for ever"
    assert "batches" in one.wait_for(lambda e: e["event"] == "source-cut")["why"]
    kept = {item["order"] for item in ask(config, "orders", "--limit", "1000")["items"]}
    assert kept == taken


FRAMES = [
    ("two blocks in one read", lambda m: [b"\x0b" + m[0] + b"\x1c\r\x0b" + m[1] + b"\x1c\r"], 2),
    ("one byte a read", lambda m: [bytes([b]) for b in b"\x0b" + m[0] + b"\x1c\r"], 1),
    ("blanks between blocks", lambda m: [b"\x0b" + m[0] + b"\x1c\r", b"\x0b" + m[1] + b"\x1c\r"], 2),
    ("no start of a block", lambda m: [m[0] + b"\x1c\r"], 0),
    ("a block that never ends", lambda m: [b"\x0b" + b"x" * (1 << 21)], 0),
    ("FS without CR", lambda m: [b"\x0b" + m[0] + b"\x1c\x0b" + m[1] + b"\x1c\r"], None),
]


@pytest.mark.parametrize("name, pieces, answers", FRAMES, ids=[frame[0] for frame in FRAMES])
def test_a_frame_is_read_whatever_its_pieces_and_what_is_none_ends_the_connection(daemon, name, pieces, answers):
    """O17 and O18: MLLP release 1; whoever does not keep to it is cut off, and the next is heard."""
    one, config = daemon(configuration(more=SOURCE))
    address = one.wait_for(lambda e: e["event"] == "source-up")["address"]
    sender = Sender(address)
    messages = [new("A1", "F1", "KP-30001"), new("A2", "F2", "KP-30002")]
    try:
        for piece in pieces(messages):
            sender.socket.sendall(piece)
    except (BrokenPipeError, ConnectionResetError):
        assert answers == 0
    got, sender.socket = b"", sender.socket
    sender.socket.settimeout(3 if answers is None else 20)
    try:
        while got.count(b"\x1c\r") < (answers or 9):
            piece = sender.socket.recv(65536)
            if not piece:
                break
            got += piece
    except (TimeoutError, ConnectionResetError):
        pass
    if answers is not None:
        assert got.count(b"MSA|AA") == answers, got[:300]
    kept = len(ask(config, "orders")["items"])
    assert kept == got.count(b"MSA|AA"), "what was answered with yes is kept, and nothing else"
    assert b"MSA|AA" in Sender(address).say(new("A9", "F9", "KP-30009")), "the next is heard"


def test_whoever_says_nothing_takes_no_place_for_ever_and_no_line_waits(daemon):
    """O20: four connections at a time; lines are heard whatever stands at the source's door."""
    one, config = daemon(configuration(more=SOURCE + '[orders]\nwithout_order = "send"\n'))
    address = one.wait_for(lambda e: e["event"] == "source-up")["address"]
    idle = [Sender(address) for _ in range(200)]
    for sender in idle[:4]:
        sender.socket.sendall(b"\x0bMSH|^~")
    hear(one.ready["lines"][0]["address"], [fresh(1)])
    one.wait_for(lambda e: e["event"] == "report" and e["state"] == "waiting")
    for sender in idle[4:]:
        sender.socket.close()
    # A message that does not come to its end within 30 s ends its connection.
    cut = [one.wait_for(lambda e: e["event"] == "source-cut", seconds=60) for _ in range(4)]
    assert {event["why"] for event in cut} == {"a message did not come to its end in time"}
    assert b"MSA|AA" in Sender(address).say(new("A1", "F1", "KP-30001"))
