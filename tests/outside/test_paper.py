"""The proof as a real browser prints it on A4: two pages to sign, then what has no room there, and every case."""
import csv
import hashlib
import json
import re
import shutil
import subprocess

import pytest

from conftest import ROOT, WICKLINE, configuration

BROWSER = "chromium-headless-shell"
# A4 landscape without its margins of 12 mm, at 96 dots to the inch.
WIDTH = round((297 - 24) / 25.4 * 96)
# What a person would see on paper: anything past the edge or past its own cell, and any word on two lines.
MEASURE = """<script>addEventListener('load', () => {
const all = [...document.querySelectorAll('body, body *')], root = document.documentElement;
const name = e => e.tagName + '.' + e.className + ' ' + e.textContent.trim().slice(0, 60);
const found = {
  wide: all.filter(e => e.getBoundingClientRect().right > root.clientWidth + 1).map(name),
  over: all.filter(e => e.matches('td, th, .ladder div, .slip div, .box') && e.scrollWidth > e.clientWidth + 1)
    .map(name),
  // On the screen what has too much to say runs on under the signatures, as it would on paper.
  under: (end => !end ? [] : [...document.querySelectorAll('.two > :not(.end)')].filter(
    e => e.getBoundingClientRect().bottom > end.getBoundingClientRect().top + 1).map(name)
  )(document.querySelector('.end')),
  broken: all.filter(e => e.matches('i') && e.getClientRects().length > 1).map(name),
  pieces: document.querySelectorAll('wbr').length, words: document.querySelectorAll('i').length,
  scroll: root.scrollWidth - root.clientWidth, images: document.images.length, ran: window.ran || 0,
};
document.body.textContent = 'FOUND' + JSON.stringify(found) + 'FOUND';
});</script></body>"""


def browser(folder, *words):
    assert shutil.which(BROWSER), f"{BROWSER} is missing: tests/run installs it"
    base = [BROWSER, "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", f"--user-data-dir={folder}/profile"]
    done = subprocess.run([*base, *words], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


def proved(folder, dialect, strip, *words, capture=None, more=""):
    """The page of a proof, and its rows."""
    text = configuration(dialect=dialect, strip=strip, more='units = "si"\n' + more)
    signs = 'controls = "none"\n' + ('' if dialect == "wide-label" else 'stat_marks = ["S"]\n')
    config = folder / "wickline.toml"
    config.write_text(text.replace('controls = "none"\n', signs))
    page, table = folder / "proof.html", folder / "proof.csv"
    given = ["--capture", str(capture)] if capture else []
    done = subprocess.run([WICKLINE, "--config", str(config), "prove", "--html", str(page), "--csv", str(table),
                           *given, *words], capture_output=True, text=True)
    assert page.exists(), done.stdout + done.stderr
    with open(table, newline="") as file:
        # Behind the cases stands what they speak of.
        return page, [row for row in csv.DictReader(file) if row["class"] != "fact"]


def pages(folder, page):
    """The text of each printed page, and the size of the paper."""
    pdf = folder / "proof.pdf"
    browser(folder, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri())
    text = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    size = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True).stdout
    return text.split("\f")[:-1], re.search(r"Page size: +(.*)", size).group(1)


