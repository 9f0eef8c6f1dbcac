"""Those who asked for it are told when something needs a person and when that is over, and nobody else is held up."""
import email
import email.policy
import os
import socket
import stat
import subprocess
import threading

from alarm_kit import Mails, Web
from conftest import ROOT, WICKLINE, ask, configuration
from test_tls import fresh, hear, until

TLS = ROOT / "fixtures/forward/tls"
SOON = "after_minutes = 0\n"


def alarm(name, to, more=SOON):
    return f'[[alarm]]\nid = "{name}"\nto = "{to}"\n{more}'


def act(config, *words):
    done = subprocess.run([WICKLINE, "--config", str(config), *words], capture_output=True, text=True)
    assert done.returncode == 0, done
    return done.stdout


def of(config, about, which):
    found = [i for i in ask(config, "status")["items"] if (i["about"], i["which"]) == (about, which)]
    return found[0] if found else None


def names(items):
    return {(item["about"], item["which"]) for item in items}


class Refuses:
    """An MLLP receiver that refuses everything, and says whose it was."""

    def __init__(self):
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            stream, _ = self.socket.accept()
            text = b""
            while piece := stream.recv(4096):
                text += piece
                while b"\x1c\r" in text:
                    message, text = text.split(b"\x1c\r", 1)
                    control = message.split(b"|")[9].decode()
                    answer = (f"MSH|^~\\&|LIS||||||ACK|1|P|2.5.1\rMSA|AR|{control}|KP-00001 is unknown here\r"
                              "ERR||MSH^1^9|200|E||||KP-00001 is unknown here\r")
                    stream.sendall(b"\x0b" + answer.encode() + b"\x1c\r")


def test_a_place_on_the_web_is_told_what_begins_and_what_is_over_and_no_patient(daemon):
    web, receiver = Web(), Refuses()
    address = f"mllp://127.0.0.1:{receiver.port}"
    running, config = daemon(configuration(
        address=address, more=alarm("ops", f"http://127.0.0.1:{web.port}/hook/s3cret?a=b")))
    config.chmod(0o640)
    hear(running.ready["lines"][0]["address"], [fresh(1)])
    path, headers, first = web.next()
    assert path == "/hook/s3cret?a=b" and headers["Content-Type"] == "application/json"
    assert headers["Host"] == f"127.0.0.1:{web.port}" and headers["User-Agent"].startswith("wickline/")
    assert first["site"] == "Kestrel Point Clinic" and first["alarm"] == "ops"
    posts = [first]

    def has(kind, thing):
        while not any(thing in names(post[kind]) for post in posts):
            posts.append(web.next()[2])
        return next(post for post in posts if thing in names(post[kind]))

    stopped = has("begun", ("receiver", "lis"))
    has("begun", ("refused", "lis"))
    # The receiver's words quote a patient: they stay here.
    assert "KP-00001" in str(ask(config, "queue")["items"])
    assert "needs a person" in stopped["subject"] or "need a person" in stopped["subject"]
    assert "`wickline queue resume lis`" in stopped["text"]
    one = next(item for item in stopped["begun"] if item["about"] == "receiver")
    assert one["text"].startswith("stopped at") and one["todo"] == "wickline queue resume lis", one

    # Put right by a person with the receiver's own words for a reason.
    message = ask(config, "queue")["items"][0]["message"]
    act(config, "queue", "set-aside", message, "--as", "J. Mast", "--reason", "KP-00001 by hand")
    act(config, "queue", "resume", "lis", "--as", "J. Mast")
    assert has("over", ("refused", "lis")) and has("over", ("receiver", "lis"))
    act(config, "queue", "pause", "lis", "--as", "J. Mast")
    posts.clear()
    has("begun", ("receiver", "lis"))
    assert "J. Mast" in of(config, "receiver", "lis")["text"]
    for post in posts + [first]:
        assert "KP-0000" not in str(post) and "Mast" not in str(post), post
    kept = (config.parent / "tape.alarm-ops").read_text()
    assert "receiver lis" in kept and "KP-0000" not in kept and "Mast" not in kept
    assert stat.S_IMODE((config.parent / "tape.alarm-ops").stat().st_mode) == 0o600
    # Where it goes is shown, the secret behind it is not.
    assert f"127.0.0.1:{web.port}" in of(config, "alarm", "ops")["text"]
    shown = str(ask(config, "status")) + act(config, "trail") + act(config, "check")
    assert "s3cret" not in shown


