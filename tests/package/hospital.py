#!/usr/bin/env python3
"""What stands around the daemon in a hospital, written apart from it: an analyzer on the LIS01 link, and a receiver.

    hospital.py analyzer HOST:PORT  each line of standard input is the number of a strip to send; `out` on a line of its own
                                    pulls the cable in the middle of the next one. A strip counts as sent when every
                                    frame of it was acknowledged; until then it is sent again, as CLSI LIS01-A2 has it.
    hospital.py receiver PORT FILE  takes HL7 over MLLP and answers AA; every message goes into FILE before its answer.
"""

import datetime
import socket
import sys
import time

ENQ, ACK, EOT, STX, ETX = b"\x05", b"\x06", b"\x04", b"\x02", b"\x03"
PADS = {"BIL": "NEG", "BLD": "NEG", "GLU": "2+^400|mg/dL", "KET": "NEG", "LEU": "NEG", "NIT": "NEG", "PH": "^6.0",
        "PRO": "NEG", "SG": "^1.012", "URO": "NORM^0.3|mg/dL"}


def records(number):
    """One strip as LIS02-A2 records."""
    now = datetime.datetime.now().strftime("%Y%m%d%H%M%S")
    lines = [f"H|\\^&|||SIM|||||LIS||P|LIS2-A2|{now}", "P|1",
             f"O|1|KP-{30000 + number}|{number}|^^^UA10|R||{now}||||N||||UR||||||||||F"]
    for index, (pad, text) in enumerate(PADS.items(), 1):
        result, unit = (text.split("|") + [""])[:2]
        lines.append(f"R|{index}|^^^{pad}|{result}|{unit}||||F||op7||{now}")
    return lines + ["L|1|N"]


def frames(strip):
    for index, record in enumerate(strip, 1):
        body = str(index % 8).encode() + record.encode() + b"\r" + ETX
        yield STX + body + b"%02X" % (sum(body) % 256) + b"\r\n"


def heard(line):
    """The far end's one byte, or none."""
    byte = line.recv(1)
    if not byte:
        raise ConnectionError("hung up")
    return byte


def send(line, strip, cut):
    """Sends a strip's records. True: all of it was acknowledged."""
    line.sendall(ENQ)
    if heard(line) != ACK:
        return False
    for index, frame in enumerate(frames(strip)):
        if cut and index == 5:
            line.sendall(frame[:7])
            raise ConnectionError("the cable was pulled")
        line.sendall(frame)
        if heard(line) != ACK:
            line.sendall(EOT)
            return False
    line.sendall(EOT)
    return True


def analyzer(address):
    host, port = address.rsplit(":", 1)
    line, cut = None, False
    for word in map(str.strip, sys.stdin):
        if word == "out":
            cut = True
            continue
        # What its memory holds is the same each time that it is sent.
        strip = records(int(word))
        while True:
            try:
                line = line or socket.create_connection((host, int(port)), timeout=15)
                if send(line, strip, cut):
                    break
            except OSError:
                if line:
                    line.close()
                line = None
            cut = False
            time.sleep(0.2)
        print("sent", word, flush=True)


def receiver(port, path):
    server = socket.create_server(("127.0.0.1", int(port)))
    print("ready", flush=True)
    while True:
        line, _ = server.accept()
        with line, open(path, "ab") as kept:
            kept.write(b"")
            talk(line, kept)


def talk(line, kept):
    held = b""
    while True:
        try:
            more = line.recv(65536)
        except OSError:
            return
        if not more:
            return
        held += more
        while b"\x1c\r" in held:
            message, held = held.split(b"\x1c\r", 1)
            message = message.lstrip(b"\x0b")
            kept.write(message + b"\n")
            kept.flush()
            head = message.split(b"\r")[0].split(b"|")
            answer = b"|".join([b"MSH", head[1], b"LIS", b"", head[2], head[3], b"20260314091500", b"", b"ACK", b"A" + head[9],
                                b"P", head[11]]) + b"\rMSA|AA|" + head[9] + b"\r"
            line.sendall(b"\x0b" + answer + b"\x1c\r")


if __name__ == "__main__":
    {"analyzer": analyzer, "receiver": receiver}[sys.argv[1]](*sys.argv[2:])