def measured(folder, page):
    copy = folder / "measured.html"
    copy.write_text(page.read_text().replace("</body>", MEASURE))
    out = browser(folder, f"--window-size={WIDTH},800", "--dump-dom", copy.as_uri())
    return json.loads(out.split("FOUND")[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&"))


@pytest.mark.parametrize("dialect, strip", [
    ("lis02", "fourteen-pad"), ("two-column", "fourteen-pad"), ("three-field", "ten-pad"),
    ("wide-label", "eleven-pad"), ("ticket", "twelve-pad")])
def test_two_pages_are_signed_and_every_case_stands_behind(tmp_path, dialect, strip):
    page, rows = proved(tmp_path, dialect, strip)
    found = measured(tmp_path, page)
    assert found["words"] > 500 and found["pieces"] == 0
    assert (found["wide"], found["over"], found["broken"], found["scroll"]) == ([], [], [], 0)
    printed, size = pages(tmp_path, page)
    # The PDF's points for 297 by 210 mm.
    assert size.startswith("841.9") and "595" in size.replace("594.96", "595"), size
    assert found["under"] == [], "nothing lies under the signatures"
    first, second = printed[:2]
    assert "Not proved" in first.splitlines()[1] + first.splitlines()[2], first[:300]
    assert "Reviewed and signed" in second and second.count("Signature:") == 3
    assert "every case" in printed[2] and "every case" not in first + second
    assert all("every case" in text and "Verdict" in text for text in printed[2:]), "each page has its head"
    fingerprint = rows[0]["fingerprint"]
    assert all(fingerprint in text for text in printed)
    # Each code that was sent stands whole on the pages that are signed.
    to_sign = set((first + second).split())
    sent = [result for row in rows if row["sent"] and not row["sent"].startswith(("held", "filed"))
            for result in row["sent"].split(" | ")]
    codes = {word for result in sent for word in re.split(r" (?:CE|NM|SN) ", result)[0].split()}
    assert len(codes) > 15 and codes <= to_sign, codes - to_sign
    cases = sum(len(re.findall(r"as expected|not$|not printable", text)) for text in printed[2:])
    assert cases >= len(rows), (cases, len(rows))


def test_what_is_hostile_stays_text_and_inside_its_cell(tmp_path):
    strip = (ROOT / "config/strips/ten-pad.toml").read_text().replace('id = "ten-pad"', 'id = "site-pad"')
    hostile = ["<script>window.ran=1</script>", "<img src=x onerror=window.ran=1>", "W" * 60, "</table></body>"]
    strip = strip.replace('names = ["GLUC",', f'names = {json.dumps(hostile)[:-1]}, "GLUC",')
    (tmp_path / "site.toml").write_text(strip)
    capture = tmp_path / "bench <b> one.cap"
    whole = (ROOT / "fixtures/listen/two-column/complete.cap").read_bytes()
    capture.write_bytes(whole + b"<script>window.ran=1</script>" + b"Q" * 2000 + b"\r\n" + b"\x1b\x00line\r\n" * 200)
    page, _ = proved(tmp_path, "two-column", "site.toml", capture=capture)
    found = measured(tmp_path, page)
    assert (found["ran"], found["images"]) == (0, 0)
    assert (found["wide"], found["over"], found["broken"], found["scroll"]) == ([], [], [], 0)
    printed, _ = pages(tmp_path, page)
    text = " ".join(" ".join(printed[:3]).split())
    assert any("<ESC><NUL>line<CR><LF>" in page for page in printed) and found["under"] == []
    assert "stand behind the cases" in text and "cut after 300 letters" in text
    assert "bench <b> one.cap" in text and "<script>window" in text
    # All of it is on paper: what has no room on the pages to sign stands behind the cases, line by line.
    behind = [text for text in printed if "heard, continued" in text]
    assert behind and behind == printed[-len(behind):]
    numbers = [int(n) for text in behind for n in re.findall(r"^ *(\d+) +<ESC><NUL>line", text, re.MULTILINE)]
    lines = len(capture.read_bytes().split(b"\n")) - 1
    told = re.search(rf"Of its {lines} lines, (\d+) to {lines} stand behind", text)
    # The last 200 are these; those before stand on the pages to sign, as far as there is room.
    first, ours = int(told.group(1)), lines - 199
    assert numbers == list(range(max(first, ours), lines + 1)), (numbers[:3], numbers[-3:], first)
    assert "".join(printed[:2]).count("<ESC><NUL>line") == max(first - ours, 0)


SIGNS = 'control_marks = ["Q1=1"]\ncontrol_specimens = ["QC-L1=1"]\nstat_marks = ["S"]\n'


def much(folder):
    """Options and a configuration by which more is to be said than two pages hold."""
    shipped = (ROOT / "config/dialects/two-column.toml").read_text()
    # Signs that no case can show, for the print says nothing of a day by itself.
    forms = ", ".join(f'"CHECK {n} OF THE MATERIAL BY THE SECOND SHIFT, {{day}}.{{month}}"' for n in range(40))
    assert "control = [" in shipped
    (folder / "own.toml").write_text(shipped.replace("control = [", f"control = [{forms}, "))
    strips = []
    for n in range(4):
        names = ", ".join(f'"NAME {k} OF A PAD OF STRIP {n}"' for k in range(8))
        (folder / f"strip-{n}.toml").write_text(
            f'id = "strip-{n}"\nname = "Strip {n}"\nextends = "ten-pad"\n[[pad]]\nid = "GLU"\nnames = [{names}]\n')
        strips.append(f"strip-{n}.toml")
    whole = (ROOT / "fixtures/listen/two-column/complete.cap").read_bytes()
    truth = (ROOT / "fixtures/listen/two-column/complete.truth.csv").read_text()
    captures = []
    for n in range(9):
        capture = folder / f"bench-{n}.cap"
        capture.write_bytes(whole.replace(b"0042", b"%04d" % n) + b"a line that is no report's\r\n" * 30)
        captures += ["--capture", str(capture)]
        # Nothing of it is as it was read.
        digest = hashlib.sha256(capture.read_bytes()).hexdigest()[:16]
        typed = re.sub(r"(?m)^,capture,,,,\w+", f",capture,,,,{digest}", truth)
        (folder / f"bench-{n}.truth.csv").write_text(typed.replace("KP-", "XX-").replace("op7", "op8"))
    text = configuration(dialect="own.toml", strip=strips[0], more='units = "si"\n')
    several = f'strips = {json.dumps(strips[1:])}\n{SIGNS}'
    (folder / "wickline.toml").write_text(text.replace('controls = "none"\n', several))
    return captures


def printed_of(folder, *words):
    page = folder / "proof.html"
    done = subprocess.run([WICKLINE, "--config", str(folder / "wickline.toml"), "prove", "--html", str(page), *words],
                          capture_output=True, text=True)
    assert page.exists(), done.stdout + done.stderr
    return page, done


@pytest.mark.parametrize("captures", [1, 9])
def test_the_signatures_end_the_second_page_however_much_there_is_to_say(tmp_path, captures):
    page, done = printed_of(tmp_path, *much(tmp_path)[:2 * captures])
    found = measured(tmp_path, page)
    assert (found["wide"], found["over"], found["broken"], found["scroll"]) == ([], [], [], 0)
    # Nothing of the two pages lies under the signatures.
    assert found["under"] == []
    printed, _ = pages(tmp_path, page)
    signed = [n for n, text in enumerate(printed) if "Signature:" in text]
    assert signed == [1] and printed[1].count("Signature:") == 3, signed
    first, everything = " ".join(printed[0].split()), " ".join(" ".join(printed).split())
    told = re.search(r"(\d+) more stand behind these two pages, (\d+) of them not accepted", first)
    gaps = [line for line in done.stdout.splitlines() if line.startswith("NOT PROVED")]
    assert len(gaps) > 40
    here = first.count("NOT PROVED, ")
    assert here >= 5 and (int(told.group(1)), int(told.group(2))) == (len(gaps) - here,) * 2
    assert everything.count("NOT PROVED, ") == len(gaps), "each stands somewhere, once"
    for n in range(4):
        here = f"the map of strip strip-{n}" not in first
        assert here or f"Map of strip strip-{n}; fingerprint" in everything, n
    assert "the map of strip strip-3" in first
    # The head says what the last line on the screen says.
    last = done.stdout.splitlines()[-1]
    words = last.split(": ", 1)[1].split("; fingerprint")[0]
    assert "NO whole proof" in words
    assert words.replace("; NO whole proof", ": NO whole proof") in first, (words, first[:400])