def test_what_was_told_is_told_once_over_a_restart_and_its_end_is(daemon):
    web = Web()
    text = configuration(more=alarm("ops", f"http://127.0.0.1:{web.port}/", SOON + 'about = ["receiver"]\n')
                         + '[[receiver]]\nid = "other"\naddress = "dir:other"\n')
    running, config = daemon(text)
    act(config, "queue", "pause", "lis")
    assert names(web.next()[2]["begun"]) == {("receiver", "lis")}
    kept = config.parent / "tape.alarm-ops"
    until("it is noted", lambda: kept.exists() and "receiver lis" in kept.read_text())
    running.stop()
    running, config = daemon(text)
    act(config, "queue", "pause", "other")
    post = web.next()[2]
    assert names(post["begun"]) == {("receiver", "other")} and not post["over"] and not post["still"]
    until("it is noted", lambda: "receiver other" in kept.read_text())
    running.stop()
    act(config, "queue", "resume", "lis")
    running, config = daemon(text)
    # Not before the daemon has had its time to see it again.
    post = web.next(150)[2]
    assert names(post["over"]) == {("receiver", "lis")} and not post["begun"]
    until("it is noted", lambda: "receiver lis" not in kept.read_text())
    # Another configuration forgets nothing either.
    config.write_text(text.replace("Kestrel Point Clinic", "Kestrel Point Laboratory"))
    running.process.send_signal(1)
    running.wait_for(lambda e: e["event"] == "ready")
    act(config, "queue", "resume", "other")
    post = web.next()[2]
    assert names(post["over"]) == {("receiver", "other")} and not post["begun"]
    assert post["site"] == "Kestrel Point Laboratory"


def test_under_tls_only_who_is_trusted_is_told(daemon):
    good, bad = Web(TLS / "receiver.pem"), Web(TLS / "expired.pem")
    running, config = daemon(configuration(
        more=alarm("good", f"https://127.0.0.1:{good.port}/", f'{SOON}ca = "{TLS}/authority.pem"\n')
        + alarm("bad", f"https://127.0.0.1:{bad.port}/", f'{SOON}ca = "{TLS}/lapsing.pem"\n')))
    act(config, "queue", "pause", "lis")
    assert ("receiver", "lis") in names(good.until(lambda p: ("receiver", "lis") in names(p["begun"]))["begun"])
    down = running.wait_for(lambda e: e["event"] == "alarm" and not e["up"])
    assert down["alarm"] == "bad" and "TLS" in down["why"], down
    until("status says so", lambda: of(config, "alarm", "bad")["wrong"])
    assert not of(config, "alarm", "good")["wrong"] and bad.posts.empty()
    # Who can be told is told of who cannot.
    told = good.until(lambda p: ("alarm", "bad") in names(p["begun"]))
    assert "expired" not in str(told)


def test_who_does_not_answer_or_says_no_holds_up_no_result(daemon):
    web = Web()
    web.hold = threading.Event()
    running, config = daemon(configuration(more=alarm("ops", f"http://127.0.0.1:{web.port}/x")
                                           + '[[receiver]]\nid = "other"\naddress = "dir:other"\npaused = true\n'))
    web.next()
    # It was asked, and has not answered: reports go their way.
    hear(running.ready["lines"][0]["address"], [fresh(number) for number in (1, 2, 3)])
    until("they are out", lambda: len(list((config.parent / "out").glob("*.hl7"))) == 3)
    assert web.posts.empty(), "one at a time"
    web.answer = 302
    web.hold.set()
    down = running.wait_for(lambda e: e["event"] == "alarm" and not e["up"])
    assert "302" in down["why"], down
    until("status says so", lambda: of(config, "alarm", "ops")["wrong"])
    assert "302" in of(config, "alarm", "ops")["text"]
    web.answer = 204
    post = web.next()
    assert post[0] == "/x", "nobody is followed elsewhere"
    assert ("receiver", "other") in names(post[2]["begun"]), "what was not delivered is still due"
    running.wait_for(lambda e: e["event"] == "alarm" and e["up"])
    until("status says so", lambda: not of(config, "alarm", "ops")["wrong"])


