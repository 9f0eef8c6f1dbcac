"""The pages under load, and under somebody who means no good: figures are printed (`-s`) and none is asserted; asserted is
that every page answers whole, that the lines stay heard and that nothing was changed. Full counts with WICKLINE_LONG=1."""
import http.client
import json
import os
import re
import socket
import sqlite3
import threading
import time
import urllib.parse

import pytest

from conftest import Daemon, ask, configuration
from test_pages import WORD, Lab

LONG = os.environ.get("WICKLINE_LONG") == "1"
TODAY, QUEUED, PAGES, CONNECTIONS = (10_000, 100_000, 64, 10_000) if LONG else (300, 3_000, 8, 600)
PATHS = ["/today", "/held", "/queue", "/day", "/controls", "/line", "/mapping", "/trail", "/report/1", "/me"]


class Quiet(Lab):
    """A bench whose receiver is away: everything waits."""

    def __init__(self, folder):
        more = '[console]\nlisten = "127.0.0.1:0"\n'
        self.folder, self.number = folder, 0
        self.config = folder / "wickline.toml"
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.config.write_text(configuration(address=f"mllp://127.0.0.1:{port}", more=more))
        self.start()

    def start(self):
        self.daemon = Daemon(self.config)
        self.host = self.daemon.ready["console"]


def filled(lab):
    """Copies one waiting report and its message: so many of today, all others of the days before."""
    lab.strips("KP-20417")
    lab.daemon.stop()
    store = sqlite3.connect(lab.folder / "ledger.db")
    columns = lambda table: [row[1] for row in store.execute(f"PRAGMA table_info({table})")]  # noqa: E731
    for table, own in [
        ("report", {"n": "c.n", "part": "c.n",
                    "number": "CAST(c.n AS TEXT)", "specimen": "'KP-' || (100000 + c.n)", "identity": "'i' || c.n",
                    "filler": "'K7Q2-' || c.n", "heard_at": "heard_at - CASE WHEN c.n > :today THEN 86400000000 * (1 + c.n % 300) ELSE 0 END",
                    "day": "CASE WHEN c.n > :today THEN date(day, '-' || (1 + c.n % 300) || ' days') ELSE day END"}),
        ("message", {"n": "c.n", "report": "c.n", "control_id": "'WK' || c.n", "filler": "NULL"}),
        ("message_body", {"n": "c.n"}),
    ]:
        all_columns = columns(table)
        shown = ", ".join(own.get(name, f"t.{name}") for name in all_columns)
        store.execute(
            f"WITH RECURSIVE c (n) AS (SELECT 2 UNION ALL SELECT n + 1 FROM c WHERE n < :queued) "
            f"INSERT INTO {table} ({', '.join(all_columns)}) SELECT {shown} FROM c, {table} t WHERE t.n = 1",
            {"today": TODAY, "queued": QUEUED},
        )
    store.execute("UPDATE counter SET value = ? WHERE name IN ('report', 'message')", (QUEUED,))
    store.commit()
    store.close()
    lab.start()


def signed_in(lab, name, role):
    """The cookie of somebody who signed in."""
    code = lab.person(name, role)
    form = urllib.parse.urlencode({"code": code, "password": WORD, "again": WORD})
    answer = asked(lab, "POST", "/first", form)
    return answer[2]["set-cookie"].split(";")[0]


def asked(lab, method, path, body=None, cookie="", more=()):
    connection = http.client.HTTPConnection(lab.host, timeout=30)
    headers = {"Cookie": cookie, **dict(more)}
    if body is not None:
        headers["Content-Type"] = "application/x-www-form-urlencoded"
    began = time.perf_counter()
    connection.request(method, path, body, headers)
    answer = connection.getresponse()
    text = answer.read()
    took = time.perf_counter() - began
    connection.close()
    return answer.status, text, {k.lower(): v for k, v in answer.getheaders()}, took


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    lab = Quiet(tmp_path_factory.mktemp("load"))
    filled(lab)
    yield lab
    lab.daemon.stop()


def told(name, times):
    times = sorted(times)
    at = lambda part: times[min(len(times) - 1, int(len(times) * part))] * 1e3  # noqa: E731
    print(f"{name:<12} {len(times):>5} times  p50 {at(.5):>7.1f} ms  p99 {at(.99):>7.1f} ms  max {times[-1] * 1e3:>7.1f} ms")


def memory(lab):
    text = open(f"/proc/{lab.daemon.process.pid}/status").read()
    return int(re.search(r"RssAnon:\s+(\d+)", text)[1]) / 1024


