"""Questions on the line, asked and answered by the `astm` library: its codec frames them, its server takes the answer."""
import builtins
import datetime
import re
import socket
import time
import zoneinfo

import astm.asynclib
import astm.client
import astm.codec
import astm.server

from conftest import ROOT, ask, configuration
from test_outside import BASE, lis02, split_record

# The library still calls a built-in of Python 2.
builtins.buffer = lambda data, start, count: memoryview(data)[start:start + count]
ENQ, ACK, EOT = b"\x05", b"\x06", b"\x04"
DIALECT = 'name = "asks"\nrecords = "lis02"\n[query]\nanswer = true\n'
SOURCE = """
[[source]]
id = "lis"
listen = "127.0.0.1:0"
tests = ["UADIP=ten-pad"]
"""
HEADER = r"H|\^&|||BENCH-1|||||WICKLINE||P|LIS2-A2|20260314090000"


def now():
    return datetime.datetime.now(zoneinfo.ZoneInfo("Europe/Lisbon")).strftime("%Y%m%d%H%M%S")


class Records(astm.server.BaseRecordsDispatcher):
    """Keeps what the library's server was told."""

    def __init__(self):
        super().__init__("latin-1")
        self.told = []

    def __call__(self, message):
        # A wrong sum or number is an error in here.
        sequence, records, _ = astm.codec.decode_message(message, self.encoding)
        self.told.append((sequence, records))


class Analyzer:
    """A socket on which the library speaks: a session of its own, and then what the other side has to say."""

    def __init__(self, address):
        host, port = address.rsplit(":", 1)
        self.socket = socket.create_connection((host, int(port)), timeout=30)

    def one(self):
        return self.socket.recv(1)

    def says(self, records):
        self.socket.sendall(ENQ)
        assert self.one() == ACK
        for frame in astm.codec.iter_encode([split_record(r) for r in records], "latin-1"):
            self.socket.sendall(frame)
            assert self.one() == ACK
        self.socket.sendall(EOT)

    def is_told(self):
        """The records of the next session, as the library's server understands them."""
        records = Records()
        server = astm.server.RequestHandler(self.socket.dup(), records)
        end = time.monotonic() + 60
        while not records.told or server._is_transfer_state:
            assert time.monotonic() < end, "it is told in time"
            astm.asynclib.loop(timeout=0.1, count=1)
        server.close()
        self.socket.settimeout(30)
        assert [n for n, _ in records.told] == list(range(1, len(records.told) + 1))
        return [record for _, group in records.told for record in group]


def started(daemon, tmp_path, more=""):
    (tmp_path / "asks.toml").write_text(DIALECT)
    one, config = daemon(configuration(dialect="asks.toml", more=more))
    return one, config, Analyzer(one.ready["lines"][0]["address"])


def test_without_orders_the_answer_says_so(daemon, tmp_path):
    one, config, analyzer = started(daemon, tmp_path)
    analyzer.says([HEADER, "Q|1|^KP-20417||ALL||||||||O", "L|1|N"])
    header, last = analyzer.is_told()
    assert (header[4], header[9], header[11]) == ("WICKLINE", "BENCH-1", "P")
    assert last == ["L", "1", "I"]
    one.wait_for(lambda e: e["event"] == "line-answered" and e["outcome"] == "delivered")
    analyzer.says([r.replace("20260314091455", now()) for r in lis02("KP-20417", 1, BASE)])
    one.wait_for(lambda e: e["event"] == "delivery" and e["state"] == "accepted")
    assert ask(config, "day")["totals"]["accepted"] == 1


def test_an_order_is_told_and_its_result_goes_with_it(daemon, tmp_path):
    one, config, analyzer = started(daemon, tmp_path, 'patient = "ordered"\n' + SOURCE)
    order = (ROOT / "fixtures" / "orders" / "01-oml-o21-new-251.hl7").read_bytes()
    # Of today: an order of March would have expired.
    order = re.sub(rb"20260314\d{6}", now().encode(), order)
    host, port = one.wait_for(lambda e: e["event"] == "source-up")["address"].rsplit(":", 1)
    with socket.create_connection((host, int(port)), timeout=30) as lis:
        lis.sendall(b"\x0b" + order + b"\x1c\r")
        answer = b""
        while not answer.endswith(b"\x1c\r"):
            answer += lis.recv(4096)
        assert b"MSA|AA|" in answer, answer
    analyzer.says([HEADER, "Q|1|^KP-20417||ALL||||||||O", "L|1|N"])
    header, patient, told, last = analyzer.is_told()
    assert patient == ["P", "1"], "never who the patient is"
    assert (told[2], told[4][3], told[5], told[11]) == ("KP-20417", "ten-pad", "R", "N")
    assert told[25] == "Q", "an answer to a query (LIS2-A2 8.4.26)"
    assert last == ["L", "1", "F"]


def test_the_client_of_the_library_asks_and_sends_its_results(daemon):
    """Its question gets no answer from the built-in dialect, and its results go on."""
    one, config = daemon(configuration())
    host, port = one.ready["lines"][0]["address"].rsplit(":", 1)

    def emitter():
        for record in [HEADER, "Q|1|^KP-40001||ALL||||||||O", "L|1|N"]:
            yield split_record(record)
        for record in lis02("KP-40001", 1, BASE):
            yield split_record(record.replace("20260314091455", now()))

    flow = {**astm.client.DEFAULT_RECORDS_FLOW_MAP, "H": ["P", "Q"], "Q": ["L"]}
    astm.client.Client(emitter, host, int(port), encoding="latin-1", flow_map=flow).run(timeout=0.2)
    asked = one.wait_for(lambda e: e["event"] == "line-asked")
    assert (asked["specimens"], asked["outcome"]) == (1, "off")
    one.wait_for(lambda e: e["event"] == "delivery" and e["state"] == "accepted")
    assert "asked once for the orders of 1 specimen" in ask(config, "day")["questions"][0]