def test_a_test_is_sent_by_hand_and_says_whether_it_arrived(tmp_path):
    web, config = Web(), tmp_path / "wickline.toml"
    config.write_text(configuration(more=alarm("ops", f"http://127.0.0.1:{web.port}/s3cret")
                                    + alarm("gone", "http://127.0.0.1:9/s3cret")))
    done = subprocess.run([WICKLINE, "--config", str(config), "alarm"], capture_output=True, text=True)
    assert done.returncode == 3 and "delivered" in done.stdout and "refused" in done.stdout, done
    assert "s3cret" not in done.stdout
    post = web.next()[2]
    assert "a test" in post["subject"] and not post["begun"]
    assert ask(config, "alarm", "ops")["items"][0]["delivered"] is True
    assert not (tmp_path / "ledger.db").exists()


SENDS = """#!/usr/bin/env python3
import email, smtplib, sys
mail = email.message_from_binary_file(sys.stdin.buffer)
smtplib.SMTP("127.0.0.1", int(sys.argv[1])).send_message(mail)
"""


def judged(mail):
    """A mail as Python's own reader of RFC 5322 has it, which finds no defect in it."""
    read = email.message_from_bytes(mail, policy=email.policy.default)
    assert not read.defects and not any(header.defects for header in read.values()), read.defects
    assert read["Date"].datetime is not None and len(read["From"].addresses) == 1
    assert read["Auto-Submitted"] == "auto-generated"
    return read


def test_a_mail_goes_out_by_a_command_with_fixed_arguments(daemon, tmp_path):
    mails, script = Mails(), tmp_path / "sends"
    script.write_text(SENDS)
    script.chmod(0o755)
    curl = ["/usr/bin/curl", "--silent", "--show-error", "--mail-from", "wickline@kestrelpoint.example", "--mail-rcpt",
            "it@kestrelpoint.example", "--upload-file", "-", f"smtp://127.0.0.1:{mails.port}"]
    command = str([str(script), str(mails.port), "; touch /tmp/never"]).replace("'", '"')
    running, config = daemon(configuration(
        more=alarm("night", "mailto:night@kestrelpoint.example", f"{SOON}command = {command}\n")
        + alarm("it", "mailto:it@kestrelpoint.example", SOON + "command = " + str(curl).replace("'", '"') + "\n")))
    act(config, "queue", "pause", "lis")
    told = {}
    while len(told) < 2:
        sender, to, mail = mails.next()
        mail = judged(mail)
        if "receiver lis" in mail.get_content():
            told[to[0]] = mail
    assert set(told) == {"night@kestrelpoint.example", "it@kestrelpoint.example"}
    for to, mail in told.items():
        assert str(mail["To"]) == to and "Kestrel Point Clinic" in mail["Subject"]
        assert "need" in mail["Subject"] and "`wickline queue resume lis`" in mail.get_content()
    assert not os.path.exists("/tmp/never")


def test_a_command_that_fails_or_hangs_is_told_of_and_ended(daemon, tmp_path):
    fails, hangs, pid = tmp_path / "fails", tmp_path / "hangs", tmp_path / "pid"
    fails.write_text("#!/bin/sh\necho 'no such \033[31mhost' >&2\nenv >&2\nexit 75\n")
    hangs.write_text(f"#!/bin/sh\nsleep 1000 &\necho $! >{pid}\nwait\n")
    for script in (fails, hangs):
        script.chmod(0o755)
    running, config = daemon(configuration(
        more=alarm("fails", "mailto:it@kestrelpoint.example", f'{SOON}command = ["{fails}"]\n')
        + alarm("hangs", "mailto:it@kestrelpoint.example", f'{SOON}command = ["{hangs}"]\n')))
    act(config, "queue", "pause", "lis")
    whys = {}
    while len(whys) < 2:
        event = running.wait_for(lambda e: e["event"] == "alarm" and not e["up"], seconds=90)
        whys[event["alarm"]] = event["why"]
    assert "exit status: 75" in whys["fails"] and "no such" in whys["fails"] and "\033" not in whys["fails"]
    assert "WICKLINE" not in whys["fails"], "it gets nothing of our environment"
    assert "no answer within 30 s" in whys["hangs"], whys
    until("and what it started is gone", lambda: not os.path.exists(f"/proc/{pid.read_text().strip()}"))
