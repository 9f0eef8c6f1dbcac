"""Lines against pyserial: its server of RFC 2217 sets and carries a port, its lock on a port is seen."""
import datetime
import os
import socket
import threading
import tty
import zoneinfo

import pytest
import serial
import serial.rfc2217

from conftest import ROOT, ask, configuration

NOW = datetime.datetime.now(zoneinfo.ZoneInfo("Europe/Lisbon")).strftime("%Y-%m-%d %H:%M:%S").encode()
PRINT = (ROOT / "fixtures" / "listen" / "two-column" / "complete.cap").read_bytes().replace(b"2026-03-14 09:14:55", NOW)
IAC, SB, SE, COM_PORT, LINE_STATE = 255, 250, 240, 44, 106


class Port(serial.Serial):
    """A pseudo-terminal has no modem lines: they are written down instead. `stays` is a speed that it never leaves."""
    cts = dsr = ri = cd = property(lambda self: False)
    stays = None

    def __init__(self, *given, **more):
        self.modem = {}
        super().__init__(*given, **more)

    def _update_dtr_state(self):
        self.modem["dtr"] = self._dtr_state

    def _update_rts_state(self):
        self.modem["rts"] = self._rts_state

    def _update_break_state(self):
        pass

    def _reconfigure_port(self, force_update=False):
        if self.stays and self._baudrate != self.stays:
            raise ValueError(f"only {self.stays}")
        super()._reconfigure_port(force_update)


class Server:
    """A port server on a pseudo-terminal. What an analyzer says is written to `analyzer`."""

    def __init__(self, stays=None):
        self.analyzer, far = os.openpty()
        tty.setraw(far)
        tty.setraw(self.analyzer)
        self.port = Port(os.ttyname(far), 1200, timeout=0.05)
        self.port.stays = stays
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.address = "127.0.0.1:%d" % self.listener.getsockname()[1]
        self.lock, self.connection = threading.Lock(), None
        threading.Thread(target=self._serve, daemon=True).start()

    def write(self, data):
        with self.lock:
            self.connection.sendall(data)

    def _serve(self):
        while True:
            self.connection, _ = self.listener.accept()
            manager = serial.rfc2217.PortManager(self.port, self)
            open_ = threading.Event()
            open_.set()
            threading.Thread(target=self._carry, args=(manager, open_), daemon=True).start()
            while data := self.connection.recv(1024):
                self.port.write(b"".join(manager.filter(data)))
            open_.clear()

    def _carry(self, manager, open_):
        while open_.is_set():
            if data := self.port.read(256):
                self.write(b"".join(manager.escape(data)))

    def reports(self, bits):
        """Tells of the line's state, which pyserial's server never does by itself."""
        self.write(bytes([IAC, SB, COM_PORT, LINE_STATE, bits, IAC, SE]))


def line(server, *keys):
    text = configuration(f"rfc2217:{server.address}", dialect="two-column")
    return text.replace('controls = "none"', "\n".join(['controls = "none"', *keys]))


def test_a_port_of_a_server_is_set_and_heard(daemon):
    server = Server()
    one, config = daemon(line(server, "speed = 19200", 'dtr = "off"', 'rts = "on"'))
    up = one.wait_for(lambda e: e["event"] == "line-up")
    assert up["line"] == f"rfc2217:{server.address} 19200 8N1"
    port = server.port
    assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (19200, 8, "N", 1)
    assert not port.rtscts and not port.xonxoff
    assert port.modem == {"dtr": False, "rts": True}
    os.write(server.analyzer, PRINT)
    report = one.wait_for(lambda e: e["event"] == "report")
    assert (report["number"], report["state"]) == ("0042", "waiting"), report
    one.wait_for(lambda e: e["event"] == "delivery" and e["state"] == "accepted")


def test_the_analyzer_is_answered(daemon):
    """LIS01 over the server: ENQ is answered with ACK, and FF in either direction comes through once."""
    server = Server()
    one, _ = daemon(line(server).replace("two-column", "lis02"))
    one.wait_for(lambda e: e["event"] == "line-up")
    os.write(server.analyzer, b"\xff\xff\x05")
    assert os.read(server.analyzer, 1) == b"\x06"


def test_a_setting_that_the_server_refuses_keeps_the_line_down(daemon):
    server = Server(stays=1200)
    one, config = daemon(line(server))
    down = one.wait_for(lambda e: e["event"] == "line-down")
    assert "its speed: 9600 was asked for, it answers 1200" in down["why"]
    os.write(server.analyzer, PRINT)
    server.port.stays = None
    one.wait_for(lambda e: e["event"] == "line-up")
    assert server.port.baudrate == 9600


def test_a_server_of_something_else_is_no_port(daemon):
    with socket.create_server(("127.0.0.1", 0)) as other:
        address = "127.0.0.1:%d" % other.getsockname()[1]
        threading.Thread(target=lambda: other.accept()[0].close(), daemon=True).start()
        server = type("Other", (), {"address": address})
        one, _ = daemon(line(server))
        down = one.wait_for(lambda e: e["event"] == "line-down")
        assert "hung up before it had answered to whether it speaks RFC 2217" in down["why"]


@pytest.mark.parametrize("bits, kind", [(2, "overrun"), (4, "parity"), (8, "framing"), (16, "break")])
def test_what_the_server_reports_of_the_line_spoils_the_print(daemon, bits, kind):
    server = Server()
    one, config = daemon(line(server))
    one.wait_for(lambda e: e["event"] == "line-up")
    half = PRINT.index(b"GLU") + 8
    server.write(PRINT[:half])
    server.reports(bits)
    server.write(PRINT[half:])
    told = one.wait_for(lambda e: e["event"] == "line-troubles")
    assert (told["more"], told["all"]) == ({kind: 1}, {kind: 1})
    while not (said := [i["troubles"] for i in ask(config, "status")["items"] if i["about"] == "line"])[0]:
        pass
    assert said[0].startswith("1 " + kind), said
    report = one.wait_for(lambda e: e["event"] == "report")
    holds = ask(config, "held", "show", report["id"])["holds"]
    assert [h["line"] for h in holds if h["reason"] == "line-error"] == [5], holds


def test_whoever_holds_a_port_is_named(daemon):
    """pyserial locks as we do, by flock(2); a person then looks for the number that we say."""
    master, far = os.openpty()
    path = os.ttyname(far)
    os.close(far)
    holder = serial.Serial(path, exclusive=True)
    one, _ = daemon(configuration(f"serial:{path}", dialect="two-column"))
    down = one.wait_for(lambda e: e["event"] == "line-down")
    name = open("/proc/self/comm").read().strip()
    assert f"it is held by {os.getpid()} {name}" in down["why"]
    holder.close()
    one.wait_for(lambda e: e["event"] == "line-up")
    # And the other way round.
    with pytest.raises(serial.SerialException):
        serial.Serial(path, exclusive=True)
    os.close(master)