def test_every_page_answers_whole_over_a_long_day_and_a_long_queue(lab):
    cookie = signed_in(lab, "J. Mast", "keeper")
    print(f"\n{TODAY} reports of today, {QUEUED} messages wait, load {os.getloadavg()[0]:.1f}")
    for path in PATHS:
        times = []
        for _ in range(200 if LONG else 10):
            code, text, headers, took = asked(lab, "GET", path, cookie=cookie)
            if code == 303:
                path = headers["location"]
                continue
            assert code == 200 and b"</html>" in text, path
            times.append(took)
        told(path, times)
    # Beyond ten thousand nobody counts one by one, and that is said.
    many = f"{QUEUED} wait" if QUEUED <= 10_000 else "more than 10000 wait"
    assert many in asked(lab, "GET", "/queue", cookie=cookie)[1].decode()
    print(f"private memory of the daemon {memory(lab):.1f} MiB")


def listening(lab, cookie, heard, stop, sheets=()):
    """A browser: it hears what changes, and its pages ask for the sheets that they show."""
    stream = socket.create_connection(tuple(lab.host.rsplit(":", 1)), timeout=30)
    stream.sendall(f"GET /events HTTP/1.1\r\nHost: {lab.host}\r\nCookie: {cookie}\r\n\r\n".encode())
    stream.settimeout(1)
    while not stop.is_set():
        try:
            got = stream.recv(4096)
        except TimeoutError:
            continue
        if not got:
            return
        if b"event: changed" in got:
            heard.append(time.time())
            assert all(asked(lab, "GET", sheet, cookie=cookie)[0] == 200 for sheet in sheets)
    stream.close()


def test_a_new_report_is_told_to_every_open_page(lab):
    cookies = [signed_in(lab, f"Person {n}", "viewer") for n in range(PAGES // 2)]
    stop, heard = threading.Event(), [[] for _ in range(PAGES)]
    pages = [threading.Thread(target=listening, args=(lab, cookies[n // 2], heard[n], stop)) for n in range(PAGES)]
    for page in pages:
        page.start()
    time.sleep(2)
    lab.number, times = QUEUED, []
    for n in range(200 if LONG else 5):
        before = [len(one) for one in heard]
        came = time.time()
        lab.strips(f"KP-9{n:04}")
        while not all(len(one) > was for one, was in zip(heard, before)):
            assert time.time() < came + 30, "a page was not told"
            time.sleep(0.005)
        times.append(max(at[-1] for at in heard))
    stop.set()
    for page in pages:
        page.join()
    store = sqlite3.connect(f"file:{lab.folder / 'ledger.db'}?mode=ro", uri=True)
    came = [row[0] / 1e6 for row in store.execute("SELECT heard_at FROM report WHERE specimen LIKE 'KP-9____' ORDER BY n DESC LIMIT ?", (len(times),))]
    store.close()
    print()
    told("byte to page", [at - was for at, was in zip(times, reversed(came))])
    print(f"{PAGES} open pages; private memory of the daemon {memory(lab):.1f} MiB")


def test_a_shift_with_open_pages_takes_no_more_memory_at_its_end(tmp_path):
    """Eight hours at a hundred strips an hour, as fast as they are read; every page asks anew whenever it is told."""
    lab, each = Quiet(tmp_path), 100 if LONG else 10
    try:
        lab.strips("KP-20417")
        cookies = [signed_in(lab, f"Person {n}", "viewer") for n in range(PAGES // 2)]
        sheets = ["/today", "/held", "/queue", f"/day/{time.strftime('%Y-%m-%d')}", "/controls", "/line", "/report/1"]
        stop, heard = threading.Event(), [[] for _ in cookies]
        # The tabs of a browser share one stream.
        pages = [
            threading.Thread(target=listening, args=(lab, cookie, heard[n], stop, (sheets * 2)[n % 7:n % 7 + 2]))
            for n, cookie in enumerate(cookies)
        ]
        for page in pages:
            page.start()
        hours = []
        for hour in range(8):
            for first in range(0, each, 10):
                lab.strips(*(f"KP-{hour + 1}{n:04}" for n in range(first, first + 10)))
            hours.append(memory(lab))
        stop.set()
        for page in pages:
            page.join()
    finally:
        lab.daemon.stop()
    print(f"\n{PAGES} open pages, {each} strips an hour; private memory, MiB: " + ", ".join(f"{m:.1f}" for m in hours))
    assert all(len(one) > 8 for one in heard), "every page was told all the while"
    # What was taken in the first half is enough for the second.
    assert max(hours[4:]) < max(hours[:4]) * 1.25, hours


def test_who_means_no_good_changes_nothing_and_the_lines_stay_heard(lab):
    cookie = signed_in(lab, "R. Olsen", "technologist")
    before = ask(lab.config, "trail")["totals"]["rows"]
    page = asked(lab, "GET", "/report/1", cookie=cookie)[1].decode()
    token = re.search(r'name="token" value="([^"]+)"', page)[1]
    once, seen = re.search(r'name="once" value="([^"]+)"', page)[1], re.search(r'name="seen" value="([^"]+)"', page)[1]
    form = urllib.parse.urlencode({"token": token, "once": once, "seen": seen, "reason": "no good", "password": "wrong"})
    act = "/report/1/withdraw"
    tries = [
        ("forged host", asked(lab, "POST", act, form, cookie, [("Host", "evil.test")]), (421,)),
        ("form of another site", asked(lab, "POST", act, form, cookie, [("Sec-Fetch-Site", "cross-site"), ("Origin", "http://evil.test")]), (403,)),
        ("form of another port", asked(lab, "POST", act, form, cookie, [("Sec-Fetch-Site", "same-site"), ("Origin", "http://127.0.0.1:1")]), (403,)),
        ("no token", asked(lab, "POST", act, form.replace(token, ""), cookie), (410,)),
        ("chosen session", asked(lab, "POST", act, form, cookie.split("=")[0] + "=" + "0" * 64), (401,)),
        ("no session", asked(lab, "POST", act, form), (401,)),
        ("JSON for a form", asked(lab, "POST", act, json.dumps({"token": token}), cookie, [("Content-Type", "application/json")]), (410, 415)),
        ("a form too large", asked(lab, "POST", act, form + "&x=" + "a" * 20_000, cookie), (413,)),
        ("method in a field", asked(lab, "GET", act + "?" + form, None, cookie), (405,)),
        ("path up", asked(lab, "GET", "/look/../../etc/passwd", None, cookie), (404,)),
        ("path coded", asked(lab, "GET", "/look/%2e%2e%2f%2e%2e%2fetc%2fpasswd", None, cookie), (404,)),
        ("another's address", asked(lab, "GET", "/today", None, cookie, [("X-Forwarded-Host", "evil.test")]), (200,)),
    ]
    for what, (code, text, headers, _), allowed in tries:
        assert code in allowed, (what, code, text[:200])
        assert b"evil.test" not in text and "evil.test" not in headers.get("location", ""), what
    # Two lengths, a length and chunks, a line that does not end, a head that is too long: none is understood.
    for raw in [
        b"POST /login HTTP/1.1\r\nHost: %h\r\nContent-Length: 3\r\nContent-Length: 30\r\n\r\na=bGET /today HTTP/1.1\r\n\r\n",
        b"POST /login HTTP/1.1\r\nHost: %h\r\nContent-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /today HTTP/1.1\r\n\r\n",
        b"GET /today HTTP/1.1\r\nHost: %h\r\nX: " + b"a" * 40_000 + b"\r\n\r\n",
        b"GET /today\0 HTTP/1.1\r\nHost: %h\r\n\r\n",
    ]:
        with socket.create_connection(tuple(lab.host.rsplit(":", 1)), timeout=10) as odd:
            try:
                odd.sendall(raw.replace(b"%h", lab.host.encode()))
                said = odd.recv(4096)
            except ConnectionError:
                said = b""
        assert b"200 OK" not in said and b"KP-" not in said, (raw[:60], said[:200])
    # Many that say nothing, or one letter now and then: they are turned away or cut, and nobody else waits for them.
    slow, refused = [], 0
    for n in range(CONNECTIONS):
        try:
            one = socket.create_connection(tuple(lab.host.rsplit(":", 1)), timeout=5)
            one.sendall(b"GET /today HTTP/1.1\r\nHo" if n % 2 else b"")
            slow.append(one)
        except OSError:
            refused += 1
        if len(slow) > 900:
            slow.pop(0).close()
    lab.strips("KP-77001")
    print(f"\n{CONNECTIONS} connections, {refused} refused by the system; private memory {memory(lab):.1f} MiB")
    for one in slow:
        one.close()
    code = 0
    ends = time.time() + 30
    while code != 200 and time.time() < ends:
        try:
            code = asked(lab, "GET", "/today", cookie=cookie)[0]
        except (OSError, http.client.HTTPException):
            time.sleep(0.1)
    assert code == 200, "the pages did not come back"
    acts = [row["verb"] for row in ask(lab.config, "trail")["items"] if row["n"] > before]
    assert acts == [], acts
